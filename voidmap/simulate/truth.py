"""What is true of a simulated scene, in the words of a truth file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from voidmap import files
from voidmap.simulate.camera import Camera
from voidmap.simulate.grid import Feature, Floats, Grid, Slab
from voidmap.simulate.light import Light
from voidmap.simulate.sheets import Sheet

OUTLINE_POINTS = 600
"""Most points of an outline in a truth file."""
EDGE_TOUCH_CELLS = 2.0
LEAST_PIECE_CELLS = 4.0
"""A piece of a crack smaller than this is no more than a pore."""


def outlines_of(feature: Feature, grid: Grid) -> list[Floats]:
    """Return the outlines (N, 2) mm of a feature's pieces, half-way between cells, the largest piece's first.

    A crack that is too shallow here and there to be open lies in several pieces. Those smaller than
    ``LEAST_PIECE_CELLS`` are left out.
    """
    from skimage import measure

    padded = np.pad(feature.mask.astype(np.float64), 1)
    runs = sorted((r - 1 for r in measure.find_contours(padded, 0.5)), key=lambda r: -abs(_shoelace(r)))
    around = np.sign(_shoelace(runs[0]))  # a hole in a piece is walked the other way round
    pieces = [r for r in runs[1:] if around * _shoelace(r) >= LEAST_PIECE_CELLS]
    thinned = [r[: -1 : max(1, len(r) // OUTLINE_POINTS)] for r in (runs[0], *pieces)]
    return [grid.to_mm(np.c_[r[:, 1] + feature.box.left, r[:, 0] + feature.box.top]) for r in thinned]


def _shoelace(run: Floats) -> float:
    x, y = run[:, 0], run[:, 1]
    return float(0.5 * (np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))


def polygon_area(points_mm: Floats) -> float:
    """Return the area of a closed polygon (N, 2), mm2."""
    return abs(_shoelace(points_mm))


def _edge_opening(feature: Feature, slab: Slab) -> float:
    """Return how much of the slab's outline lies in a feature, mm."""
    edge = slab.outline_mm
    ahead = np.roll(edge, -1, 0) - edge
    length = np.hypot(*ahead.T)
    counts = np.maximum(1, np.ceil(length / (slab.grid.cell_mm / 2)).astype(int))
    which = np.repeat(np.arange(len(edge)), counts)
    part = (np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts) + 0.5) / counts[which]
    points = edge[which] + ahead[which] * part[:, None]
    normal = np.c_[-ahead[:, 1], ahead[:, 0]] / np.maximum(length, 1e-9)[:, None]
    weight = length[which] / counts[which]
    best = 0.0
    for sign in (-1.0, 1.0):  # the inside is on one of the two sides
        cells = slab.grid.to_cell(points + sign * EDGE_TOUCH_CELLS * slab.grid.cell_mm * normal[which])
        column, row = np.round(cells.T).astype(int)
        column, row = column - feature.box.left, row - feature.box.top
        h, w = feature.mask.shape
        ok = (row >= 0) & (row < h) & (column >= 0) & (column < w)
        best = max(best, float(weight[ok][feature.mask[row[ok], column[ok]]].sum()))
    return best


def feature_truth(feature: Feature, slab: Slab, number: int) -> dict[str, Any]:
    """Return a feature's words: area, depth and volume integrated over the grid's cells."""
    cell = slab.grid.cell_mm**2
    depth = slab.depth[feature.box.at][feature.mask].astype(np.float64)
    opening = _edge_opening(feature, slab)
    void = feature.is_void
    largest, *others = (np.round(o, 3).tolist() for o in outlines_of(feature, slab.grid))
    return {
        "id": number,
        "kind": feature.kind,
        "is_void": void,
        "through": feature.through,
        "area_mm2": float(feature.mask.sum() * cell),
        "mean_depth_mm": float(depth.mean()) if void else 0.0,
        "max_depth_mm": float(depth.max()) if void else 0.0,
        "volume_ml": float(depth.sum() * cell / 1000) if void else 0.0,
        "opens_on_edge": void and opening > slab.grid.cell_mm,
        "edge_opening_mm": opening if void else 0.0,
        **feature.extra,
        "outline_mm": largest,
        "pieces_mm": others,
    }


def scene_truth(slab: Slab, sheets: Sequence[Sheet], light: Light) -> dict[str, Any]:
    """Return what is true of a slab whatever the photo."""
    features = [feature_truth(f, slab, i + 1) for i, f in enumerate(slab.features)]
    voids = [f for f in features if f["is_void"]]
    return {
        "name": slab.name,
        "reference": "boards",
        "slab": {
            "area_mm2": polygon_area(slab.outline_mm),
            "thickness_mm": slab.thickness_mm,
            "outline_mm": np.round(slab.outline_mm, 3).tolist(),
        },
        "boards": [sheet.truth() for sheet in sheets],
        "features": features,
        "totals": {
            "void_count": len(voids),
            "void_area_mm2": sum(f["area_mm2"] for f in voids),
            "volume_ml": sum(f["volume_ml"] for f in voids),
        },
        "lamp": {
            "azimuth_deg": light.azimuth_deg,
            "elevation_deg": light.elevation_deg,
            "distance_mm": light.distance_mm,
            "radius_mm": light.radius_mm,
        },
    }


def photo_truth(scene: dict[str, Any], camera: Camera) -> dict[str, Any]:
    """Add one photo's words: its camera, and all outlines in its pixels."""

    def pixels(points: list[list[float]]) -> list[list[float]]:
        return np.round(camera.project(points), 2).tolist() if points else []

    return {
        **scene,
        "camera": camera.truth(),
        "slab": {**scene["slab"], "outline_px": pixels(scene["slab"]["outline_mm"])},
        "features": [
            {**f, "outline_px": pixels(f["outline_mm"]), "pieces_px": [pixels(p) for p in f["pieces_mm"]]}
            for f in scene["features"]
        ],
    }


def write_truth(path: Path, truth: dict[str, Any]) -> None:
    """Write a truth file, without spaces (the outlines are long)."""
    files.write_text(path, json.dumps(truth, separators=(",", ":")) + "\n")
