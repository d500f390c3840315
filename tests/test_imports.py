"""The arrows between the folders run one way: no module imports from a layer above its own."""

import ast
from pathlib import Path

import pytest

import voidmap

ROOT = Path(voidmap.__file__).parent
LAYERS = [
    ("errors", "records"),
    ("model", "units", "statistics"),
    ("schemas", "photo", "shown", "shade"),
    ("files",),
    ("scale",),
    ("surface",),
    ("depth",),
    ("fill",),
    ("coat",),
    ("corrections",),
    ("report",),
    ("simulate",),
    ("job",),
    ("cli", "__main__"),
]
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}
MODULES = sorted(ROOT.rglob("*.py"))


def area_of(dotted: str) -> str | None:
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 and parts[0] == "voidmap" else None


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_run_downward(path):
    own = path.relative_to(ROOT).with_suffix("").parts[0]
    if own == "__init__":
        own = "errors"
    assert own in RANK, f"{own} has no layer yet: give it its place in LAYERS"
    upward = {name for name in imports_of(path) if (area := area_of(name)) in RANK and RANK[area] > RANK[own]}
    assert not upward, f"{path.name} reaches up to {upward}"


HEAVY = {"cv2", "scipy", "skimage", "matplotlib", "pydantic", "PIL", "pillow_heif", "numpy"}


def heavy_after(statement: str) -> set[str]:
    import subprocess
    import sys

    code = f"import sys\n{statement}\nprint(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    return HEAVY & set(out.split())


def test_help_imports_nothing_heavy():
    assert heavy_after("import voidmap.cli") == set()
