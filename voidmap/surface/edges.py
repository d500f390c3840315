"""Place the slab's edge to a fraction of a pixel, and say which runs of it are sawn and which are live."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho
from voidmap.surface.chain import course_costs
from voidmap.surface.closed_line import runs
from voidmap.surface.sample import colours_at, seen_at

Bools = NDArray[np.bool_]

# Distance between the points of the outline. A live edge's own detail is coarser than this.
OUTLINE_STEP_MM = 1.0
# The means on both sides of a trial edge are taken over this far.
SIDE_MM = 1.5
# A trial edge is judged together with its neighbours this far along.
ALONG_MM = 2.0
# Cost of a jog of the edge by 1 px between neighbouring points, against a full step of tone.
JOG_COST = 0.12
# 1-sigma doubt of where the top ends on the arris between top and side: saws, planes and sanding round or
# chip it by a quarter to half a millimetre (common practice, no source).
ARRIS_MM = 0.25
# The outline's length is measured with a step of this many mm: a coat bridges finer roughness.
EDGE_SCALE_MM = 5.0
# A saw's line that goes on over a bay moves as the edge within this of it does.
CARRIED_FROM_MM = 12.0
# Softens the log of dark pixels (8-bit steps).
LOG_SOFT = 12.0
# A run is sawn when this share of it is straight to this tolerance (saws cut straight to half a millimetre, the
# outline is found to as much) ...
ON_LINE_SHARE, STRAIGHT_MM = 0.75, 0.8
# ... in strokes that leave the outline by no more than this, after so many rounds of fitting a line to the points
# near it ...
STROKE_MM, LINE_ROUNDS = 4.0, 4
# ... over at least this length, or this share of the slab's narrow side.
SAWN_LEAST_MM = 120.0
SAWN_LEAST_SHARE = 0.45


def contour_px(mask: Bools) -> Floats:
    """Return the longest outer contour of a mask as a closed line between its px and their neighbours.

    Parameters
    ----------
    mask
        (H, W) bool.

    Returns
    -------
    (N, 2) array
        (column, row), in the frame where the first px's centre is at (0, 0); without repeating the first
        point. The line runs half a px outside of the mask's own px.
    """
    big = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    twice = cv2.resize(big, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    found, _ = cv2.findContours(twice, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((0, 2))
    longest = max(found, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
    return np.asarray((longest - 0.5) / 2 - 1.0, dtype=np.float64)


def resample(outline: Floats, step: float) -> Floats:
    """Return points at an even distance of about ``step`` along a closed outline (N, 2 or more columns)."""
    closed = np.vstack([outline, outline[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed[:, :2], axis=0).T))])
    count = max(8, round(along[-1] / step))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, column) for column in closed.T])


def smooth_closed(values: Floats, sigma: float) -> Floats:
    """Smooth values (N,) or (N, k) along a closed line by a Gaussian of ``sigma`` samples."""
    from scipy.ndimage import gaussian_filter1d

    if sigma <= 0:
        return values
    return np.asarray(gaussian_filter1d(values, sigma, axis=0, mode="wrap"), dtype=np.float64)


def area_of(outline: Floats) -> float:
    """Area inside a closed outline (N, 2), by the shoelace formula, never negative."""
    x, y = outline[:, 0], outline[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def refine(
    ortho: Ortho, rough_px: Floats, *, search_px: float, held: Bools | None = None, sawn: Bools | None = None
) -> tuple[Floats, Bools, float]:
    """Move a rough outline to the visible edge.

    Parameters
    ----------
    ortho
        The square-on picture.
    rough_px
        (N, 2) closed outline, (column, row) of ``ortho``.
    search_px
        How far off the rough outline may be, px of ``ortho``.
    held
        (N,) bool: places that no visible edge marks; they stay as they are.
    sawn
        (N,) bool: those of them that a saw's line runs over; they move as the edge on either side of them does.

    Returns
    -------
    outline_mm
        (M, 2) closed outline.
    cut
        (M,) bool: the segment after this point lies on the border of the photo.
    blur_mm
        1-sigma doubt of the edge's place.
    """
    step_px = max(1.0, OUTLINE_STEP_MM / ortho.mm_per_px)
    bridged = [np.zeros(len(rough_px), dtype=bool) if places is None else places for places in (held, sawn)]
    base = smooth_closed(resample(np.column_stack([rough_px, *bridged]), step_px), search_px / 2 / step_px)
    base, kept = np.split(resample(base, step_px), [2], axis=1)
    stays, moves = (kept > 0.5).T
    tangent = np.roll(base, -1, axis=0) - np.roll(base, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    turn = np.sign(_signed_area(base))
    outward = turn * np.column_stack([tangent[:, 1], -tangent[:, 0]])
    side = max(2, round(SIDE_MM / ortho.mm_per_px))
    reach = int(np.ceil(search_px))
    offsets = np.arange(-reach - side, reach + side + 1)
    points = base[:, None, :] + offsets[None, :, None] * outward[:, None, :]
    profiles, seen = _profiles(ortho, points)
    profiles = smooth_closed(profiles, ALONG_MM / OUTLINE_STEP_MM / 2)
    score = _edge_score(profiles, seen, side)
    path = np.argmin(course_costs(-score, JOG_COST), axis=1)
    fine = _subpixel(score, path)
    shift = fine - reach
    at_base = reach + side
    cut = ~seen[:, min(at_base + reach // 2 + 1, seen.shape[1] - 1)]
    last_seen = seen.shape[1] - 1 - np.argmax(seen[:, ::-1], axis=1) - at_base
    shift = np.where(cut, np.clip(last_seen, -reach, reach), _carried(np.where(stays, 0.0, shift), moves))
    outline = base + shift[:, None] * outward
    blur_px = _blur(profiles[~cut], path[~cut], side)
    doubt_mm = float(np.hypot(ARRIS_MM, blur_px * ortho.mm_per_px))
    return ortho.to_mm(outline), np.asarray(cut), doubt_mm


def _carried(shift: Floats, over: Bools) -> Floats:
    """Carry the shift (N,) of a closed line's points over some of them, from one side to the other."""
    carried = shift.copy()
    beside = np.arange(round(CARRIED_FROM_MM / OUTLINE_STEP_MM))
    for points, (before, after) in runs(over):
        sides = ((before - beside) % len(shift), (after + beside) % len(shift))
        first, last = (float(np.median(shift[k][~over[k]])) for k in sides)
        carried[points] = np.linspace(first, last, len(points))
    return carried


def _signed_area(outline: Floats) -> float:
    x, y = outline[:, 0], outline[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def _profiles(ortho: Ortho, points: Floats) -> tuple[Floats, Bools]:
    """Log colours (N, K, 3) on lines across the edge, and where the picture has any (N, K)."""
    return np.asarray(np.log(colours_at(ortho, points).astype(np.float32) + np.float32(LOG_SOFT))), seen_at(
        ortho, points
    )


def _edge_score(profiles: Floats, seen: Bools, side: int) -> Floats:
    """Step of tone at each trial offset (N, 2 reach + 1), along the way that tone steps nearby."""
    total = np.cumsum(np.concatenate([np.zeros_like(profiles[:, :1]), profiles], axis=1), axis=1)
    count = profiles.shape[1] - 2 * side
    at = np.arange(count) + side
    inner = (total[:, at] - total[:, at - side]) / side
    outer = (total[:, at + side + 1] - total[:, at + 1]) / side
    step = outer - inner
    middle = smooth_closed(step.mean(axis=1), 15.0)
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-6)
    score = np.einsum("nkc,nc->nk", step, middle)
    norm = np.maximum(np.percentile(score, 95, axis=1, keepdims=True), 0.02)
    norm = np.maximum(smooth_closed(norm, 15.0), 0.02)
    score = np.minimum(score / norm, 1.5)
    outside = ~seen[:, at + side]
    score[outside] = -0.2
    return np.asarray(score, dtype=np.float64)


def _subpixel(score: Floats, path: NDArray[np.intp]) -> Floats:
    at = np.arange(len(path))
    mid = np.clip(path, 1, score.shape[1] - 2)
    a, b, c = score[at, mid - 1], score[at, mid], score[at, mid + 1]
    bend = a - 2 * b + c
    shift = np.where(bend < -1e-6, 0.5 * (a - c) / np.where(bend < -1e-6, bend, -1.0), 0.0)
    return np.asarray(path + np.clip(shift, -0.7, 0.7), dtype=np.float64)


def _blur(profiles: Floats, path: NDArray[np.intp], side: int) -> float:
    """Median 1-sigma width of the edge in px, from the spread of its slope."""
    if len(path) == 0:
        return 0.0
    reach = 2 * side
    at = path + side
    width = profiles.shape[1]
    cols = np.clip(at[:, None] + np.arange(-reach, reach + 1)[None, :], 0, width - 1)
    tone = np.take_along_axis(profiles.mean(axis=2), cols, axis=1)
    slope = np.abs(np.diff(tone, axis=1))
    slope = np.maximum(slope - np.median(slope, axis=1, keepdims=True), 0.0)
    where = np.arange(slope.shape[1])
    mass = slope.sum(axis=1) + 1e-9
    mean = (slope * where).sum(axis=1) / mass
    spread = np.sqrt((slope * (where - mean[:, None]) ** 2).sum(axis=1) / mass)
    return float(np.median(spread)) / 2.0


def edge_length_mm(outline_mm: Floats, cut: Bools) -> float:
    """Length of the slab's own edge, measured with steps of ``EDGE_SCALE_MM``; border of the photo left out."""
    step = float(np.median(np.hypot(*np.diff(outline_mm, axis=0).T)))
    skip = max(1, round(EDGE_SCALE_MM / max(step, 1e-6)))
    lengths = np.hypot(*(np.roll(outline_mm, -skip, axis=0) - outline_mm).T) / skip
    return float(lengths[~cut].sum())


def kinds_of_edge(outline_mm: Floats, cut: Bools) -> tuple[str, ...]:
    """One word for the segment after each outline point: sawn, live or cut.

    The outline is first drawn with strokes that leave it by no more than ``STROKE_MM``. A stroke over a good part of
    the slab's width is sawn when most of its points lie within ``STRAIGHT_MM`` of one line (cracks and bays that open
    on it do not); a live edge wanders.
    """
    (_, _), (w, h), _ = cv2.minAreaRect(outline_mm.astype(np.float32))
    least = max(SAWN_LEAST_MM, SAWN_LEAST_SHARE * min(w, h))
    count = len(outline_mm)
    corners = _corners(outline_mm)
    kinds = ["live"] * count
    for a, b in zip(corners, [*corners[1:], corners[0] + count], strict=True):
        stroke = outline_mm[np.arange(a, b + 1) % count]
        if np.linalg.norm(stroke[-1] - stroke[0]) >= least and _share_on_line(stroke) >= ON_LINE_SHARE:
            for k in range(a, b):
                kinds[k % count] = "sawn"
    return tuple("cut" if cut[k] else kinds[k] for k in range(count))


def _share_on_line(points: Floats) -> float:
    """Share of points (N, 2) within ``STRAIGHT_MM`` of the line through most of them."""
    near, far = points, np.zeros(len(points))
    for _ in range(LINE_ROUNDS):
        middle = near.mean(axis=0)
        normal = np.linalg.svd(near - middle, full_matrices=False)[2][1]
        far = np.abs((points - middle) @ normal)
        near = points[far <= max(STRAIGHT_MM, 1.5 * float(np.median(far)))]
    return float((far <= STRAIGHT_MM).mean())


def _corners(outline: Floats) -> list[int]:
    """Return the indices of the corners of the outline drawn with straight strokes."""
    drawn = cv2.approxPolyDP(outline.astype(np.float32).reshape(-1, 1, 2), STROKE_MM, True).reshape(-1, 2)
    from scipy.spatial import cKDTree

    _, index = cKDTree(outline).query(drawn)
    return sorted({int(i) for i in np.atleast_1d(index)})
