"""Checks in sound knots: cracks that run from the pith outward, across the knot's rings.

A knot dries faster than the wood around it and opens along its rays. On its dark, ringed face such a check is seen
badly against the wood, and well against the knot itself: the knot is laid out by angle and by the share of the way
from its middle to its rim, so that rings become rows, and what a row shows at nearly all angles is taken off. A check
is then a dark way across the rows; the best one (dynamic programming) is held against the best bright one of the same
knot, which is what rings, rays and noise make by chance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.candidates import Looked, moved
from voidmap.surface.features import Candidate
from voidmap.surface.follow import path_of
from voidmap.surface.form import by_form
from voidmap.surface.kinds import Judgement
from voidmap.surface.lines import measured
from voidmap.surface.merge import Judged, united
from voidmap.surface.mosaic import Bools, Floats32
from voidmap.surface.nested import WITHIN, shared
from voidmap.surface.rim import Cover

# Nothing is sought nearer than this to the middle, where all ways meet, and to the rim, which is dark.
PITH_MM, RIM_MM = 0.6, 1.2
# A knot with fewer px from the pith to the rim shows nothing.
LEAST_ROWS = 10
# What changes more slowly than this along a row is rings and light; checks are taken out of it in so many rounds.
ROW_DEG, ROUNDS = 90.0, 4
# The darkness along a way counts from this many deviations of its row on, each place so many at most: what is no line
# is as often brighter as darker, and one black fleck is no line.
BAR, MOST = 2.0, 4.0
# It is held against the places so far to both sides, mm and at least px: beyond a check, and within a ring.
SIDE_MM, SIDE_PX = 1.0, 3.0
# Log brightness scatters along a row by at least this: 8-bit steps and JPEG.
LEAST_SCATTER = 0.02
# A check begins within this share of the way from the pith to the rim: what begins farther out parts two knots.
BEGINS = 1.0 / 3.0
# A way is a check when its sum is this large. Of 118 knots without checks or holes on 80 photos of simulated slabs 4
# have a way that is worth more than 12 (two pairs of knots that have grown together), of 21 with checks 19 are worth 29
# and more, two 7 and 12.
# Where there is one there may well be more: these need less.
LEAST_SUM, LEAST_BRANCH = 15.0, 10.0
# An open check is black where it is widest: a tenth of its way lacks this share of the light of the rings beside it.
# The closed checks and rays of the sound knots on 5 photos of another renderer lack .13 to .25, and so do ways across
# the rings of a knot whose pith is not in its middle; of 9 open checks on 40 photos of simulated slabs 8 lack .30 to
# .57.
OPEN_LACKS = 0.28
# No more checks than this are looked for in a knot, each at least this far from the others.
MOST_CHECKS, APART_DEG = 4, 25.0
# Of ways that are checks by the figures above so many are: 19 of 23 on 80 photos, open ones
# that lack less light counted in.
CHANCE = 0.83
# A check that lies in called holes by more than this share of its way is those holes.
KNOWN = 0.8


@dataclass(frozen=True, eq=False)
class _Laid:
    """A knot laid out by rows and angles: its log brightness and that of its rings alone, ``dark`` and ``rings``.

    ``reach_px`` (angles,) is the way from the ``middle``, (column, row) px, to the rim; row k of n is at the share
    k / n of it.
    """

    dark: Floats32
    rings: Floats32
    reach_px: Floats
    middle: Floats

    def places(self, rows: NDArray[np.intp], angles: NDArray[np.intp]) -> Floats:
        """Return the px (N, 2) of rows and angles."""
        turn = angles * (2.0 * np.pi / self.dark.shape[1])
        far = rows / self.dark.shape[0] * self.reach_px[angles]
        return np.asarray(self.middle + np.column_stack([np.cos(turn), np.sin(turn)]) * far[:, None])

    def rings_at(self, inside: Bools) -> Floats32:
        """Return the log brightness of the rings alone in the picture (h, w)."""
        count, angles = self.rings.shape
        rows, columns = np.indices(inside.shape, dtype=np.float32)
        right, down = columns - np.float32(self.middle[0]), rows - np.float32(self.middle[1])
        turn = np.mod(np.arctan2(down, right), 2.0 * np.pi) * (angles / (2.0 * np.pi))
        reach = np.append(self.reach_px, self.reach_px[0])
        share = np.hypot(right, down) / np.maximum(np.interp(turn, np.arange(angles + 1), reach), 1.0)
        around = np.hstack([self.rings, self.rings[:, :1]])
        x, y = turn.astype(np.float32), np.minimum(share * count, count - 1.0).astype(np.float32)
        return np.asarray(cv2.remap(around, x, y, cv2.INTER_LINEAR), dtype=np.float32)


def with_checks(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what is called, with the checks in its sound knots, and what was called of them a part of them."""
    out = list(judged)
    for knot, judgement in judged:
        if judgement.kind is not Kind.SOUND_KNOT or knot.source != "patch" or _opened(knot, judged):
            continue
        check = _check_in(knot, looked)
        if check is None:
            continue
        met = [item for item in out if item[1].is_void and _runs_through(check, item[0].cover) > 0.0]
        if any(shared(c.cover, knot.cover) <= WITHIN for c, _ in met):
            continue
        holes = [c.cover for c, j in met if by_form(c, j).kind is Kind.HOLE]
        if sum(_runs_through(check, hole) for hole in holes) > KNOWN:
            continue
        cover = united([check.cover, *holes], 1) or check.cover
        out = [item for item in out if not any(item is other for other in met)]
        out.append((replace(check, cover=cover), _as_crack(judgement)))
    return out


def _runs_through(check: Candidate, cover: Cover) -> float:
    """Return the share of a check's path that lies in a cover."""
    places = np.round(path_of(check)).astype(int) - cover.corner
    near = ((places >= 0) & (places < cover.mask.shape[::-1])).all(axis=1)
    return float(cover.mask[places[near, 1], places[near, 0]].sum() / len(places))


def _opened(knot: Candidate, judged: Sequence[Judged]) -> bool:
    """Tell whether a knot's middle is gone: what is dark in it is the hole."""
    wide = (c for c, j in judged if j.is_void and by_form(c, j).kind in (Kind.KNOT_HOLE, Kind.BARK_VOID))
    return any(shared(hole.cover, knot.cover) > WITHIN for hole in wide)


def _as_crack(judgement: Judgement) -> Judgement:
    chances = dict.fromkeys(judgement.kind_chances, 0.0) | {Kind.CRACK: CHANCE, Kind.SOUND_KNOT: 1.0 - CHANCE}
    return replace(judgement, kind=Kind.CRACK, void_probability=CHANCE, kind_chances=chances)


def _check_in(knot: Candidate, looked: Looked) -> Candidate | None:
    """Return the check of a knot, all its branches; None where there is none."""
    evened, (x, y) = looked.evened, np.array(knot.cover.corner) - looked.corner
    height, width = knot.cover.mask.shape
    box = (slice(y, y + height), slice(x, x + width))
    dark, inside = evened.dark[box], evened.seen[box] & knot.cover.mask
    laid = _laid(dark, inside)
    if laid is None:
        return None
    branches = _ways_out(laid, evened.mm_per_px)
    if not branches:
        return None
    plain = replace(evened, dark=dark - laid.rings_at(inside), seen=inside)
    if max(_lacks(points, plain.dark) for points in branches) < OPEN_LACKS:
        return None
    path, bones = _joined(branches)
    line = measured(path, bones, knot.score, plain, looked.blur_px)
    if line is None:
        return None
    area, length, mm = line.cover.area_px, line.length_px, evened.mm_per_px
    figures = knot.features | {
        "is_line": 1.0,
        "log_area": math.log(area * mm * mm),
        "log_area_px": math.log(area),
        "log_length": math.log(length * mm),
        "log_slender": math.log(length**2 / area),
        "log_axes": math.log(length**2 / area),
    }
    found = Candidate(line.cover, "line", line.score, path, line.width_max_px, line.rim_level, line.bones_px, figures)
    return moved(found, knot.cover.corner)


def _lacks(points: Floats, plain: Floats32) -> float:
    """Return what share of the light is missing along the darkest tenth of a way (N, 2) px, to a px aside."""
    columns, rows = np.round(points).astype(int).T
    darkest = cv2.erode(plain, np.ones((3, 3), np.uint8))[rows, columns]
    return 1.0 - math.exp(float(np.quantile(darkest, 0.1)))


def _joined(branches: list[Floats]) -> tuple[Floats, Floats]:
    """Return the path through the two longest branches (N, 2) px, and all points of a check whose branches meet."""
    branches = sorted(branches, key=len, reverse=True)
    if len(branches) == 1:
        return branches[0], branches[0]
    hub = np.mean([points[0] for points in branches], axis=0)
    out = [
        np.vstack([np.linspace(hub, points[0], 2 + int(np.hypot(*(points[0] - hub)))), points]) for points in branches
    ]
    return np.vstack([out[0][::-1], out[1]]), np.vstack(out)


def _laid(dark: Floats32, inside: Bools) -> _Laid | None:
    """Lay a knot out by angle and share of the way to its rim; None where it is too small."""
    rows, columns = np.nonzero(inside)
    if not len(rows):
        return None
    middle = np.array([columns.mean(), rows.mean()])
    far = float(np.hypot(columns - middle[0], rows - middle[1]).max())
    angles = max(64, math.ceil(2.0 * math.pi * far))
    turn = np.arange(angles) * (2.0 * np.pi / angles)
    steps = np.arange(math.ceil(far) + 2.0)[:, None]
    x, y = ((middle[k] + steps * way(turn)).astype(np.float32) for k, way in ((0, np.cos), (1, np.sin)))
    bare = cv2.remap(inside.view(np.uint8), x, y, cv2.INTER_NEAREST, borderValue=0)
    reach = np.asarray(bare == 0).argmax(axis=0).astype(np.float64)
    count = int(np.median(reach))
    if count < LEAST_ROWS:
        return None
    share = np.arange(count)[:, None] / count * reach
    x, y = ((middle[k] + share * way(turn)).astype(np.float32) for k, way in ((0, np.cos), (1, np.sin)))
    filled = np.where(inside, dark, np.float32(np.median(dark[inside])))
    laid = np.asarray(cv2.remap(filled, x, y, cv2.INTER_LINEAR), dtype=np.float32)
    return _Laid(laid, _rings(laid), reach, middle)


def _ways_out(laid: _Laid, mm_per_px: float) -> list[Floats]:
    """Return the checks of a knot as points (N, 2) px from near the middle outward."""
    darker = _darker(laid, max(SIDE_PX, SIDE_MM / mm_per_px))
    count, angles = darker.shape
    reach_mm = float(np.median(laid.reach_px)) * mm_per_px
    first, last = max(1, round(count * PITH_MM / reach_mm)), round(count * (1.0 - RIM_MM / reach_mm))
    if last - first < 3:
        return []
    apart = round(angles * APART_DEG / 360.0)
    found: list[Floats] = []
    for _ in range(MOST_CHECKS):
        total, rows, at = _best_way(darker, first, last)
        if total < (LEAST_BRANCH if found else LEAST_SUM):
            break
        found.append(laid.places(rows, at))
        # What lies beside a check has been asked.
        darker[:, (at[-1] + np.arange(-apart, apart + 1)) % angles] = 0.0
    return found


def _darker(laid: _Laid, side_px: float) -> Floats32:
    """Return by how many deviations each place is darker than both sides of it (rows, angles)."""
    count, angles = laid.dark.shape
    off = laid.rings - laid.dark
    gain = np.empty_like(off)
    for row, own in enumerate(off):
        # An angle is a px at the rim, and less farther in; next to the pith a quarter turn is far enough.
        side = min(max(1, round(side_px * count / max(row, 1))), angles // 4)
        around = cv2.blur(_wrapped(own, side)[None], (max(1, side // 2) | 1, 1))[0, side:-side]
        gain[row] = np.minimum(own - np.roll(around, side), own - np.roll(around, -side))
    return np.asarray((gain - np.median(gain, axis=1, keepdims=True)) / _scatter(gain), dtype=np.float32)


def _rings(dark: Floats32) -> Floats32:
    """Return what each place's row shows around it, without the checks (rows, angles)."""
    angles = dark.shape[1]
    side = max(2, round(angles * ROW_DEG / 720.0))

    def along(values: Floats32) -> Floats32:
        return np.asarray(cv2.blur(_wrapped(values, side), (2 * side + 1, 1))[:, side:-side], dtype=np.float32)

    rings = along(dark)
    for _ in range(ROUNDS):
        # What is darker than a row's own scatter is a check's, and no ring's.
        rings = along(np.maximum(dark, rings - _scatter(dark - rings)))
    return rings


def _wrapped(values: Floats32, side: int) -> Floats32:
    """Return values (..., angles) with so many from the other end put on at both ends."""
    return np.concatenate([values[..., -side:], values, values[..., :side]], axis=-1)


def _scatter(off: Floats32) -> Floats32:
    """Return the robust deviation of each row (rows, 1), smoothed over rows nearby."""
    middle = 1.4826 * np.median(np.abs(off - np.median(off, axis=1, keepdims=True)), axis=1, keepdims=True)
    return np.maximum(cv2.blur(middle.astype(np.float32), (1, 9)), np.float32(LEAST_SCATTER))


def _best_way(darker: Floats32, first: int, last: int) -> tuple[float, NDArray[np.intp], NDArray[np.intp]]:
    """Return the greatest sum of a way outward, and its rows and angles.

    A way lies between the row ``first`` and before ``last`` and runs outward at 45 degrees at most.
    """
    worth = np.clip(darker, -MOST, MOST) - np.float32(BAR)
    count, angles = worth.shape
    sums = np.zeros_like(worth)
    for row in range(first, last):
        aside = _aside(row, count)
        best = cv2.dilate(_wrapped(sums[row - 1], aside)[None], np.ones((1, 2 * aside + 1), np.uint8))
        begun = best[0, aside:-aside]
        sums[row] = np.where(begun > 0.0, begun, 0.0 if row <= count * BEGINS else -np.inf) + worth[row]
    row, angle = (int(k) for k in np.unravel_index(int(sums.argmax()), sums.shape))
    total = float(sums[row, angle])
    rows, at = [row], [angle]
    while row > first:
        aside = _aside(row, count)
        near = (angle + np.arange(-aside, aside + 1)) % angles
        row, angle = row - 1, int(near[np.argmax(sums[row - 1, near])])
        if sums[row, angle] <= 0.0:
            break
        rows.append(row)
        at.append(angle)
    return total, np.array(rows[::-1], dtype=np.intp), np.array(at[::-1], dtype=np.intp)


def _aside(row: int, count: int) -> int:
    """Return how many angles a step outward may go aside: one is a px at the rim, farther in a px is several."""
    return max(1, round(count / row))
