"""Pieces of one void become one: what a single pour would run through is one thing to dam, fill and count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from voidmap.model import Floats
from voidmap.records import SLITS, Kind
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.mosaic import Bools
from voidmap.surface.rim import Cover, cover_of

Judged = tuple[Candidate, Judgement]

BRIDGE_MM = 2.0
"""Pieces with no more wood than this between them are one void: so thin a web is torn fibre, not a wall."""
SLENDER = 10.0
"""Length squared over area from which a thing is a crack by its shape (a disc has 1.3)."""
BEYOND_MM = 8.0
"""Two lines that cross, and run on by more than this beyond each other, are two cracks; what ends at another or a
little beyond its far side is a branch of it (a crack is some millimetres wide, and a traced end as far off)."""
CROSSING_DEG = 30.0
"""Lines that meet at a smaller angle, over ``BEYOND_MM`` to both sides, are arms of one crack: wood splits along its
grain, and what crosses it there at all does so steeply."""
MOST_STEPS = 400
"""Lines are looked at for a crossing in so many straight steps at most: every step of one is held against every step of
the other."""


def merged(judged: Sequence[Judged], mm_per_px: float) -> list[Judged]:
    """Join voids that lie within ``BRIDGE_MM`` of each other; flat things and lone voids stay as they are.

    Lines that cross stay apart; those that part at a small angle are a crack that forks.
    """
    voids = [item for item in judged if item[1].is_void]
    rest = [item for item in judged if not item[1].is_void]
    reach = max(1, round(0.5 * BRIDGE_MM / mm_per_px))
    alike = ((i, j) for i in range(len(voids)) for j in range(i) if _alike(voids[i], voids[j]))
    near = ((i, j) for i, j in alike if _near(voids[i][0].cover, voids[j][0].cover, reach))
    pairs = [(i, j) for i, j in near if not _cross(voids[i][0].path_px, voids[j][0].path_px, BEYOND_MM / mm_per_px)]
    rows, columns = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    graph = coo_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(voids), len(voids)))
    count, group_of = connected_components(graph, directed=False)
    groups = [[voids[k] for k in np.nonzero(group_of == g)[0]] for g in range(count)]
    return [*(_one(group, reach) for group in groups), *rest]


def is_narrow(item: Judged) -> bool:
    """Whether it is a crack by its kind or its shape; a crack that runs into a hole stays apart from it."""
    found, judgement = item
    return judgement.kind in SLITS or found.features["log_slender"] > np.log(SLENDER)


def _alike(one: Judged, other: Judged) -> bool:
    """Whether two things may be one void: both wide, both narrow, or both of bark, whose pieces may be either."""
    bark = one[1].kind is other[1].kind is Kind.BARK_VOID
    return bark or is_narrow(one) == is_narrow(other)


def _cross(one: Floats | None, other: Floats | None, beyond_px: float) -> bool:
    """Whether two traced lines (N, 2) and (M, 2) cross, both running on so far on both sides of the crossing.

    Those that run as one and part again cross time and again, at small angles.
    """
    if one is None or other is None:
        return False
    paths = [_thinned(path[_walked(path, beyond_px)]) for path in (one, other)]
    if min(len(path) for path in paths) < 2:
        return False
    own, rival = (np.diff(path, axis=0) for path in paths)
    starts = paths[1][None, :-1] - paths[0][:-1, None]
    turn = own[:, None, 0] * rival[None, :, 1] - own[:, None, 1] * rival[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        along_own = (starts[..., 0] * rival[None, :, 1] - starts[..., 1] * rival[None, :, 0]) / turn
        along_rival = (starts[..., 0] * own[:, None, 1] - starts[..., 1] * own[:, None, 0]) / turn
    at = np.argwhere((along_own >= 0) & (along_own <= 1) & (along_rival >= 0) & (along_rival <= 1))
    ways = [
        _ways(path, middle[places], beyond_px) for path, middle, places in zip((one, other), paths, at.T, strict=True)
    ]
    across = np.abs(ways[0][:, 0] * ways[1][:, 1] - ways[0][:, 1] * ways[1][:, 0])
    return bool((across > np.sin(np.deg2rad(CROSSING_DEG))).any())


def _ways(path: Floats, places: Floats, reach_px: float) -> Floats:
    """Return a line's unit directions (M, 2) at points (M, 2) of it, over so far to both sides."""
    from scipy.spatial import cKDTree

    at, reach = cKDTree(path).query(places)[1], round(reach_px)
    chords = path[np.minimum(at + reach, len(path) - 1)] - path[np.maximum(at - reach, 0)]
    return np.asarray(chords / np.maximum(np.hypot(*chords.T), 1e-9)[:, None])


def _thinned(path: Floats) -> Floats:
    return path[:: 1 + len(path) // MOST_STEPS]


def _walked(path: Floats, beyond_px: float) -> Bools:
    """Tell which points of a line (N, 2) lie farther than this from both of its ends, along it."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    return np.asarray((along > beyond_px) & (along < along[-1] - beyond_px))


def _near(one: Cover, other: Cover, reach: int) -> bool:
    """Whether two masks, each grown by ``reach`` px, touch."""
    (ax, ay), (bx, by) = one.corner, other.corner
    left, top = max(ax, bx) - reach, max(ay, by) - reach
    right = min(ax + one.mask.shape[1], bx + other.mask.shape[1]) + reach
    bottom = min(ay + one.mask.shape[0], by + other.mask.shape[0]) + reach
    if right <= left or bottom <= top:
        return False
    box = (left, top, right, bottom)
    return bool(np.any(_grown(one, box, reach) & _grown(other, box, reach)))


def _grown(cover: Cover, box: tuple[int, int, int, int], reach: int) -> np.ndarray:
    left, top, right, bottom = (box[0] - reach, box[1] - reach, box[2] + reach, box[3] + reach)
    canvas = np.zeros((bottom - top, right - left), np.uint8)
    paste(canvas, cover.mask.astype(np.uint8), cover.corner, (left, top))
    size = 2 * reach + 1
    return np.asarray(cv2.dilate(canvas, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))) > 0


def paste(canvas: np.ndarray, patch: np.ndarray, corner: tuple[int, int], origin: tuple[int, int]) -> None:
    """Lay the greater of the two values wherever a patch overlaps a canvas."""
    x, y = corner[0] - origin[0], corner[1] - origin[1]
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + patch.shape[1], canvas.shape[1]), min(y + patch.shape[0], canvas.shape[0])
    if x1 > x0 and y1 > y0:
        part = patch[y0 - y : y1 - y, x0 - x : x1 - x]
        canvas[y0:y1, x0:x1] = np.maximum(canvas[y0:y1, x0:x1], part)


def _one(group: list[Judged], reach: int) -> Judged:
    """Join a group: the cover of all with the webs between them, judged as its greatest piece is."""
    lead, judgement = max(group, key=lambda item: item[0].cover.area_px)
    if len(group) == 1:
        return lead, judgement
    whole = united([found.cover for found, _ in group], reach)
    if whole is None:
        return lead, judgement
    chance = max(j.void_probability for _, j in group)
    return replace(lead, cover=whole, path_px=None), replace(judgement, void_probability=chance)


def united(covers: Sequence[Cover], reach: int) -> Cover | None:
    """Return the cover of all pieces, gaps up to twice ``reach`` px wide closed; None where it is nothing."""
    left, top = (min(c.corner[i] for c in covers) - reach - 1 for i in (0, 1))
    right = max(c.corner[0] + c.mask.shape[1] for c in covers) + reach + 1
    bottom = max(c.corner[1] + c.mask.shape[0] for c in covers) + reach + 1
    share = np.zeros((bottom - top, right - left), np.float32)
    for cover in covers:
        paste(
            share,
            np.where(cover.mask, np.maximum(cover.share, 0.51), 0.0).astype(np.float32),
            cover.corner,
            (left, top),
        )
    size = 2 * reach + 1
    web = cv2.morphologyEx(
        (share > 0.5).astype(np.uint8), cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    )
    # What closes a gap lies within the pieces' box; the margin that closing needs may reach out of the picture.
    margin = reach + 1
    inner = (slice(margin, -margin), slice(margin, -margin))
    closed = np.maximum(share, web.astype(np.float32) * 0.51)[inner]
    return cover_of(closed, (left + margin, top + margin))
