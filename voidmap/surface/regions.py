"""Voids and flat things on the slab's top: found, measured, named."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.model import Ortho, Plane, Region, SlabFound
from voidmap.records import Kind
from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.light import Bools, Evened, even_light
from voidmap.surface.measure import (
    area_interval,
    area_scale_rel,
    edge_contact_mm,
    outline_of,
    shape_of,
)

THIN_DARK = 0.22
NOISE_SIGMAS = 6.0


def find_regions(ortho: Ortho, slab: SlabFound, plane: Plane | None = None) -> tuple[Region, ...]:
    """Find voids and flat things on the slab's top.

    Parameters
    ----------
    ortho
        The slab's top seen square-on.
    slab
        Where the top is, and what of it is covered.
    plane
        The plane that the picture was made with; its draws carry the scale's doubt into the areas.
        ``None`` leaves the scale without doubt.

    Returns
    -------
    tuple of Region
        Voids and flat things, greatest first; empty when the top is sound.
    """
    evened = even_light(ortho, slab, grain_direction_deg(ortho, slab))
    masks = _dark_masks(evened)
    regions = [_region(mask, corner, evened, ortho, slab, plane) for mask, corner in masks]
    return tuple(sorted((r for r in regions if r), key=lambda r: -r.area_mm2))


def _dark_masks(evened: Evened) -> list[tuple[Bools, tuple[int, int]]]:
    seen = cv2.erode(evened.seen.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    level = cv2.GaussianBlur(np.where(seen, evened.dark, np.float32(0)), (0, 0), 0.7)
    sample = level[::4, ::4][seen[::4, ::4]]
    sigma = 1.4826 * float(np.median(np.abs(sample - np.median(sample)))) if len(sample) else 0.0
    limit = max(THIN_DARK, NOISE_SIGMAS * sigma)
    dark = (seen & (level < -limit)).astype(np.uint8)
    size = max(1, round(0.75 / evened.mm_per_px)) * 2 + 1
    joined = cv2.morphologyEx(dark, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, ltype=cv2.CV_32S)
    found = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area < 7 or max(w, h) * evened.mm_per_px < 0.7:
            continue
        found.append((labels[y : y + h, x : x + w] == k, (x, y)))
    return found


def _region(
    mask: Bools, corner: tuple[int, int], evened: Evened, ortho: Ortho, slab: SlabFound, plane: Plane | None
) -> Region | None:
    from scipy.ndimage import binary_fill_holes

    mask = np.asarray(binary_fill_holes(mask))
    shape = shape_of(mask)
    mm = ortho.mm_per_px
    x, y = corner
    inside = evened.dark[y : y + mask.shape[0], x : x + mask.shape[1]][mask]
    depth, spread = -float(np.median(inside)), float(inside.std())
    area, length = shape.area_px * mm * mm, shape.length_px * mm
    width, widest = shape.width_mean_px * mm, shape.width_max_px * mm
    slender = length / max(width, 1e-6)
    if slender > 8 and length > 8:
        kind, chance = Kind.CRACK, 0.9
    elif area < 15 and slender < 3:
        kind, chance = Kind.HOLE, 0.85
        if area < 0.4 or depth < 0.3:
            return None
    elif area < 15:
        return None
    elif spread > 0.25 and area > 100:
        kind, chance = Kind.BARK_VOID, 0.9
    elif depth > 0.5:
        kind, chance = Kind.KNOT_HOLE, 0.8
    else:
        kind, chance = (Kind.SOUND_KNOT if slender < 2 else Kind.STAIN), 0.2
    others = [k for k in Kind if k is not kind]
    share = (1.0 - max(chance, 1.0 - chance)) / len(others)
    chances = {k: share for k in others} | {kind: max(chance, 1.0 - chance)}
    outline = ortho.to_mm(outline_of(mask, corner))
    opening = edge_contact_mm(mask, corner, slab.outline_mm, ortho, 4.0 * mm + slab.edge_blur_mm)
    scale = float(area_scale_rel(plane, outline.mean(axis=0)[None])[0])
    return Region(
        mask=mask,
        corner=corner,
        outline_mm=outline,
        kind=kind,
        void_probability=chance,
        kind_chances=chances,
        area_mm2=area,
        area_interval_mm2=area_interval(area, shape.perimeter_px * mm, 0.3 * mm, scale),
        length_mm=length,
        width_mean_mm=width,
        width_max_mm=widest,
        rim_mm=shape.perimeter_px * mm,
        opens_on_edge=kind.is_void and opening > 0.5,
        edge_opening_mm=opening if kind.is_void else 0.0,
        through_probability=0.0,
        measures={"dark": depth, "spread": spread, "slender": slender},
    )
