"""Depth from the shadow that a void's own rim throws into it, by the light of one lamp whose direction is known.

The ray of light that grazes the rim at R goes on down: level way s from R against the lamp's azimuth, it is
s tan(elevation) deep. It is a straight line, so the camera sees it as one: through the plane of the top at
(q H + c d) / (H + d), with q the point below, d its depth, c the camera's foot and H its height. Along that line in
the picture the void is dark until the ray meets the floor; the place of that edge is the floor's depth there.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.depth.lamp import Lamp
from voidmap.depth.peg import Picture, linear_light
from voidmap.depth.views import camera_height
from voidmap.model import Floats, Ortho, Plane

MARGIN_MM = 6.0
"""Wood around a void that is looked at with it."""
RIM_REACH_MM = 1.5
"""The rim is looked for so far on either side of the outline: its own error, and that of laying photos together."""
FACING = 0.35
"""Cosine between a rim's outward side and the way to the lamp from which on it throws a shadow of its own."""
LEAST_STEP_LOG = 0.7
"""Lit and dark floor differ by this much (log) at the least: bark varies by 0.35 of itself ..."""
STEP_PART = 0.9
"""... and by this part of the step that a shadow makes on the top (log): a sloping floor takes less of the lamp."""
LEAST_LIT = 0.12
"""A lit floor darker than this share of the lit wood around is taken for one on which no edge can be seen."""
LEAST_SHARE = 0.04
"""Both lit and dark must take this share of a void."""
NARROWEST_PX = 4.0
"""The middle of a void is at least so far from its rim: in a narrower one the far wall's light is all there is."""
LEAST_PX = 3.0
"""A shadow shorter than this in the picture is blur."""
SOFT_PX, SOFT_REL = 3.0, 0.12
"""An edge is no softer than the picture's own blur and what a lamp 0.1 rad wide makes of a shadow of its length."""
AROUND_MM = 30.0
"""Wood this far around a void tells how bright lit wood is there."""
EDGE_STEPS = 12
"""Steps (half px) on either side of an edge that belong to it."""
WALL_PX = 2.5
"""A lit strip at the far rim that is no wider is the rim itself."""


@dataclass(frozen=True, eq=False)
class ShadowEdge:
    """Where rays that graze a void's rim meet its floor.

    ``points_mm`` (N, 2) and ``depth_mm`` (N,) below the top; ``error_mm`` (N,) of each; ``rim_mm`` (N, 2) where they
    enter. ``far_rim_mm`` (M, 2) and ``far_mm`` (M,) are rays that reach the far wall: where they enter and how deep
    they are there; the floor is deeper all along. ``rays`` is how many rays were followed, ``blocked`` the share of
    them whose shadow goes on to the far wall. ``at_least_mm`` is what the mean depth of the void can't be less than:
    shadow lies above the floor.
    """

    points_mm: Floats
    depth_mm: Floats
    error_mm: Floats
    rim_mm: Floats
    far_rim_mm: Floats
    far_mm: Floats
    rays: int
    blocked: float
    at_least_mm: float


@dataclass(frozen=True, eq=False)
class _Rays:
    """Rays (K) by steps (M): column and row in the picture, depth, and the start's index."""

    column: Picture
    row: Picture
    depth: Floats
    level: Floats
    start: Floats
    way: Floats
    tangent: Floats
    facing: Floats


def shadow_edge(outline_mm: Floats, ortho: Ortho, plane: Plane, lamp: Lamp, *, deepest_mm: float) -> ShadowEdge | None:
    """Follow the rays that graze a void's rim to the floor.

    Parameters
    ----------
    outline_mm
        (N, 2) the void's outline.
    ortho, plane
        The photo by lamp light, square-on, and its plane.
    lamp
        The lamp.
    deepest_mm
        No floor is deeper.

    Returns
    -------
    ShadowEdge or None
        None where lit and dark can't be told apart.
    """
    box = _Box.around(outline_mm, ortho)
    if box is None:
        return None
    inside = box.inside > 0
    step = max(LEAST_STEP_LOG, -STEP_PART * float(np.log(max(1 - (lamp.share or 0.0), 1e-3))))
    limit = _lit_limit(np.log(np.maximum(box.light[inside], 1e-4)), step)
    rays = _rays(outline_mm, box, plane, lamp, deepest_mm)
    if limit is None or rays is None or float(box.rim_px.max()) < NARROWEST_PX:
        return None
    seen = cv2.remap(box.light, rays.column, rays.row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # Neighbouring rays show the same edge: smooth across them.
    seen = cv2.GaussianBlur(seen, (0, 0), sigmaX=0.5, sigmaY=1.0)
    within = cv2.remap(box.rim_px, rays.column, rays.row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return _follow(seen, within, rays, box, _Limits(float(np.exp(limit)), step, LEAST_LIT * box.lit_wood()))


@dataclass(frozen=True)
class _Limits:
    """Light between dark and lit floor, least step (log) at an edge, least light of a lit floor."""

    between: float
    step: float
    lit: float


@dataclass(frozen=True, eq=False)
class _Box:
    """A void's part of the picture: light, mask, distance to the rim (px), and where it lies."""

    light: Picture
    inside: NDArray[np.uint8]
    rim_px: Picture
    corner: Floats
    ortho: Ortho

    @classmethod
    def around(cls, outline_mm: Floats, ortho: Ortho) -> _Box | None:
        """Cut a void's part out of the picture; None when it isn't all in view."""
        outline = ortho.to_px(outline_mm)
        pad = MARGIN_MM / ortho.mm_per_px
        rows, columns = ortho.valid.shape
        left, top = np.maximum(np.floor(outline.min(axis=0) - pad), 0).astype(int)
        right, bottom = np.minimum(np.ceil(outline.max(axis=0) + pad) + 1, [columns, rows]).astype(int)
        if right - left < 8 or bottom - top < 8 or not ortho.valid[top:bottom, left:right].any():
            return None
        light = cv2.GaussianBlur(linear_light(ortho.pixels[top:bottom, left:right]), (0, 0), 0.6)
        inside = np.zeros(light.shape, np.uint8)
        corner = np.array([left, top], dtype=np.float64)
        cv2.fillPoly(inside, [np.round((outline - corner) * 16).astype(np.int32)], 1, shift=4)
        if not inside.any() or not ortho.valid[top:bottom, left:right][inside > 0].all():
            return None
        framed = cv2.copyMakeBorder(inside, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
        rim = cv2.distanceTransform(framed, cv2.DIST_L2, 5)[1:-1, 1:-1]
        return cls(light, inside, np.ascontiguousarray(rim, dtype=np.float32), corner, ortho)

    def lit_wood(self) -> float:
        """Light of the wood around, where the lamp reaches it."""
        pad = int(AROUND_MM / self.ortho.mm_per_px)
        (left, top), (rows, columns) = self.corner.astype(int), self.light.shape
        at = slice(max(0, top - pad), top + rows + pad), slice(max(0, left - pad), left + columns + pad)
        around = self.ortho.pixels[at][self.ortho.valid[at]]
        return float(np.percentile(linear_light(around), 60)) if len(around) else 1.0


def _lit_limit(level: Floats, step: float) -> float | None:
    """Return the log light between dark and lit floor (Otsu); None when there are not two."""
    if len(level) < 20:
        return None
    lo, hi = np.percentile(level, [1, 99])
    if hi - lo < step:
        return None
    counts, edges = np.histogram(level, bins=64, range=(float(lo), float(hi)))
    middle = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(counts)[:-1].astype(np.float64)
    above = below[-1] + counts[-1] - below
    sum_below = np.cumsum(counts * middle)[:-1]
    sum_above = float(np.sum(counts * middle)) - sum_below
    mean_below, mean_above = sum_below / np.maximum(below, 1), sum_above / np.maximum(above, 1)
    k = int(np.argmax(below * above * (mean_above - mean_below) ** 2))
    share = below[k] / (below[k] + above[k])
    if not LEAST_SHARE <= share <= 1 - LEAST_SHARE or mean_above[k] - mean_below[k] < step:
        return None
    return float((mean_above[k] + mean_below[k]) / 2)


def _rays(outline_mm: Floats, box: _Box, plane: Plane, lamp: Lamp, deepest_mm: float) -> _Rays | None:
    """Lay out the rays from the rim on the lamp's side, a pixel apart."""
    mm = box.ortho.mm_per_px
    ahead = np.roll(outline_mm, -1, axis=0) - outline_mm
    length = np.hypot(*ahead.T)
    counts = np.maximum(1, np.round(length / mm)).astype(int)
    which = np.repeat(np.arange(len(outline_mm)), counts)
    part = (np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts) + 0.5) / counts[which]
    rim = outline_mm[which] + ahead[which] * part[:, None]
    # The outline's run of several px gives its side, not its stairs.
    n = len(rim)
    reach = max(1, min(round(1.5 / mm), n // 6))
    along = np.roll(rim, -reach, axis=0) - np.roll(rim, reach, axis=0)
    signed = np.sum(outline_mm[:, 0] * np.roll(outline_mm[:, 1], -1) - np.roll(outline_mm[:, 0], -1) * outline_mm[:, 1])
    out = np.column_stack([along[:, 1], -along[:, 0]]) * np.sign(signed) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    way, tangent = lamp.level_way(rim)
    facing = np.sum(out * way, axis=1)
    faces = facing > FACING
    rim, way, tangent, facing = rim[faces], way[faces], tangent[faces], facing[faces]
    if len(rim) < 3:
        return None
    span = float(np.hypot(*np.ptp(outline_mm, axis=0))) + RIM_REACH_MM
    longest = min(span, deepest_mm / float(tangent.min()) + RIM_REACH_MM)
    level = np.arange(-RIM_REACH_MM, max(longest, 3 * RIM_REACH_MM), mm / 2)
    depth = np.maximum(level[None, :], 0) * tangent[:, None]
    below = rim[:, None, :] - level[None, :, None] * way[:, None, :]
    height = camera_height(plane.camera_mm)
    seen = (below * height + plane.camera_mm[:2] * depth[..., None]) / (height + depth[..., None])
    at = (seen - [box.ortho.x0_mm, box.ortho.y0_mm]) / mm - box.corner
    column, row = (np.ascontiguousarray(at[..., k], dtype=np.float32) for k in (0, 1))
    return _Rays(column, row, depth, level, rim, way, tangent, facing)


def _follow(seen: Picture, within: Picture, rays: _Rays, box: _Box, limits: _Limits) -> ShadowEdge | None:
    """Find on each ray the dark run that begins at the rim, and its end."""
    mm = box.ortho.mm_per_px
    lit = seen > limits.between
    zero = int(np.searchsorted(rays.level, 0.0))
    points, depths, errors, rims, far_rims, fars, ends, least = [], [], [], [], [], [], [], []
    for k in range(len(seen)):
        # The rim as the picture shows it: the last lit place near the outline.
        near = lit[k, : 2 * zero]
        if not near.any() or near.all():
            continue
        first = int(np.flatnonzero(near)[-1])
        if first + 1 >= 2 * zero:
            continue
        begin = _start(seen[k], first)
        # The end: lit again, or out of the void.
        after = np.flatnonzero(lit[k, first + 1 :])
        out = np.flatnonzero(within[k, 2 * zero :] <= 0)
        leaves = int(out[0]) + 2 * zero if len(out) else len(rays.level)
        stop = int(after[0]) + first + 1 if len(after) else len(rays.level)
        long = (min(stop, leaves) - begin) * mm / 2
        least.append((k, (min(stop, leaves) - begin) * mm / 2))
        ends.append(stop >= leaves - 2)
        start = (begin - zero) * mm / 2
        if ends[-1] and long >= LEAST_PX * mm:
            far_rims.append(rays.start[k] - rays.way[k] * start)
            fars.append(long * rays.tangent[k])
        if ends[-1] or long < LEAST_PX * mm:
            continue
        end, soft, dark, bright = _edge(seen[k], first + 1, stop)
        if float(within[k, min(round(end), len(rays.level) - 1)]) < WALL_PX:
            ends[-1] = True
            continue
        if bright < limits.lit or bright < dark * np.exp(limits.step):
            continue
        soft *= mm / 2
        if soft > SOFT_PX * mm + SOFT_REL * long:
            continue
        level = (end - begin) * mm / 2
        depths.append(level * rays.tangent[k])
        points.append(rays.start[k] - rays.way[k] * (start + level))
        rims.append(rays.start[k] - rays.way[k] * start)
        errors.append(rays.tangent[k] * np.hypot(0.5 * mm, 0.25 * soft))
    if not least:
        return None
    blocked = float(np.mean(ends))
    return ShadowEdge(
        np.array(points).reshape(-1, 2),
        np.array(depths),
        np.array(errors),
        np.array(rims).reshape(-1, 2),
        np.array(far_rims).reshape(-1, 2),
        np.array(fars),
        len(ends),
        blocked,
        _at_least(least, rays, box),
    )


def _start(values: Picture, first: int) -> float:
    """Return where the light of the wood falls by half on its way into a dark run, in steps of the ray."""
    ahead = values[first : first + EDGE_STEPS]
    back = values[max(0, first - EDGE_STEPS) : first + 1]
    rise = np.flatnonzero(np.diff(ahead) >= 0)
    dark = float(ahead[int(rise[0])] if len(rise) else ahead[-1])
    half = (float(np.median(back[: max(3, len(back) // 2)])) + dark) / 2
    both = values[max(0, first - EDGE_STEPS) : first + EDGE_STEPS]
    k = int(np.flatnonzero(both >= half)[-1]) if (both >= half).any() else len(back) - 1
    k = min(k, len(both) - 2)
    step = float(both[k + 1] - both[k])
    return max(0, first - EDGE_STEPS) + k + (float(np.clip((half - both[k]) / step, 0, 1)) if step < 0 else 0.5)


def _edge(values: Picture, first: int, stop: int) -> tuple[float, float, float, float]:
    """Return where a dark run ends (half the light's step) and how soft that is, in steps; dark and lit light."""
    run = values[first:stop]
    dark = float(np.median(run[len(run) // 3 :]))
    ahead = values[stop : stop + EDGE_STEPS]
    # Up to the first bright place: what lies beyond may be brighter or darker floor.
    fall = np.flatnonzero(np.diff(ahead) <= 0)
    bright = float(ahead[int(fall[0])] if len(fall) else ahead[-1])
    part = (values[max(first, stop - EDGE_STEPS) : stop + EDGE_STEPS] - dark) / max(bright - dark, 1e-6)
    places = []
    for level in (0.25, 0.5, 0.75):
        above = np.flatnonzero(part >= level)
        k = (
            int(above[above >= min(stop - first, EDGE_STEPS) - 2][0])
            if (above >= min(stop - first, EDGE_STEPS) - 2).any()
            else len(part) - 1
        )
        k = max(k, 1)
        step = float(part[k] - part[k - 1])
        places.append(k - 1 + (float(np.clip((level - part[k - 1]) / step, 0, 1)) if step > 0 else 0.5))
    return max(first, stop - EDGE_STEPS) + places[1], 2 * (places[2] - places[0]), dark, bright


def _at_least(runs: list[tuple[int, float]], rays: _Rays, box: _Box) -> float:
    """Mean over the void of the depth of the light above its shadowed floor, mm: the floor is no higher.

    ``runs`` are (ray, length of its shadow in mm). Rays are a pixel apart along the rim, less across their own way.
    """
    k = np.array([ray for ray, _ in runs])
    long = np.maximum([length for _, length in runs], 0.0)
    wedge = rays.tangent[k] * long**2 / 2 * rays.facing[k]
    return float(wedge.sum() / (int(box.inside.sum()) * box.ortho.mm_per_px))
