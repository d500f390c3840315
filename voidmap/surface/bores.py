"""The rims of holes that knots left.

A branch is round: the slab's plane cuts it, and the hole that it leaves, in an ellipse. Of such a hole the shaded part
alone is plain to see; a lit wall or floor is about as bright as the knot around, and the bench seen through may be
brighter. The rim is the ellipse that holds what was found of the hole, runs along a good part of its outline, and for
the rest along steps of brightness in the picture, however faint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.merge import Judged
from voidmap.surface.mosaic import Bools, Floats32
from voidmap.surface.nested import WITHIN, shared
from voidmap.surface.rim import Cover, cover_of

# A hole lies in its knot: the largest compact patch around it (its area against its hull's), darker than the wood
# (natural log), so many times larger than what was found of the hole.
KNOT_SOLIDITY, KNOT_DARK, KNOT_LARGER = 0.85, 0.05, (1.5, 40.0)
# A branch leaves its stem at 30 degrees or more (common practice, no source): its section is no longer than this
# times its width, 1 / sin(30 degrees).
MOST_STRETCH = 2.0
# A step counts for a half where it is this many times the usual slope in the knot around.
HALF_STEP = 2.0
# Along a rim that was found is within this of it: so many of the picture's own blur (1 sigma), at least so much, mm.
ALONG_BLURS, ALONG_MM = 1.5, 0.4
# Running along what was found counts up to this share of the ellipse (a lamp from the side shades 0.4 of a rim), as
# much as steps along half of it.
ALONG_SHARE, ALONG_WORTH = 0.4, 0.5
# An ellipse loses so much when the outline found, or the ellipse from the knot, lies outside by its mean half axis in
# the mean; an outline is good to a quarter of what counts as along it.
LEAVING, OFF_SHARE = 8.0, 0.25
# An ellipse is a hole's rim from this worth on.
LEAST_WORTH = 0.6
# The search: places around an ellipse, rounds of so many ellipses, of which the best say where to look next.
PLACES, ROUNDS, TRIED, BEST = 48, 10, 64, 10
STARTS = (0.0, 0.35)
_ANGLES = np.linspace(0.0, 2 * np.pi, PLACES, endpoint=False, dtype=np.float32)
_COS, _SIN = np.cos(_ANGLES), np.sin(_ANGLES)


@dataclass(frozen=True, eq=False)
class _Scene:
    """What an ellipse is judged by, on a box of the picture that starts at ``corner`` (column, row).

    ``right`` and ``down`` (h, w) are the slopes of brightness, ``usual`` their usual size in the knot, ``off_rim`` the
    distance from the rim that was found and ``off_knot`` how far outside of the knot, px; ``hull`` (N, 2) px is what
    was found, ``along_px`` how far from a rim still counts as along it.
    """

    right: Floats32
    down: Floats32
    usual: float
    off_rim: Floats32
    off_knot: Floats32
    hull: Floats32
    along_px: float
    corner: tuple[int, int]


def bored(looked: Looked, drawn: Sequence[Judged], candidates: Sequence[Candidate]) -> list[Judged]:
    """Return what is called, the hole in each knot with its whole rim.

    Parameters
    ----------
    looked
        The evened picture.
    drawn
        What is called, voids and flat things.
    candidates
        All that stands out: knots among them.
    """
    knots = [c for c in candidates if _like_knot(c)]
    holes: dict[int, tuple[Candidate, list[Judged]]] = {}
    for item in drawn:
        knot = _knot_of(item, knots)
        if knot is not None:
            holes.setdefault(id(knot), (knot, []))[1].append(item)
    out = list(drawn)
    for knot, pieces in holes.values():
        whole = _whole(looked, knot, pieces)
        if whole is not None:
            parts = {id(found) for found, _ in pieces}
            out = [item for item in out if id(item[0]) not in parts] + [whole]
    return out


def _like_knot(found: Candidate) -> bool:
    figures = found.features
    return found.source == "patch" and figures["solidity"] > KNOT_SOLIDITY and figures["dark_middle"] < -KNOT_DARK


def _knot_of(item: Judged, knots: Sequence[Candidate]) -> Candidate | None:
    """Return the knot that a called hole lies in; None where there is none."""
    found, judgement = item
    if found.source == "line" or judgement.kind not in (Kind.KNOT_HOLE, Kind.BARK_VOID):
        return None
    least, most = (times * found.cover.area_px for times in KNOT_LARGER)
    around = (k for k in knots if least < k.cover.area_px < most and shared(found.cover, k.cover) > WITHIN)
    return max(around, key=lambda k: k.cover.area_px, default=None)


def _whole(looked: Looked, knot: Candidate, pieces: Sequence[Judged]) -> Judged | None:
    """Return the hole of these pieces with its whole rim; None where no ellipse fits."""
    scene = _scene(looked, knot.cover, [found.cover for found, _ in pieces])
    if scene is None:
        return None
    ellipse, worth = _best(scene)
    if worth < LEAST_WORTH:
        return None
    mask = np.zeros(scene.right.shape, np.uint8)
    outline = _around(ellipse[None].astype(np.float32))[0][0].T
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 1, shift=4)
    cover = cover_of(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.5), scene.corner)
    if cover is None:
        return None
    found, judgement = max(pieces, key=lambda item: item[0].cover.area_px)
    length, width = 2.0 * np.exp(np.sort(ellipse[2:4])[::-1])
    mm = looked.evened.mm_per_px
    figures = found.features | {
        "log_area": float(np.log(cover.area_px * mm * mm)),
        "log_area_px": float(np.log(cover.area_px)),
        "log_length": float(np.log(length * mm)),
        "log_slender": float(np.log(length**2 / cover.area_px)),
        "log_axes": float(np.log(length / width)),
        "solidity": 1.0,
    }
    chance = max(j.void_probability for _, j in pieces)
    judged = replace(judgement, kind=Kind.KNOT_HOLE, void_probability=chance)
    return replace(found, cover=cover, features=figures), judged


def _scene(looked: Looked, knot: Cover, pieces: Sequence[Cover]) -> _Scene | None:
    """Measure what ellipses in a knot are judged by; None where too little is seen."""
    evened, (left, top) = looked.evened, looked.corner
    margin = int(np.ceil(4.0 * max(looked.blur_px, 1.0)))
    x0, y0 = max(0, knot.corner[0] - left - margin), max(0, knot.corner[1] - top - margin)
    x1, y1 = (knot.corner[i] - (left, top)[i] + knot.mask.shape[1 - i] + margin for i in (0, 1))
    box = (slice(y0, y1), slice(x0, x1))
    corner = (x0 + left, y0 + top)
    seen = evened.seen[box]
    # Coded values go with the square root of the light, about, as noise and the eye's steps do.
    tone = np.exp(0.5 * np.where(seen, evened.dark[box], np.float32(0)))
    soft = cv2.GaussianBlur(tone, (0, 0), max(0.8, looked.blur_px))
    right, down = (np.asarray(cv2.Sobel(soft, cv2.CV_32F, *way, scale=0.125), np.float32) for way in ((1, 0), (0, 1)))
    core = np.zeros(seen.shape, bool)
    for piece in pieces:
        core |= _boxed(piece, corner, core.shape)
    own = _boxed(knot, corner, core.shape) & seen
    inner = cv2.erode(own.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=max(1, round(1.5 * looked.blur_px)))
    inside = (inner > 0) | core
    ring = inside & ~core
    hull = cv2.convexHull(np.vstack([p.outline_px for p in pieces]).astype(np.float32)).reshape(-1, 2)
    if not ring.any() or len(hull) < 5:
        return None
    return _Scene(
        right,
        down,
        float(np.median(cv2.magnitude(right, down)[ring])) + 1e-6,
        _away(core) + _away(~core) - np.float32(0.5),
        _away(inside),
        _spaced((hull - corner).astype(np.float32)),
        max(ALONG_BLURS * looked.blur_px, ALONG_MM / evened.mm_per_px),
        corner,
    )


def _away(mask: Bools) -> Floats32:
    """Return the distance to a mask, px, zero in it."""
    return np.asarray(cv2.distanceTransform((~mask).view(np.uint8), cv2.DIST_L2, 5), dtype=np.float32)


def _boxed(cover: Cover, corner: tuple[int, int], shape: tuple[int, ...]) -> Bools:
    """Return a cover's mask on a box (h, w) that starts at ``corner``."""
    out = np.zeros(shape, bool)
    x, y = cover.corner[0] - corner[0], cover.corner[1] - corner[1]
    rows = slice(max(0, y), min(shape[0], y + cover.mask.shape[0]))
    columns = slice(max(0, x), min(shape[1], x + cover.mask.shape[1]))
    out[rows, columns] = cover.mask[rows.start - y : rows.stop - y, columns.start - x : columns.stop - x]
    return out


def _spaced(hull: Floats32) -> Floats32:
    """Return points at even distances along a closed polygon (N, 2)."""
    closed = np.vstack([hull, hull[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0.0, run[-1], PLACES, endpoint=False)
    return np.column_stack([np.interp(at, run, closed[:, i]) for i in (0, 1)]).astype(np.float32)


def _best(scene: _Scene) -> tuple[Floats, float]:
    """Return the ellipse of the greatest worth (column, row, log half axes, turn), and its worth.

    It is searched for by the cross-entropy method (R. Rubinstein, 1999): the best of each round of random ellipses say
    where the next round is drawn. The draws are the same every time.
    """
    (_, axes, turn) = cv2.fitEllipse(scene.hull)
    size = np.sqrt(max(axes[0] * axes[1], 4.0)) / 2
    chance = np.random.default_rng(0)
    best, most = np.zeros(5), -np.inf
    for grown in STARTS:
        half = np.log(np.maximum(axes, 2.0) / 2) + grown
        middle = np.array([*scene.hull.mean(axis=0), *half, np.radians(turn)])
        spread = np.array([0.35 * size, 0.35 * size, 0.3, 0.3, 0.6])
        for _ in range(ROUNDS):
            tried = middle + chance.normal(size=(TRIED, 5)) * spread
            worth = _worth(scene, tried.astype(np.float32))
            first = np.argsort(-worth)[:BEST]
            if worth[first[0]] > most:
                best, most = tried[first[0]], float(worth[first[0]])
            middle, spread = tried[first].mean(axis=0), 1.15 * tried[first].std(axis=0) + 1e-4
    return best, most


def _around(ellipses: Floats32) -> tuple[Floats32, Floats32, Floats32]:
    """Return points (n, 2, PLACES) on ellipses (n, 5), the ways out of them, and each point's share of the length."""
    x, y, log_a, log_b, turn = ellipses.T[:, :, None]
    a, b, c, s = np.exp(log_a), np.exp(log_b), np.cos(turn), np.sin(turn)
    right, down = a * _COS, b * _SIN
    points = np.stack([x + right * c - down * s, y + right * s + down * c], axis=1)
    right, down = b * _COS, a * _SIN
    length = np.hypot(right, down)
    out = np.stack([right * c - down * s, right * s + down * c], axis=1) / length[:, None]
    return points, out, length / length.sum(axis=1, keepdims=True)


def _worth(scene: _Scene, ellipses: Floats32) -> Floats:
    """Return how well each ellipse (n, 5) is a rim, (n,)."""
    points, out, share = _around(ellipses)
    columns, rows = points[:, 0], points[:, 1]

    def along(picture: Floats32) -> Floats32:
        return np.asarray(cv2.remap(picture, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    step = np.abs(along(scene.right) * out[:, 0] + along(scene.down) * out[:, 1])
    steps = (step / (step + HALF_STEP * scene.usual) * share).sum(axis=1)
    on_rim = (np.exp(-np.square(along(scene.off_rim) / scene.along_px)) * share).sum(axis=1)
    beyond_knot = (along(scene.off_knot) * share).sum(axis=1)
    size = np.exp(ellipses[:, 2:4].mean(axis=1))
    left_out = np.maximum(_beyond(ellipses, scene.hull) - OFF_SHARE * scene.along_px, 0.0).mean(axis=1)
    stretch = np.maximum(np.abs(ellipses[:, 2] - ellipses[:, 3]) - np.log(MOST_STRETCH), 0.0)
    found = ALONG_WORTH * np.minimum(on_rim / ALONG_SHARE, 1.0)
    return np.asarray(steps + found - LEAVING * (left_out + beyond_knot) / size - stretch, dtype=np.float64)


def _beyond(ellipses: Floats32, points: Floats32) -> Floats32:
    """Return how far outside of each ellipse (n, 5) each point (m, 2) lies, (n, m) px, about; negative within."""
    x, y, log_a, log_b, turn = ellipses.T[:, :, None]
    right, down, c, s = points[:, 0] - x, points[:, 1] - y, np.cos(turn), np.sin(turn)
    out = np.hypot((right * c + down * s) / np.exp(log_a), (down * c - right * s) / np.exp(log_b))
    return np.asarray((out - 1.0) * np.exp((log_a + log_b) / 2), dtype=np.float32)
