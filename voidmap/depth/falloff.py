"""How near a lamp stands, from how its light falls off over the slab.

The light of a small lamp on level wood goes as sin(elevation) / distance^2. Over a slab a metre long, a lamp two
metres away lights the near end three times as brightly as the far one; the sun lights both alike. Wood has a tone of
its own that drifts over a slab, lenses darken the corners, and the room's light has a slope: all three are fitted
beside the lamp's nearness, each within what is usual. The white of the scale boards has no drift.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.peg import GROUND_MM, Picture, linear_light, lit_ground
from voidmap.model import Floats, Ortho, Plane

BLOCK_MM = 8.0
"""Side of the blocks whose brightness counts: holds several pixels, and is small beside the slab."""
ALIKE_MM = 50.0
"""Wood's tone is alike over this reach: blocks nearer to each other say the same thing (an estimate)."""
WOOD_DRIFT_PER_M = 0.3
"""Slope of the wood's own tone over a slab (log, 1 s.d.): sapwood beside heartwood (an estimate)."""
ROOM_SLOPE_PER_M = 0.3
"""Slope of the room's light, as a share of it (1 s.d.): a window at one side (an estimate)."""
CORNER_LOG = 0.3
"""Darkening of a photo's corner (log): 0.3 on average with as much spread (phone lenses; an estimate)."""
TONE_REL = 0.2
"""A phone's tone curve stretches or squeezes all slopes by so much (1 s.d., an estimate)."""
NEAREST_PER_MM = 1 / 400
NEARNESS = np.linspace(0.0, NEAREST_PER_MM, 76)
LEAST_BLOCKS = 60


def nearness_by_light(
    ortho: Ortho,
    plane: Plane,
    wood: NDArray[np.bool_],
    paper: NDArray[np.bool_],
    *,
    at_mm: Floats,
    azimuth_rad: float,
    tan_elevation: float,
    lamp_share: float,
) -> tuple[float, float] | None:
    """Return a lamp's nearness (one over its level distance from ``at_mm``, 1/mm) and its standard error.

    Parameters
    ----------
    ortho, plane
        The photo by lamp light, square-on, and its plane.
    wood, paper
        (H, W) bare wood; sheets of white paper with the boards.
    at_mm, azimuth_rad, tan_elevation
        Where the lamp's direction is known: the way to the lamp, from x toward y.
    lamp_share
        Part of all light at that place that the lamp gives.

    Returns
    -------
    tuple or None
        None when too little of the slab is in view.
    """
    points, logs, is_paper = _blocks(ortho, wood, paper)
    if (~is_paper).sum() < LEAST_BLOCKS:
        return None
    off = points - at_mm
    corner = plane.to_px(points) - (np.array(plane.size_px) - 1) / 2
    corner2 = (corner**2).sum(axis=1) / (np.array(plane.size_px) ** 2).sum() * 4
    on_wood = (~is_paper).astype(np.float64)
    metres = off / 1000
    terms = np.column_stack([on_wood, 1 - on_wood, corner2, metres, metres * on_wood[:, None]])
    slope = max(ROOM_SLOPE_PER_M * (1 - lamp_share), 0.03)
    spread = np.array([9.0, 9.0, CORNER_LOG, slope, slope, WOOD_DRIFT_PER_M, WOOD_DRIFT_PER_M])
    usual = np.array([0.0, 0.0, -CORNER_LOG, 0, 0, 0, 0])
    toward = np.array([np.cos(azimuth_rad), np.sin(azimuth_rad)])
    weight = np.full(len(logs), 1.0)
    cost = np.zeros(len(NEARNESS))
    for _ in range(3):
        fits = [
            _fit(logs - _lamp(w, off, toward, tan_elevation, lamp_share), terms, usual, spread, weight)
            for w in NEARNESS
        ]
        rest = fits[int(np.argmin([f[0] for f in fits]))][1]
        noise = np.where(is_paper, _scale(rest[is_paper]), _scale(rest[~is_paper]))
        # Blocks that are alike count as one.
        alike = (ALIKE_MM / BLOCK_MM) ** 2 * noise**2
        weight = np.minimum(1.0, 2 * noise / np.maximum(np.abs(rest), 1e-9)) / alike
        cost = np.array([f[0] for f in fits])
    chance = np.exp(-(cost - cost.min()) / 2)
    chance /= chance.sum()
    mean = float(chance @ NEARNESS)
    sd = float(chance @ (NEARNESS - mean) ** 2) ** 0.5
    return mean, float(np.hypot(sd, TONE_REL * mean))


def _lamp(nearness: float, off: Floats, toward: Floats, tan_elevation: float, lamp_share: float) -> Floats:
    """Log of the light at places ``off`` (N, 2) mm from where it is 1."""
    level = toward - nearness * off
    way2 = (level**2).sum(axis=1) + tan_elevation**2
    fall = ((1 + tan_elevation**2) / way2) ** 1.5
    return np.asarray(np.log(lamp_share * fall + 1 - lamp_share))


def _fit(logs: Floats, terms: Floats, usual: Floats, spread: Floats, weight: Floats) -> tuple[float, Floats]:
    """Return the cost (minus two log-likelihood) and the residuals of the best fit within what is usual."""
    heavy = terms * weight[:, None]
    x = np.linalg.solve(heavy.T @ terms + np.diag(1 / spread**2), heavy.T @ logs + usual / spread**2)
    rest = logs - terms @ x
    return float(weight @ rest**2 + (((x - usual) / spread) ** 2).sum()), rest


def _scale(rest: Floats) -> float:
    return max(1.4826 * float(np.median(np.abs(rest))), 0.01) if len(rest) else 1.0


def _blocks(
    ortho: Ortho, wood: NDArray[np.bool_], paper: NDArray[np.bool_]
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return middles (N, 2) mm, log brightness (N,) and which are paper (N,)."""
    n = max(1, round(BLOCK_MM / ortho.mm_per_px))
    rows, columns = (s // n for s in wood.shape)
    light = linear_light(ortho.pixels[: rows * n, : columns * n])
    small = cv2.resize(light, (columns, rows), interpolation=cv2.INTER_AREA)

    def share(mask: NDArray[np.bool_]) -> Picture:
        part = mask[: rows * n, : columns * n].astype(np.float32)
        out: Picture = cv2.resize(part, (columns, rows), interpolation=cv2.INTER_AREA)
        return out

    bare = share(wood) > 0.99
    bare &= small > 0.75 * lit_ground(small, bare, GROUND_MM / BLOCK_MM)
    sheet = share(paper) > 0.99
    brightest = cv2.erode(light, np.ones((3, 3), np.uint8))
    brightest = cv2.resize(
        cv2.dilate(brightest, np.ones((n, n), np.uint8)), (columns, rows), interpolation=cv2.INTER_NEAREST
    )
    blank = sheet & (small > 0.9 * brightest) & (brightest < 0.98)
    if blank.any():
        blank &= small > 0.6 * lit_ground(brightest, sheet, GROUND_MM / BLOCK_MM)
    out = []
    for mask in (bare, blank):
        r, c = np.nonzero(mask)
        points = ortho.to_mm(np.column_stack([c, r]) * n + (n - 1) / 2)
        out.append((points, np.log(np.maximum(small[r, c].astype(np.float64), 1e-4))))
    is_paper = np.r_[np.zeros(len(out[0][0]), bool), np.ones(len(out[1][0]), bool)]
    return np.vstack([out[0][0], out[1][0]]), np.r_[out[0][1], out[1][1]], is_paper
