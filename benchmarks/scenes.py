"""Simulated scenes for the benchmarks of voids: a photo with its truth, laid square-on by its true plane."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np

from voidmap.model import Lens, Ortho, Photo, Plane, SlabFound
from voidmap.scale import rectify
from voidmap.simulate import voids
from voidmap.simulate.camera import Camera, look
from voidmap.simulate.figure import random_figures
from voidmap.simulate.light import Lit, illuminate
from voidmap.simulate.photograph import photograph
from voidmap.simulate.scene import Scene, photo_truth, random_scene, scene_truth
from voidmap.surface import find_slab

THIN = ("crack", "seam_gap", "hole")
# A close view shows a part of the slab at this scale (mm a pixel), on so many pixels.
CLOSE_MM_PER_PX, CLOSE_PX = (0.10, 0.25), (1720, 1290)
USUAL = voids.Variety()


@lru_cache(maxsize=1)
def _lit(
    seed: int,
    megapixels: tuple[float, ...],
    busy: tuple[float, float],
    overhead: tuple[float, float],
    variety: voids.Variety,
    woods: tuple[str, ...],
    figured: bool,
) -> tuple[Scene, Lit, np.random.Generator]:
    chance = np.random.default_rng([seed, 77])
    size = float(chance.choice(megapixels))
    species = woods[seed % len(woods)] if woods else None
    busyness = float(chance.uniform(*busy))
    figures = random_figures(np.random.default_rng([seed, 80])) if figured else ()
    scene = random_scene(
        seed, views=1, megapixels=size, busy=busyness, variety=variety, species=species, figures=figures
    )
    sky = float(np.exp(np.random.default_rng([seed, 79]).uniform(*np.log(overhead))))
    scene = replace(scene, light=replace(scene.light, overhead=sky))
    return scene, illuminate(scene.slab, scene.light), chance


def simulated(
    seed: int,
    *,
    close: bool = False,
    megapixels: tuple[float, ...] = (3.0, 4.0, 5.0),
    busy: tuple[float, float] = (0.7, 1.8),
    variety: voids.Variety = USUAL,
    overhead: tuple[float, float] = (1.0, 1.0),
    woods: tuple[str, ...] = (),
    figured: bool = False,
) -> tuple[np.ndarray, dict]:
    """Return the photo and the truth of one random scene: the whole slab, or a close view of a part of it.

    ``overhead``: how much brighter the sky is overhead, from and to (see ``Light``); ``woods``: the species, in turn;
    ``figured``: with curl, zone lines and the like.
    """
    scene, lit, chance = _lit(seed, megapixels, busy, overhead, variety, woods, figured)
    camera = close_camera(chance, scene) if close else scene.cameras[0]
    pixels = photograph(lit, camera, np.random.default_rng([seed, 1000 + close]), scene.sheets)
    return pixels, photo_truth(scene_truth(scene.slab, scene.sheets, scene.light), camera)


def close_camera(rng: np.random.Generator, scene: Scene) -> Camera:
    """Return a camera low over one of the boards, of another make than the one that sees the whole slab."""
    focal = CLOSE_PX[0] * float(rng.uniform(0.66, 0.82))
    scale = float(np.exp(rng.uniform(*np.log(CLOSE_MM_PER_PX))))
    height = scale * focal
    middle = np.asarray(scene.sheets[0].corners()).mean(axis=0)
    aim = middle + rng.normal(0, 1, 2) * scale * CLOSE_PX[0] * 0.25
    low, high = scene.slab.outline_mm.min(axis=0), scene.slab.outline_mm.max(axis=0)
    inset = 0.3 * scale * CLOSE_PX[1]
    aim = np.clip(aim, low + inset, high - inset) if (high - low).min() > 2.4 * inset else middle
    eye = aim + rng.normal(0, 0.08, 2) * height
    motion = rng.normal(0, 0.5, 2)
    return look(
        (float(eye[0]), float(eye[1]), -height),
        (float(aim[0]), float(aim[1])),
        size=CLOSE_PX,
        focal_px=focal,
        turn_deg=float(rng.normal(0, 15)),
        dist=np.array([rng.normal(0, 0.06), rng.normal(0, 0.02), 0.0, 0.0, 0.0]),
        centre_px=(0.0, 0.0),
        motion_px=(float(motion[0]), float(motion[1])),
        blur_px=float(rng.uniform(0.5, 1.6)),
        vignette=float(rng.uniform(0.05, 0.45)),
        full_well=float(np.exp(rng.uniform(np.log(1500), np.log(12000)))),
        sharpen=float(rng.uniform(0, 1.3)),
        quality=int(rng.integers(75, 96)),
        white=tuple(float(v) for v in 1.0 + rng.normal(0, 0.06, 3)),
    )


def true_plane(truth: dict) -> Plane:
    """Return the plane that the truth file states (slab frame of the truth, depth away from the camera)."""
    camera = truth["camera"]
    k, dist = np.array(camera["K"]), np.array(camera["dist"], dtype=float)
    turn, shift = np.array(camera["R"]), np.array(camera["t"], dtype=float)
    lens = Lens(k[0, 0], k[1, 1], k[0, 2], k[1, 2], *(float(v) for v in dist[:5]), source="file")
    row = np.concatenate([cv2.Rodrigues(turn)[0].ravel(), shift, [k[0, 0], k[1, 1], k[0, 2], k[1, 2]], dist[:5]])
    patterns = []
    for board in truth["boards"]:
        a = np.deg2rad(board["angle_deg"])
        spin = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        corners = np.array([[0, 0], [210, 0], [210, 150], [0, 150]]) @ spin
        patterns.append(corners + np.array([board["x_mm"], board["y_mm"]]))
    return Plane(tuple(camera["size"]), lens, turn, shift, row[None], "boards", patterns_mm=tuple(patterns))


def laid_out(pixels: np.ndarray, truth: dict) -> tuple[Ortho, SlabFound, Plane]:
    """Rectify a photo by its true plane and find the slab."""
    plane = true_plane(truth)
    ortho = rectify(Photo("simulated", "", pixels), plane)
    return ortho, find_slab(ortho, plane.patterns_mm), plane


def outlines(feature: dict, plane: Plane) -> list[np.ndarray]:
    """Return the outlines (N, 2) mm of a true feature's pieces, its largest piece's first."""
    return [plane.to_mm(np.array(o)) for o in (feature["outline_px"], *feature.get("pieces_px", [])) if len(o) > 2]


def raster(ortho: Ortho, *outlines_mm: np.ndarray) -> tuple[np.ndarray, tuple[int, int]]:
    """Return the mask of what lies in any of these outlines on a box of the ortho picture, and the box's corner."""
    pieces = [ortho.to_px(outline) for outline in outlines_mm]
    points = np.vstack(pieces)
    low = np.floor(points.min(axis=0)).astype(int) - 12
    size = np.ceil(points.max(axis=0)).astype(int) + 13 - low
    mask = np.zeros((size[1], size[0]), np.uint8)
    for piece in pieces:
        cv2.fillPoly(mask, [np.round((piece - low) * 16).astype(np.int32)], 1, shift=4)
    return mask.astype(bool), (int(low[0]), int(low[1]))


def overlap(a: np.ndarray, at: tuple[int, int], b: np.ndarray, bt: tuple[int, int]) -> float:
    """Count of pixels that two boxed masks share."""
    left, top = max(at[0], bt[0]), max(at[1], bt[1])
    right, bottom = min(at[0] + a.shape[1], bt[0] + b.shape[1]), min(at[1] + a.shape[0], bt[1] + b.shape[0])
    if right <= left or bottom <= top:
        return 0.0
    one = a[top - at[1] : bottom - at[1], left - at[0] : right - at[0]]
    return float((one & b[top - bt[1] : bottom - bt[1], left - bt[0] : right - bt[0]]).sum())
