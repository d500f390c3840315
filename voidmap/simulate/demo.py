"""Make the demo's photos: an ash reception-desk top, and a patch of it after each of three seal coats.

python -m voidmap.simulate.demo OUTDIR
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from voidmap import files
from voidmap.simulate.coat import write_coats
from voidmap.simulate.grid import Feature, Slab
from voidmap.simulate.light import Light
from voidmap.simulate.patch import grow_sites, patch_of
from voidmap.simulate.scene import Scene, place_sheets, random_cameras, write_scene
from voidmap.simulate.slab import random_slab
from voidmap.simulate.voids import PLAIN

SEED = 6
LENGTH_MM, WIDTH_MM, THICKNESS_MM = 1050.0, 430.0, 45.0
MEGAPIXELS = 4.32
"""2400 x 1800: small enough for a repository, half a millimetre a pixel over the whole desk."""
QUALITY = 84
COAT_QUALITY = 78
COAT_VIEW_MM = 360.0
COAT_MEGAPIXELS = 6.2
"""2876 px over 360 mm: a 0.5 mm pinhole is 4 px wide."""
FIRST_PINHOLES = 210
CLOSES = {"rim": 0.76, "pore": 0.9, "bubble": 0.97}
"""Each coat closes this share; few new ones come, so that the third coat leaves a handful at the rims."""
NEW_SHARE = 0.015

README = """# Demo photos

An ash reception-desk top with a copper-tinted fill: a scenario of our own, simulated from physics (height field,
lamp and sky, lens, sensor, JPEG) by `voidmap/simulate/`. No real place, person or product is shown.

Made by `python -m voidmap.simulate.demo demo_images` (seed {seed}; the same command makes the same photos, up to the
JPEG encoder's version). Nothing in the measuring code was tuned on them.

| photo | what it shows |
|---|---|
| `desk-a.jpg`, `desk-b.jpg`, `desk-c.jpg` | intake: the raw slab with boards A and B, from three places |
| `coat-1.jpg`, `coat-2.jpg`, `coat-3.jpg` | a patch after seal coats 1, 2, 3: gloss, copper fills, board A |

The slab is {length:.0f} x {width:.0f} x {thickness:.0f} mm; the camera moved up to 400 mm between the intake photos.

Beside each photo lies its truth (`.json`), in the slab's own frame (mm, origin in the slab's middle, depth positive
downward): `camera` (K, dist, R, t: world to camera), `boards`, `slab`, `features` (area, depth, volume integrated over
the height field, outline in mm and px), `totals`; for the coats `pinholes` (place, diameter, what feeds it, the coat it
first appeared in, whether it is in view and not under the board; `faint` when its own signal is below five times the
photo's noise) and `lint_mm`.

True totals: {voids} voids, {volume:.1f} ml. Pinholes in view after coats 1, 2, 3: {counts}.
"""


def _middle_void(slab: Slab) -> Feature:
    """Return the largest void that lies well inside the top."""
    inner = [f for f in slab.features if f.is_void and f.kind in ("bark_void", "knot_hole")]
    return max(inner or slab.features, key=lambda f: float(f.mask.sum()))


def desk() -> Scene:
    """Return the demo's slab with two boards and three camera places."""
    rng = np.random.default_rng(SEED)
    slab = random_slab(
        rng, name="desk", length_mm=LENGTH_MM, width_mm=WIDTH_MM, thickness_mm=THICKNESS_MM, cell_mm=0.3, species="ash",
        bench="cloth", variety=PLAIN,
    )  # fmt: skip
    sheets = place_sheets(rng, slab, 2, first=0)
    light = Light(
        azimuth_deg=float(rng.uniform(0, 360)), elevation_deg=52.0, distance_mm=2400.0, radius_mm=180.0,
        lamp=(0.42, 0.40, 0.37), sky=(0.58, 0.60, 0.63), slope=(0.15, -0.2),
    )  # fmt: skip
    cameras = random_cameras(rng, slab, 3, megapixels=MEGAPIXELS)
    return Scene(slab, sheets, light, tuple(replace(c, quality=QUALITY) for c in cameras), SEED)


def write_demo(folder: Path) -> None:
    """Write all demo photos, their truth and their README into a folder."""
    scene = desk()
    write_scene(folder, "desk", scene)
    slab = scene.slab
    void = _middle_void(slab)
    rows, columns = np.nonzero(void.mask)
    x, y = slab.grid.to_mm([[columns.mean() + void.box.left, rows.mean() + void.box.top]])[0]
    room = np.array([LENGTH_MM / 2 - 0.56 * COAT_VIEW_MM, WIDTH_MM / 2 - 0.46 * COAT_VIEW_MM]).clip(0)
    x -= 0.27 * COAT_VIEW_MM  # the fill to one side, so that the board need not hide it
    middle = (float(np.clip(x, -room[0], room[0])), float(np.clip(y, -room[1], room[1])))
    rng = np.random.default_rng([SEED, 5])
    size = (1.25 * COAT_VIEW_MM, 1.0 * COAT_VIEW_MM)
    patch = patch_of(rng, slab, middle, size, 0.12, "copper")
    reach = (0.47 * COAT_VIEW_MM, 0.35 * COAT_VIEW_MM)
    sites = grow_sites(rng, patch, FIRST_PINHOLES, 3, reach, new_share=NEW_SHARE, closes=CLOSES)
    stems = [f"coat-{k}" for k in (1, 2, 3)]
    write_coats(
        folder, stems, SEED, patch, sites, ["gloss"] * 3, COAT_VIEW_MM, megapixels=COAT_MEGAPIXELS, name="desk",
        board_in=1.45, quality=COAT_QUALITY,
    )  # fmt: skip
    truth = files.read_json(folder / "desk-a.json")
    seen = [sum(p["in_frame"] for p in files.read_json(folder / f"{s}.json")["pinholes"]) for s in stems]
    text = README.format(
        seed=SEED, length=LENGTH_MM, width=WIDTH_MM, thickness=THICKNESS_MM, voids=truth["totals"]["void_count"],
        volume=truth["totals"]["volume_ml"], counts=", ".join(map(str, seen)),
    )  # fmt: skip
    files.write_text(folder / "README.md", text)


if __name__ == "__main__":
    write_demo(Path(sys.argv[1] if len(sys.argv) > 1 else "demo_images"))
