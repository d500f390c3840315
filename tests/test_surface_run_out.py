"""Cracks that end just before the slab's edge, on drawn tops: they open there, as wide as they are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.follow import as_line
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.rim import cover_of
from voidmap.surface.run_out import EDGE_MM, run_out

MM_PER_PX = 0.5
CORNER = (7, 5)
"""The evened picture is cut out of one that is so much wider on the left and the top."""
EDGE_PX = 370
"""The slab's first column of the cut that is bench."""
CRACK, STAIN = Judgement(Kind.CRACK, 0.9, {}), Judgement(Kind.STAIN, 0.1, {})


def a_top(covered_from: int = 400) -> Looked:
    seen = np.ones((160, 400), bool)
    mask, covered = seen.copy(), ~seen
    mask[:, EDGE_PX:] = False
    covered[:, covered_from:EDGE_PX] = True
    slab = SlabFound(mask, covered, np.zeros((4, 2)), ("sawn",) * 4, 0.1, False)
    colours, cells = np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool)
    evened = Evened(np.zeros(seen.shape, np.float32), seen, ~seen, colours, cells, 1, 0.0, MM_PER_PX)
    return Looked((), evened, 0.8, CORNER, slab)


def a_crack(end: int, start: int = 200, rise: int = 0) -> Candidate:
    """A dark line of 5 px from one column of the cut to another."""
    share = np.zeros((160, 400), np.float32)
    cv2.line(share, (start, 80), (end, 80 + rise), 1.0, 5)
    cover = cover_of(share, CORNER)
    assert cover is not None
    count = 1 + int(np.hypot(end - start, rise))
    path = np.column_stack([np.linspace(start, end, count), np.linspace(80, 80 + rise, count)]) + CORNER
    figures = {"log_length": float(np.log(MM_PER_PX * (count - 1)))}
    return Candidate(cover, "line", 9.0, path, 5.0, bones_px=path, features=figures)


def last_column(found: Candidate) -> float:
    return float(found.cover.outline_px[:, 0].max()) - CORNER[0]


def test_a_crack_that_ends_just_before_the_edge_opens_there_with_its_own_width() -> None:
    crack = a_crack(355)
    ((found, judgement),) = run_out(a_top(), [(crack, CRACK)])
    assert judgement is CRACK
    assert last_column(found) == pytest.approx(EDGE_PX - 0.5, abs=0.6)
    # A strip's area is its width times its length; the crack's own round tip is a part of it.
    width, tip = crack.cover.mask[:, 300].sum(), crack.cover.mask[:, 356:].sum()
    added = found.cover.area_px - crack.cover.area_px
    assert added == pytest.approx(width * (EDGE_PX - 356) - tip, rel=0.05)
    assert np.exp(found.features["log_length"]) == pytest.approx(MM_PER_PX * (EDGE_PX - 200), abs=1.0)
    assert found.path_px is not None
    assert found.path_px[:, 0].max() - CORNER[0] == pytest.approx(EDGE_PX, abs=1.5)


def test_it_goes_on_in_its_own_direction() -> None:
    ((found, _),) = run_out(a_top(), [(a_crack(350, rise=30), CRACK)])
    assert found.path_px is not None
    assert found.path_px[-1, 1] - CORNER[1] == pytest.approx(80 + 30 * (EDGE_PX - 200) / 150, abs=1.0)


def test_where_the_slab_fills_the_picture_the_crack_ends_with_it() -> None:
    ((found, _),) = run_out(a_top(), [(a_crack(200, start=8), CRACK)])
    assert found.cover.outline_px[:, 0].min() - CORNER[0] == pytest.approx(-0.5, abs=0.6)
    assert found.cover.corner[0] >= CORNER[0]


@pytest.mark.parametrize("end", [EDGE_PX - 3 - round(EDGE_MM / MM_PER_PX), 300])
def test_one_that_ends_far_from_the_edge_stays(end: int) -> None:
    crack = a_crack(end)
    assert run_out(a_top(), [(crack, CRACK)])[0][0] is crack


def test_one_shorter_than_the_way_to_the_edge_stays() -> None:
    crack = a_crack(352, start=340)
    assert run_out(a_top(), [(crack, CRACK)])[0][0] is crack


def test_what_is_flat_stays_and_so_does_what_ends_at_a_board() -> None:
    crack = a_crack(355)
    assert run_out(a_top(), [(crack, STAIN)])[0][0] is crack
    assert run_out(a_top(covered_from=360), [(crack, CRACK)])[0][0] is crack


def test_a_crack_found_as_a_patch_runs_out_too() -> None:
    line = a_crack(355)
    patch = Candidate(line.cover, "patch", 0.0, features={"log_slender": 4.0, "log_length": 4.3})
    ((found, _),) = run_out(a_top(), [(patch, CRACK)])
    assert found.source == "patch"
    assert last_column(found) == pytest.approx(EDGE_PX - 0.5, abs=0.6)


@pytest.mark.parametrize(("length_mm", "line"), [(60.0, True), (140.0, False)])
def test_a_patch_wider_than_a_line_is_measured_is_not_taken_for_one(length_mm: float, line: bool) -> None:
    # A twelfth as wide as long: 5 mm, or 12 mm where a line is measured no wider than 8.
    figures = {"log_slender": float(np.log(12.0)), "log_length": float(np.log(length_mm))}
    patch = Candidate(a_crack(355).cover, "patch", 0.0, features=figures)
    assert (as_line((patch, CRACK)) is not None) is line
