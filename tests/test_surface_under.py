"""What of a void lies under a board: against drawn discs and lines whose hidden part is known."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest
from slab_scenes import disc, rectangle

from voidmap import depth
from voidmap.job.intake_notes import covered_notes, hidden_notes
from voidmap.model import Floats, Ortho, Region, SlabFound
from voidmap.records import Defect, DepthEstimate, Hidden, Interval, Kind
from voidmap.surface import hidden_parts

MM_PER_PX, SIZE = 0.25, 1200
GRAIN_DEG = 0.0


def a_slab(*boards_mm: Floats) -> tuple[Ortho, SlabFound]:
    """Return a top of 300 mm a side with its middle at (0, 0), bare but for the boards."""
    everywhere, covered = np.ones((SIZE, SIZE), bool), np.zeros((SIZE, SIZE), np.uint8)
    low = -SIZE / 2 * MM_PER_PX
    ortho = Ortho(np.zeros((SIZE, SIZE, 3), np.uint8), everywhere, low, low, MM_PER_PX)
    for board in boards_mm:
        cv2.fillPoly(covered, [np.round(ortho.to_px(board)).astype(np.int32)], 1)
    outline = rectangle(300, 300)
    return ortho, SlabFound(everywhere, covered > 0, outline, ("sawn",) * 4, 0.1, False)


def bare(kind: Kind, outline_mm: Floats, ortho: Ortho, slab: SlabFound) -> Region:
    """Return what a photo shows of a void."""
    mask = np.zeros(slab.mask.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(ortho.to_px(outline_mm)).astype(np.int32)], 1)
    mask[slab.covered] = 0
    rim = max(cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len).reshape(-1, 2)
    area, long = float(mask.sum()) * MM_PER_PX**2, float(np.ptp(rim, axis=0).max()) * MM_PER_PX
    return Region(
        mask > 0, (0, 0), ortho.to_mm(rim), kind, 1.0, {kind: 1.0}, area, Interval(area, area), long, area / long,
        area / long, 2 * long, False, 0.0, 0.0, {},
    )  # fmt: skip


def moved(outline_mm: Floats, x_mm: float) -> Floats:
    return outline_mm + np.array([x_mm, 0.0])


def area_mm2(part: Hidden) -> float:
    return sum(cv2.contourArea(np.array(rim, np.float32)) for rim in part.outlines_mm)


BOARD = rectangle(120, 150) + np.array([60.0, 0.0])
"""Its left edge runs along x = 0."""


@pytest.mark.parametrize("middle_mm", [-12.0, 0.0, 12.0])
@pytest.mark.parametrize(("kind", "stretch"), [(Kind.KNOT_HOLE, 1.0), (Kind.BARK_VOID, 3.0)])
def test_the_hidden_part_of_an_ellipse_is_the_rest_of_it(kind: Kind, stretch: float, middle_mm: float) -> None:
    # A circle's segment: r² (a - sin a cos a), a = arccos(d / r), d the chord's distance from the middle.
    ortho, slab = a_slab(BOARD)
    radius, d = 20.0, -middle_mm
    (part,) = hidden_parts(
        [bare(kind, disc(radius) * [stretch, 1.0] + [stretch * middle_mm, 0.0], ortho, slab)],
        ortho, slab, grain_deg=GRAIN_DEG,
    )  # fmt: skip
    half = np.arccos(d / radius)
    assert part is not None
    assert area_mm2(part) == pytest.approx(stretch * radius**2 * (half - np.sin(half) * np.cos(half)), rel=0.1)


def test_more_is_expected_the_farther_a_void_is_cut_and_of_a_crack_the_less_was_seen() -> None:
    ortho, slab = a_slab(BOARD)
    knots = [bare(Kind.KNOT_HOLE, moved(disc(20), x), ortho, slab) for x in (-12.0, 0.0, 12.0)]
    cracks = [bare(Kind.CRACK, rectangle(2 * long, 1.5), ortho, slab) for long in (100.0, 50.0, 25.0)]
    for few in (knots, cracks):
        shares = [hidden_parts([r], ortho, slab, grain_deg=GRAIN_DEG)[0].share for r in few]
        assert all(less < more for less, more in pairwise(shares))
    # Of a round hole that is cut in two, with the same floor on both sides, as much lies under the board.
    assert hidden_parts([knots[1]], ortho, slab, grain_deg=GRAIN_DEG)[0].share == pytest.approx(1.0, rel=0.35)


def test_void_that_two_boards_cut_goes_on_under_both() -> None:
    ortho, slab = a_slab(moved(BOARD, 8.0), moved(rectangle(120, 150), -68.0))
    (part,) = hidden_parts([bare(Kind.KNOT_HOLE, disc(20), ortho, slab)], ortho, slab, grain_deg=GRAIN_DEG)
    assert part is not None
    places = [np.mean(rim, axis=0)[0] for rim in part.outlines_mm]
    assert len(places) == 2
    assert min(places) < -8 < 8 < max(places)


def test_nothing_is_hidden_of_what_lies_bare_or_runs_along_a_board_or_is_flat() -> None:
    ortho, slab = a_slab(BOARD)
    free = bare(Kind.KNOT_HOLE, moved(disc(20), -25.0), ortho, slab)
    along = bare(Kind.CRACK, moved(rectangle(2.0, 60.0), -1.0), ortho, slab)
    flat = bare(Kind.SOUND_KNOT, disc(20), ortho, slab)
    assert hidden_parts([free, along, flat], ortho, slab, grain_deg=GRAIN_DEG) == (None, None, None)


def test_a_volume_counts_what_is_expected_under_the_board() -> None:
    # Closed form: of a log-normal, 95 % lie below its median times exp(1.645 sigma).
    known = (DepthEstimate("probe", 10.0, 20.0, 1e-4),)
    none, square = Interval(0.0, 0.0), ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0))
    seen = Defect(
        id="D01", kind=Kind.BARK_VOID, is_void=True, void_probability=1.0, area_mm2=1000.0,
        area_interval_mm2=Interval(1000.0, 1000.0), length_mm=40.0, width_mean_mm=25.0, width_max_mm=30.0,
        outline_mm=square, outline_px=square, opens_on_edge=False, edge_opening_mm=0.0, through=False,
        depth=depth.fuse(known, thickness_mm=40.0), volume_ml=0.0, volume_interval_ml=none,
    )  # fmt: skip
    cut = replace(seen, hidden=Hidden(0.5, 0.8, (square,), 0.0, none))
    (alone,), before = depth.volumes([seen], scale_rel=0.0, missed_ml=0.0)
    (whole,), after = depth.volumes([cut], scale_rel=0.0, missed_ml=0.0)
    assert whole.hidden is not None
    assert (whole.hidden.volume_ml, whole.volume_ml) == pytest.approx((5.0, 15.0), rel=0.01)
    assert whole.hidden.volume_interval_ml == pytest.approx((0.0, 5.0 * np.exp(1.645 * 0.8)), rel=0.03)
    assert after.volume_ml == pytest.approx(before.volume_ml + 5.0, rel=0.01)
    assert after.volume_interval_ml.hi > before.volume_interval_ml.hi + 5.0
    assert alone.hidden is None
    each, total = hidden_notes([whole, replace(alone, id="D02")], pegs=False)
    assert each.startswith("D01 goes on under a board: 0 to ")
    assert "(19 ml)" in total
    assert "move them and photograph again" in total


def test_how_much_of_the_top_is_hidden_is_said() -> None:
    (note,) = covered_notes(a_slab(BOARD)[1])
    # 120 x 150 mm of 300 x 300 mm.
    assert "hide 20% of it" in note
    assert "total's interval" in note
    assert covered_notes(a_slab()[1]) == ()
