"""Cracks and open seams as lines: traced, joined over gaps, measured across."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.across import profiles, rim_widths_px, widths_px
from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32, mean_nearby
from voidmap.surface.reach import to_the_tips
from voidmap.surface.rim import Cover, cover_of
from voidmap.surface.skeleton import longest_paths, smoothed

# A line starts where it is this many times stronger than the figure nearby, and goes on down to that.
START_SCORE, GO_ON_SCORE = 5.0, 2.5
# A piece of a line is at least this long; a whole line too.
LEAST_PIECE_MM, LEAST_LENGTH_MM = 4.0, 6.0
# Two pieces join over a gap of at most this, and at most this share of the shorter one, ...
JOIN_MM, JOIN_SHARE = 15.0, 1.0
# ... when both point at each other within this angle.
JOIN_DEG = 20.0
# A tangent is taken over this length at a piece's end.
TANGENT_MM = 5.0
# No crack turns by more than this over two such lengths: it is two that meet, each at least so long, and so straight
# over that length (chord over way; on the rim of a knot 46 mm wide it is as much).
MOST_TURN_DEG, LEAST_ARM_MM, STRAIGHT = 75.0, 20.0, 0.97
# The widest crack that is measured as a line.
WIDEST_MM = 8.0
# An outline at another share than half moves by at most so many px, and lies between these shares (further out it
# would follow the wood's own figure, further in the noise of the crack's floor).
RIM_REACH_PX, RIM_LEVELS = 2, (0.25, 0.75)
# A crack's own darkness is taken over this length along it.
ALONG_MM = 8.0


@dataclass(frozen=True, eq=False)
class Line:
    """A dark line: its path (N, 2) in px from end to end, its cover, its length along the path, its widths.

    ``bones_px`` (M, 2) are all pixels that it was traced by, its branches too.
    ``rim_level`` is the share of the cover at which the outline's width is that of the profiles across the path.
    """

    path_px: Floats
    cover: Cover
    length_px: float
    score: float
    width_mean_px: float
    width_max_px: float
    rim_level: float
    bones_px: Floats


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of a line: its path, the pixels that it was traced by, (column, row), and the number of its skeleton."""

    path: Floats
    bones: Floats
    score: float
    whole: int

    @property
    def length(self) -> float:
        """Length of the path, px."""
        return float(np.hypot(*np.diff(self.path, axis=0).T).sum())


def find_lines(evened: Evened, score: Floats32, blur_px: float) -> list[Line]:
    """Trace dark lines in a score map (see ``ridges.line_and_dot_scores``)."""
    pieces = _pieces(score, evened.mm_per_px)
    lines = []
    groups = _joined(pieces, evened.mm_per_px)
    for group, path in zip(groups, to_the_tips([end_to_end([p.path for p in g]) for g in groups], evened), strict=True):
        if float(np.hypot(*np.diff(path, axis=0).T).sum()) * evened.mm_per_px < LEAST_LENGTH_MM:
            continue
        strength = float(np.median([p.score for p in group]))
        line = measured(path, np.vstack([p.bones for p in group]), strength, evened, blur_px)
        if line is not None:
            lines.append(line)
    return lines


def _pieces(score: Floats32, mm_per_px: float) -> list[Piece]:
    from skimage.morphology import skeletonize

    labels, started = _started(score)
    skeletons: list[NDArray[np.integer]] = []
    for own in started:
        x, y, w, h = cv2.boundingRect(own)
        if np.hypot(w, h) * mm_per_px < LEAST_PIECE_MM:
            continue
        k = labels[own[0, 1], own[0, 0]]
        bones = skeletonize(np.pad(labels[y : y + h, x : x + w] == k, 1))
        skeletons.append(np.argwhere(bones)[:, ::-1] + np.array([x - 1, y - 1]))
    pieces = []
    for whole, (points, path) in enumerate(zip(skeletons, longest_paths(skeletons), strict=True)):
        if len(path) > 2:
            strength = float(np.median(score[points[:, 1], points[:, 0]]))
            ways = _without_turns(smoothed(path), mm_per_px)
            shares = _nearest_to(ways, points.astype(np.float64))
            pieces += [Piece(way, bones, strength, whole) for way, bones in zip(ways, shares, strict=True)]
    return pieces


def _started(score: Floats32) -> tuple[NDArray[np.int32], list[NDArray[np.int32]]]:
    """Label (H, W) what is strong enough to go on, and list the pixels (N, 2) of each piece of it that starts a line.

    Such pixels are a hundredth of the picture: to collect them costs an eighth of OpenCV's statistics of all pieces.
    """
    low = (score > GO_ON_SCORE).view(np.uint8)
    count, labels = cv2.connectedComponents(low, ltype=cv2.CV_32S)
    starts = np.zeros(count, bool)
    starts[labels[score > START_SCORE]] = True
    if not starts.any():
        return labels, []
    at = cv2.findNonZero(low).reshape(-1, 2)
    own = labels[at[:, 1], at[:, 0]]
    at, own = at[starts[own]], own[starts[own]]
    order = np.argsort(own, kind="stable")
    return labels, np.split(at[order], np.flatnonzero(np.diff(own[order])) + 1)


def _without_turns(path: Floats, mm_per_px: float) -> list[Floats]:
    """Cut a path (N, 2) where it turns as no crack does."""
    step, arm = (max(2, round(length / mm_per_px)) for length in (TANGENT_MM, LEAST_ARM_MM))
    if len(path) <= 2 * arm:
        return [path]
    middle = path[arm:-arm]
    before, after = middle - path[arm - step : -arm - step], path[arm + step : len(path) - arm + step] - middle
    size = np.hypot(*before.T) * np.hypot(*after.T)
    cosine = (before * after).sum(axis=1) / np.maximum(size, 1e-9)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    straight = np.hypot(*(path[arm:] - path[:-arm]).T) >= STRAIGHT * (along[arm:] - along[:-arm])
    cosine[~(straight[:-arm] & straight[arm:])] = 1.0
    sharpest = int(np.argmin(cosine))
    if cosine[sharpest] > np.cos(np.deg2rad(MOST_TURN_DEG)):
        return [path]
    cut = sharpest + arm
    return [*_without_turns(path[: cut + 1], mm_per_px), *_without_turns(path[cut:], mm_per_px)]


def _nearest_to(paths: Sequence[Floats], points: Floats) -> list[Floats]:
    """Share points (M, 2) out among paths, each to the nearest one."""
    from scipy.spatial import cKDTree

    if len(paths) == 1:
        return [points]
    away = np.stack([cKDTree(path).query(points)[0] for path in paths])
    return [points[np.argmin(away, axis=0) == k] for k in range(len(paths))]


def _joined(pieces: list[Piece], mm_per_px: float) -> list[list[Piece]]:
    """Group pieces that are one crack showing through."""
    from scipy.spatial import cKDTree

    if not pieces:
        return []
    ends = np.array([p.path[e] for p in pieces for e in (0, -1)])
    tangents = np.array([tangent(p.path, e, TANGENT_MM / mm_per_px) for p in pieces for e in (0, -1)])
    root = list(range(len(pieces)))

    def top(k: int) -> int:
        while root[k] != k:
            k = root[k]
        return k

    cosine = np.cos(np.deg2rad(JOIN_DEG))
    for a, b in sorted(cKDTree(ends).query_pairs(JOIN_MM / mm_per_px)):
        i, j = a // 2, b // 2
        gap = ends[b] - ends[a]
        size = float(np.hypot(*gap))
        if pieces[i].whole == pieces[j].whole or size > JOIN_SHARE * min(pieces[i].length, pieces[j].length):
            continue
        if size < 2.0 or min(tangents[a] @ gap, -(tangents[b] @ gap)) > cosine * size:
            root[top(i)] = top(j)
    groups: dict[int, list[Piece]] = {}
    for k, piece in enumerate(pieces):
        groups.setdefault(top(k), []).append(piece)
    return list(groups.values())


def tangent(path: Floats, end: int, reach: float) -> Floats:
    """Return the unit vector (2,) that points out of a path (N, 2) at its first (0) or last (-1) point.

    It is taken over the last ``reach`` px.
    """
    way = path if end == 0 else path[::-1]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    back = way[min(len(way) - 1, int(np.searchsorted(along, reach)))]
    out = way[0] - back
    return np.asarray(out / max(float(np.hypot(*out)), 1e-9))


def end_to_end(paths: Sequence[Floats]) -> Floats:
    """Put paths (N, 2) end to end, the nearest free end next, from the end on from which that leaves the least gaps."""
    ends = np.array([path[e] for path in paths for e in (0, -1)])
    apart = np.hypot(*(ends[:, None] - ends[None]).transpose(2, 0, 1))
    chains = [_chain(apart, start) for start in range(len(ends))]
    first = min(chains, key=lambda chain: sum(apart[out ^ 1, into] for out, into in pairwise(chain)))
    return np.vstack([paths[end // 2] if end % 2 == 0 else paths[end // 2][::-1] for end in first])


def _chain(apart: Floats, start: int) -> list[int]:
    """Return the ends by which paths are entered one after the other; ends 2 k and 2 k + 1 are those of path k."""
    chain, free = [start], set(range(len(apart))) - {start, start ^ 1}
    while free:
        into = min(free, key=lambda end: float(apart[chain[-1] ^ 1, end]))
        chain.append(into)
        free -= {into, into ^ 1}
    return chain


def measured(path: Floats, branches: Floats, score: float, evened: Evened, blur_px: float) -> Line | None:
    """Measure a line along a path (N, 2) px with branches (M, 2): what it covers, and its width along the path.

    ``None`` when it covers nothing.
    """
    mm = evened.mm_per_px
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    bones = np.vstack([path, branches])
    reach = int(np.ceil((WIDEST_MM + 3.0) / mm))
    height, width = evened.seen.shape
    x0, y0 = np.maximum(bones.min(axis=0).astype(int) - reach, 0)
    x1, y1 = np.minimum(bones.max(axis=0).astype(int) + reach + 1, [width, height])
    spine = np.zeros((y1 - y0, x1 - x0), np.uint8)
    local = np.round(bones - [x0, y0]).astype(int)
    spine[local[:, 1], local[:, 0]] = 1
    cv2.polylines(spine, [np.round(path - [x0, y0]).astype(np.int32)], False, 1)
    bare = evened.seen[y0:y1, x0:x1]
    light = np.exp(np.where(bare, np.minimum(evened.dark[y0:y1, x0:x1], 0.5), np.float32(0)))
    away = cv2.distanceTransform(1 - spine, cv2.DIST_L2, 5) * mm
    missing = missing_light(light, bare, np.asarray(away, dtype=np.float32), mm)
    share = cross_share(missing, bare, spine.astype(bool), np.asarray(away, dtype=np.float32), mm)
    cover = cover_of(share, (int(x0), int(y0)), spine.astype(bool))
    if cover is None:
        return None
    rows = profiles(missing, path - [x0, y0], 0.5 * WIDEST_MM / mm, ALONG_MM / mm)
    true, at_half = widths_px(rows, blur_px)
    narrower = float(true.sum() / max(at_half.sum(), 1e-6))
    if narrower < 1.0:
        cover = _narrowed(cover, share, spine.astype(bool), narrower) or cover
    area = float(rim_widths_px(true, at_half, blur_px).sum())  # the stations lie a px apart
    level = _rim_level(cover, path - [x0, y0], np.asarray(away / mm, dtype=np.float32), area)
    widest = float(np.quantile(true, 0.98))
    mean = cover.area_px / length
    return Line(path, cover, length, score, mean, max(widest, mean), level, branches)


def missing_light(light: Floats32, bare: Bools, away: Floats32, mm_per_px: float) -> Floats32:
    """Light that is missing at each pixel, as a share of what the wood beside the line gives back.

    Blur mixes light, not logs, so shares are taken in light.
    """
    beside = bare & (away > 1.5) & (away < 0.5 * WIDEST_MM)
    wood = _mean_of(light, beside, ALONG_MM / 2 / mm_per_px, 1.0)
    return np.where(bare, 1.0 - light / np.maximum(wood, 0.05), np.float32(0)).astype(np.float32)


def cross_share(missing: Floats32, bare: Bools, spine: Bools, away: Floats32, mm_per_px: float) -> Floats32:
    """Share of each pixel covered by a crack that runs along ``spine``.

    It is how far a pixel has gone from the wood beside the crack to the crack's own darkness nearby. The spine
    itself is always covered (a gap that the crack shows through).
    """
    near = bare & (away <= 0.5 * WIDEST_MM)
    soft = cv2.GaussianBlur(missing, (0, 0), 0.5)
    peak = cv2.dilate(np.where(near & (away < 1.0), soft, np.float32(0)), np.ones((3, 3), np.uint8))
    depth = _mean_of(np.asarray(peak), spine & bare, ALONG_MM / 2 / mm_per_px, 0.3)
    share = np.where(near, soft / np.maximum(depth, 0.02), np.float32(0))
    # Where the crack is wide, one wall may be lit: its darkness is then the mean over its width.
    wide = np.asarray(cv2.erode((share > 0.4).astype(np.uint8), np.ones((3, 3), np.uint8))).astype(bool)
    wide = wide & bare
    whole = np.where(wide, _mean_of(soft, wide, ALONG_MM / 4 / mm_per_px, 0.3), depth)
    deep = _mean_of(whole, near & (wide | spine), ALONG_MM / 4 / mm_per_px, 0.3)
    share = np.where(near, soft / np.maximum(deep, 0.02), np.float32(0))
    share = np.clip(share, 0.0, 1.0)
    share[spine] = np.maximum(share[spine], 0.52)
    return np.asarray(share, dtype=np.float32)


def _narrowed(cover: Cover, share: Floats32, spine: Bools, narrower: float) -> Cover | None:
    """Draw the outline at a higher share, so that its area is ``narrower`` times what it was."""
    fine = cv2.resize(np.where(cover.mask, share, np.float32(0)), None, fx=3, fy=3, interpolation=cv2.INTER_LINEAR)
    inside = fine[fine > 0.5]
    if not len(inside):
        return None
    level = float(np.quantile(inside, 1.0 - narrower))
    raised = np.clip(share - level + 0.5, 0.0, 1.0)
    raised[spine] = np.maximum(raised[spine], 0.52)
    return cover_of(raised, cover.corner, spine)


def _rim_level(cover: Cover, path: Floats, away_px: Floats32, area_px: float) -> float:
    """Return the share at which a cover has this area along its path; branches are measured at the same share.

    ``away_px`` is the distance of each pixel from the path and its branches.
    """
    spine = np.ones(cover.mask.shape, np.uint8)
    cv2.polylines(spine, [np.round(path).astype(np.int32)], False, 0)
    own = np.asarray(cv2.distanceTransform(spine, cv2.DIST_L2, 5)) <= away_px + 0.5
    side = 2 * RIM_REACH_PX + 1
    near = cv2.dilate(cover.mask.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    shares = cover.share[own & near]
    if not len(shares):
        return 0.5
    return float(np.clip(np.quantile(shares, 1.0 - min(1.0, area_px / len(shares))), *RIM_LEVELS))


def _mean_of(values: Floats32, where: Bools, sigma: float, fallback: float) -> Floats32:
    return mean_nearby(values, where, sigma, max(1, int(sigma / 2.5)), fallback, 1e-5)
