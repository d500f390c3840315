"""Make random scenes or coat series of known truth into a folder, for other benchmarks.

    python benchmarks/make_slabs.py OUT --count 5 --seed 100 [--megapixels 3] [--views 3] [--raking]
    python benchmarks/make_slabs.py OUT --count 5 --seed 100 [--conifers] [--figured]
    python benchmarks/make_slabs.py OUT --count 5 --seed 100 --megapixels 8 --truth
    python benchmarks/make_slabs.py OUT --coats --count 3 --seed 100 [--surface gloss] [--figured] [--crowded]
    python benchmarks/make_slabs.py OUT --coats --before --count 3 --seed 100 --megapixels 8

Seeds below 10000 are for development. Seeds from 100000 are for evidence: nothing may be tuned on them.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voidmap.simulate.scene import Scene

EVIDENCE_FROM = 100_000
DEVELOPMENT_BELOW = 10_000
# Pinholes that are asked for of a crowded series, from and to, after the first coat; some find no room.
CROWD = (800, 5000)


def told(folder: Path, name: str, scene: Scene) -> None:
    """Write the scene's pieces of voids into the truth files of photos that were made before these were written."""
    from voidmap.simulate.truth import photo_truth, scene_truth, write_truth

    truth = scene_truth(scene.slab, scene.sheets, scene.light)
    for letter, camera in zip("abc", scene.cameras, strict=False):
        path = folder / f"{name}-{letter}.json"
        kept, again = json.loads(path.read_text()), photo_truth(truth, camera)
        for old, new in zip(kept["features"], again["features"], strict=True):
            if old["outline_px"] != new["outline_px"]:
                raise SystemExit(f"{path} is of another scene")
            old |= {"pieces_mm": new["pieces_mm"], "pieces_px": new["pieces_px"]}
        write_truth(path, kept)


def before_fill(folder: Path, seed: int, megapixels: float) -> None:
    """Photograph the slab of a coat series as it was before its voids were filled, into cSEED-a.jpg."""
    import numpy as np

    from voidmap.simulate.coat import slab_of_series
    from voidmap.simulate.scene import Scene, place_sheets, random_cameras, random_light, write_scene

    _, _, slab = slab_of_series(seed)
    rng = np.random.default_rng([seed, 78])
    sheets, light = place_sheets(rng, slab, 1), random_light(rng)
    cameras = random_cameras(rng, slab, 1, megapixels=megapixels)
    write_scene(folder, f"c{seed}", Scene(slab, sheets, light, cameras, seed))


def figures_of(seed: int, figured: bool) -> tuple[str, ...]:
    """Return the figures that the wood of a seed has when it is asked to have some."""
    import numpy as np

    from voidmap.simulate.figure import random_figures

    return random_figures(np.random.default_rng([seed, 79])) if figured else ()


def crowd_of(seed: int) -> int:
    import numpy as np

    return int(np.exp(np.random.default_rng([seed, 99]).uniform(*np.log(CROWD))))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path)
    parser.add_argument("--count", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--megapixels", type=float, default=3.0)
    parser.add_argument("--views", type=int, default=3)
    parser.add_argument("--conifers", action="store_true", help="of woods whose late wood stands out as lines")
    parser.add_argument("--figured", action="store_true", help="with curl, fleck, zone lines, stain, marks of the saw")
    parser.add_argument("--raking", action="store_true", help="also one photo by a low lamp with a peg")
    parser.add_argument("--truth", action="store_true", help="only write the pieces of voids into truth files there")
    parser.add_argument("--coats", action="store_true", help="coat series instead of slabs")
    parser.add_argument("--before", action="store_true", help="of each series only its slab before the fill")
    parser.add_argument("--crowded", action="store_true", help="coat series with 800 to 5000 pinholes, two coats each")
    parser.add_argument("--surface", choices=("gloss", "sanded", "mixed"), default="mixed")
    asked = parser.parse_args()
    last = asked.seed + asked.count - 1
    if not (last < DEVELOPMENT_BELOW or asked.seed >= EVIDENCE_FROM):
        print(f"seeds {asked.seed} to {last} are neither development nor evidence", file=sys.stderr)
        return 2
    for seed in range(asked.seed, last + 1):
        start = time.perf_counter()
        if asked.coats and asked.before:
            before_fill(asked.out, seed, asked.megapixels)
        elif asked.coats:
            from voidmap.simulate.coat import write_series

            surface = ("gloss", "sanded")[seed % 2] if asked.surface == "mixed" else asked.surface
            coats, pinholes = (2, crowd_of(seed)) if asked.crowded else (3, None)
            write_series(
                asked.out,
                f"c{seed}",
                seed,
                coats=coats,
                surface=surface,
                megapixels=asked.megapixels,
                count=pinholes,
                figures=figures_of(seed, asked.figured),
            )
        else:
            from voidmap.simulate.scene import random_scene, write_scene
            from voidmap.simulate.wood import CONIFERS

            wood = CONIFERS[seed % len(CONIFERS)].name if asked.conifers else None
            figures = figures_of(seed, asked.figured)
            scene = random_scene(
                seed, name=f"s{seed}", views=asked.views, megapixels=asked.megapixels, species=wood, figures=figures
            )
            if asked.truth:
                told(asked.out, f"s{seed}", scene)
            else:
                write_scene(asked.out, f"s{seed}", scene, raking=asked.raking)
        print(f"seed {seed}: {time.perf_counter() - start:.1f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
