"""Whole scenes: a slab, its boards, its light, and photos from several places, written with their truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap import files
from voidmap.simulate.camera import Camera, look
from voidmap.simulate.grid import Slab
from voidmap.simulate.jpeg import jpeg_bytes
from voidmap.simulate.light import Light, illuminate
from voidmap.simulate.noise import F32
from voidmap.simulate.photograph import photograph
from voidmap.simulate.sheets import Sheet
from voidmap.simulate.slab import random_slab
from voidmap.simulate.truth import photo_truth, scene_truth, write_truth

PEG_SIDE_MM, PEG_HEIGHT_MM = 12.0, 40.0
VIEW_LETTERS = "abcdefgh"


@dataclass(frozen=True, eq=False)
class Scene:
    """A slab with boards on it, its light, and the cameras that look at it."""

    slab: Slab
    sheets: tuple[Sheet, ...]
    light: Light
    cameras: tuple[Camera, ...]
    seed: int


def random_light(rng: np.random.Generator, *, raking: bool = False) -> Light:
    """Return a workshop's light: how much comes from one lamp, from where, and how uneven the rest is."""
    share = float(rng.uniform(0.75, 0.92) if raking else rng.uniform(0.05, 0.6))
    warm = float(rng.normal(0, 0.06))
    tint = np.array([1 + warm, 1.0, 1 - warm])
    cool = np.array([1 - warm * 0.5, 1.0, 1 + warm * 0.5])
    lamp, sky = share * tint, (1 - share) * cool
    return Light(
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(20, 35) if raking else rng.uniform(30, 75)),
        distance_mm=float(rng.uniform(1800, 3500) if raking else rng.uniform(1200, 3500)),
        radius_mm=float(rng.uniform(10, 30) if raking else rng.uniform(15, 250)),
        lamp=(float(lamp[0]), float(lamp[1]), float(lamp[2])),
        sky=(float(sky[0]), float(sky[1]), float(sky[2])),
        slope=(float(rng.normal(0, 0.25)), float(rng.normal(0, 0.25))),
    )


def place_sheets(rng: np.random.Generator, slab: Slab, count: int, *, first: int | None = None) -> tuple[Sheet, ...]:
    """Lay boards on the top at random turns where they hide little of the voids and not each other."""
    start = int(rng.integers(0, 14 - count)) if first is None else first
    hidden = (slab.depth != 0) & slab.top
    taken = np.zeros(slab.grid.shape, np.uint8)
    half = np.abs(slab.outline_mm).max(0)
    sheets: list[Sheet] = []
    for k in range(count):
        best: tuple[float, Sheet, Any] | None = None
        for _ in range(60):
            margins = tuple(float(m) for m in rng.uniform(8, 40, 4))
            turn = float(rng.normal(0, 12) + rng.choice([0, 0, 90, 180]))
            x, y = rng.uniform(-half[0], half[0]), rng.uniform(-half[1], half[1])
            sheet = Sheet(start + k, float(x), float(y), turn, (margins[0], margins[1], margins[2], margins[3]))
            area = np.zeros(slab.grid.shape, np.uint8)
            cv2.fillPoly(area, [np.round(slab.grid.to_cell(sheet.corners())).astype(np.int32)], 1)
            on = area.astype(bool)
            cells = max(1, int(on.sum()))
            if (taken[on]).any() or not slab.top[on].all() or len(sheet.corners()) == 0:
                continue
            cost = float(hidden[on].sum() / cells)
            if best is None or cost < best[0]:
                best = (cost, sheet, on)
            if cost == 0:
                break
        if best is not None:
            sheets.append(best[1])
            taken[best[2]] = 1
    return tuple(sheets)


def random_cameras(
    rng: np.random.Generator, slab: Slab, views: int, *, megapixels: float, closeness: float = 1.0
) -> tuple[Camera, ...]:
    """Return phone poses above the slab: the same camera moved by 120 to 400 mm, tilted a little."""
    width = round(np.sqrt(megapixels * 1e6 * 4 / 3) / 4) * 4
    size = (width, width * 3 // 4 // 2 * 2)
    focal = width * float(rng.uniform(0.66, 0.82))
    span = np.ptp(slab.outline_mm, axis=0)
    room = float(rng.uniform(1.06, 1.3)) * closeness
    height = max(span[0] * room * focal / size[0], span[1] * room * focal / size[1])
    dist = np.array([rng.normal(0, 0.06), rng.normal(0, 0.02), rng.normal(0, 4e-4), rng.normal(0, 4e-4), 0])
    centre = rng.normal(0, width * 0.003, 2)
    rest = dict(
        blur_px=float(rng.uniform(0.5, 1.1)),
        vignette=float(rng.uniform(0.1, 0.45)),
        full_well=float(rng.uniform(2500, 12000)),
        sharpen=float(rng.uniform(0.2, 1.0)),
        quality=int(rng.integers(82, 95)),
        white=tuple(float(v) for v in np.r_[1, 1, 1] + rng.normal(0, 0.03, 3)),
    )
    shifts = [rng.normal(0, 25, 2)]
    around = rng.uniform(0, 2 * np.pi)
    for k in range(1, views):
        a = around + k * 2 * np.pi / max(2, views - 1) * rng.uniform(0.8, 1.2)
        shifts.append(rng.uniform(120, 400) * np.array([np.cos(a), np.sin(a)]) * min(1.0, height / 900))
    cameras = []
    for shift in shifts:
        target = rng.normal(0, 12, 2) + 0.12 * shift
        eye = (float(shift[0]), float(shift[1]), -float(height * rng.uniform(1.0, 1.06)))
        motion = rng.normal(0, 0.35, 2)
        cameras.append(
            look(
                eye,
                (float(target[0]), float(target[1])),
                size=size,
                focal_px=focal,
                turn_deg=float(rng.normal(0, 4)),
                dist=dist,
                centre_px=(float(centre[0]), float(centre[1])),
                motion_px=(float(motion[0]), float(motion[1])),
                **rest,
            )
        )
    return tuple(cameras)


def random_scene(
    seed: int,
    *,
    name: str = "",
    views: int = 3,
    megapixels: float = 3.0,
    boards: int | None = None,
    **slab_options: Any,
) -> Scene:
    """Return a random scene; the same seed and options give the same scene, to the last bit."""
    rng = np.random.default_rng(seed)
    slab = random_slab(rng, name=name, **slab_options)
    sheets = place_sheets(rng, slab, boards or int(rng.integers(1, 4)))
    light = random_light(rng)
    return Scene(slab, sheets, light, random_cameras(rng, slab, views, megapixels=megapixels), seed)


def write_scene(folder: Path | str, name: str, scene: Scene | int, *, raking: bool = False) -> tuple[Path, ...]:
    """Photograph a scene (or the random one of a seed) and write NAME-a.jpg, NAME-a.json, ...

    With ``raking`` also NAME-r: one low lamp, and a peg whose foot and shadow are drawn.
    """
    folder = Path(folder)
    if isinstance(scene, int):
        scene = random_scene(scene, name=name)
    lit = illuminate(scene.slab, scene.light)
    truth = scene_truth(scene.slab, scene.sheets, scene.light)
    written = []
    for k, camera in enumerate(scene.cameras):
        rng = np.random.default_rng([scene.seed, 1000 + k])
        pixels = photograph(lit, camera, rng, scene.sheets)
        written.append(_write(folder, f"{name}-{VIEW_LETTERS[k]}", pixels, photo_truth(truth, camera), camera, k))
    if raking:
        written.append(_write_raking(folder, name, scene))
    return tuple(written)


def _write(
    folder: Path, stem: str, pixels: NDArray[np.uint8], truth: dict[str, Any], camera: Camera, minute: int
) -> Path:
    path = folder / f"{stem}.jpg"
    files.write_bytes(path, jpeg_bytes(pixels, camera, minute=minute))
    write_truth(folder / f"{stem}.json", truth)
    return path


def _write_raking(folder: Path, name: str, scene: Scene) -> Path:
    """Light the slab by one low lamp with a peg on it; only the peg's foot and shadow are drawn."""
    rng = np.random.default_rng([scene.seed, 2000])
    light = random_light(rng, raking=True)
    place = _free_place(rng, scene, light)
    casts, slab = _with_peg(scene.slab, place)
    lit = illuminate(slab, light, casts=casts)
    camera = replace(scene.cameras[0], exposure=None)
    truth = photo_truth(scene_truth(scene.slab, scene.sheets, light), camera)
    truth["peg"] = {
        "x_mm": place[0],
        "y_mm": place[1],
        "side_mm": PEG_SIDE_MM,
        "height_mm": PEG_HEIGHT_MM,
        "note": "only the peg's foot and shadow are drawn",
    }
    truth["light"] = "rake"
    return _write(folder, f"{name}-r", photograph(lit, camera, rng, scene.sheets), truth, camera, 20)


def _free_place(rng: np.random.Generator, scene: Scene, light: Light) -> tuple[float, float]:
    """Return a place for the peg from which its shadow falls on bare wood, if there is one."""
    slab = scene.slab
    busy = ((slab.depth != 0) | ~slab.top).astype(np.uint8)
    for sheet in scene.sheets:
        cv2.fillPoly(busy, [np.round(slab.grid.to_cell(sheet.corners())).astype(np.int32)], 1)
    room = cv2.distanceTransform(1 - busy, cv2.DIST_L2, 5) * slab.grid.cell_mm
    good = np.flatnonzero(room > min(30.0, 0.8 * float(room.max())))
    rows, columns = np.unravel_index(rng.choice(good, 400), room.shape)
    azimuth, elevation = np.radians(light.azimuth_deg), np.radians(light.elevation_deg)
    throw = PEG_HEIGHT_MM / np.tan(elevation) / slab.grid.cell_mm
    free = np.full(400, np.inf)
    for part in (0.4, 0.7, 1.0):
        c = np.clip(np.round(columns - part * throw * np.cos(azimuth)).astype(int), 0, room.shape[1] - 1)
        r = np.clip(np.round(rows - part * throw * np.sin(azimuth)).astype(int), 0, room.shape[0] - 1)
        free = np.minimum(free, room[r, c])
    k = int(np.argmax(np.minimum(free, 20.0)))
    x, y = slab.grid.to_mm([[float(columns[k]), float(rows[k])]])[0]
    return float(x), float(y)


def _with_peg(slab: Slab, place: tuple[float, float]) -> tuple[F32, Slab]:
    half = PEG_SIDE_MM / 2
    box = slab.grid.box((place[0] - half, place[1] - half), (place[0] + half, place[1] + half))
    casts, albedo = slab.depth.copy(), slab.albedo.copy()
    casts[box.at] = -PEG_HEIGHT_MM
    albedo[box.at] = 0.7
    return casts, replace(slab, albedo=albedo)
