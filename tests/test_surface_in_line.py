"""Lines in line on drawn tops: what is one crack is joined, what is not stays apart, what goes on is likely one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.doubtful import MOST_DOUBTFUL, WIDEST_IN_DOUBT_MM, crack_chance, doubtful_lines, likely_cracks
from voidmap.surface.features import Candidate
from voidmap.surface.in_line import joined_in_line
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.lines import end_to_end
from voidmap.surface.merge import Judged, merged
from voidmap.surface.rim import cover_of

MM_PER_PX = 0.5
CORNER = (7, 5)
"""The evened picture is cut out of one that is so much wider on the left and the top."""
CALLED, DOUBTFUL, UNLIKELY = Judgement(Kind.CRACK, 0.9, {}), Judgement(None, 0.3, {}), Judgement(None, 0.04, {})
WHOLE = SlabFound(np.ones((160, 400), bool), np.zeros((160, 400), bool), np.zeros((4, 2)), ("sawn",) * 4, 0.1, False)

Ends = tuple[tuple[float, float], tuple[float, float]]


def a_line(ends: Ends, wide_px: int = 1, **figures: float) -> Candidate:
    """A straight dark line between two points of the cut."""
    share = np.zeros((160, 400), np.float32)
    first, last = (tuple(int(v) for v in end) for end in ends)
    cv2.line(share, first, last, 1.0, wide_px)
    cover = cover_of(share, CORNER)
    assert cover is not None
    path = np.linspace(*np.array(ends, dtype=float), 1 + int(np.hypot(*np.subtract(*ends)))) + CORNER
    own = {
        "log_length": float(np.log(MM_PER_PX * np.hypot(*np.subtract(*ends)))),
        "blue": 0.0,
        "at_border": 0.0,
        "log_axes": 3.0,
    }
    return Candidate(cover, "line", 9.0, path, 3.0, bones_px=path, features=own | figures)


def a_top(lines: list[Ends]) -> Evened:
    dark = np.random.default_rng(3).normal(0, 0.02, (160, 400)).astype(np.float32)
    for first, last in lines:
        cv2.line(dark, tuple(int(v) for v in first), tuple(int(v) for v in last), -0.5, 3)
    seen = np.ones(dark.shape, bool)
    return Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, MM_PER_PX)


def joined(lines: list[Ends], judgements: list[Judgement], others: list[Judged] | None = None) -> list[Judged]:
    """Join drawn lines; those called cracks are the chosen ones, as are the ``others``."""
    judged = [*zip(map(a_line, lines), judgements, strict=True), *(others or [])]
    looked = Looked(tuple(found for found, _ in judged), a_top(lines), 0.8, CORNER, WHOLE)
    return joined_in_line(looked, [item for item in judged if item[1].is_void], judged)


def columns(found: Candidate) -> tuple[float, float]:
    x = found.cover.outline_px[:, 0] - CORNER[0]
    return float(x.min()), float(x.max())


FIRST: Ends = ((40, 80), (160, 80))


def test_two_called_pieces_become_one_over_a_gap() -> None:
    ((crack, judgement),) = joined([FIRST, ((220, 80), (330, 86))], [CALLED, CALLED])
    assert columns(crack) == pytest.approx((40, 330), abs=3)
    assert np.exp(crack.features["log_length"]) == pytest.approx(MM_PER_PX * 290, rel=0.02)
    assert judgement.kind is Kind.CRACK


def test_a_doubtful_piece_joins_a_called_one_over_a_short_gap_only() -> None:
    near, far = ((190.0, 80.0), (250.0, 80.0)), ((215.0, 80.0), (300.0, 80.0))
    ((crack, _),) = joined([FIRST, near], [CALLED, DOUBTFUL])
    assert columns(crack)[1] == pytest.approx(250, abs=3)
    ((crack, _),) = joined([FIRST, far], [CALLED, DOUBTFUL])
    assert columns(crack)[1] == pytest.approx(160, abs=3)


def test_what_is_unlikely_a_void_does_not_join_and_doubtful_lines_alone_make_none() -> None:
    second = ((180.0, 80.0), (260.0, 80.0))
    ((crack, _),) = joined([FIRST, second], [CALLED, UNLIKELY])
    assert columns(crack)[1] == pytest.approx(160, abs=3)
    apart = ((300.0, 30.0), (390.0, 30.0))
    assert joined([FIRST, apart], [DOUBTFUL, DOUBTFUL]) == []


@pytest.mark.parametrize(
    "second", [((175.0, 120.0), (300.0, 120.0)), ((176.0, 82.0), (176.0, 140.0)), ((60.0, 86.0), (150.0, 86.0))]
)
def test_lines_that_do_not_point_at_each_other_stay_apart(second: Ends) -> None:
    assert len(joined([FIRST, second], [CALLED, CALLED])) == 2


def test_a_short_check_does_not_reach_farther_than_the_longer_line_is_long() -> None:
    assert len(joined([((100, 80), (125, 80)), ((165, 80), (190, 80))], [CALLED, CALLED])) == 2


def test_a_knot_that_was_traced_around_is_no_doubtful_line() -> None:
    knot = (a_line(((180.0, 80.0), (260.0, 80.0)), log_axes=float(np.log(2.0))), DOUBTFUL)
    assert doubtful_lines([], [knot]) == []
    ((crack, _),) = joined([FIRST], [CALLED], [knot])
    assert columns(crack)[1] == pytest.approx(160, abs=3)


def test_a_hole_between_two_pieces_keeps_them_apart() -> None:
    share = cv2.circle(np.zeros((160, 400), np.float32), (190, 80), 8, 1.0, -1)
    disc = cover_of(share, CORNER)
    assert disc is not None
    hole = (Candidate(disc, "patch", 0.0), Judgement(Kind.HOLE, 0.9, {}))
    assert len(joined([FIRST, ((220, 80), (330, 80))], [CALLED, CALLED], [hole])) == 3


def test_three_pieces_become_one_in_their_order() -> None:
    ((crack, _),) = joined([((200, 80), (260, 80)), FIRST, ((300, 80), (370, 80))], [CALLED, CALLED, CALLED])
    assert columns(crack) == pytest.approx((40, 370), abs=3)
    assert crack.path_px is not None
    assert (np.diff(crack.path_px[:, 0]) >= 0).all() or (np.diff(crack.path_px[:, 0]) <= 0).all()


def as_patch(line: Candidate) -> Candidate:
    """Return the same thing as it is found when it stands out as a patch: without a path."""
    slender = {"log_slender": 2 * line.features["log_length"] - float(np.log(line.cover.area_px * MM_PER_PX**2))}
    return Candidate(line.cover, "patch", 0.0, features=line.features | slender)


@pytest.mark.parametrize(("kind", "count"), [(Kind.CRACK, 1), (Kind.BARK_VOID, 2)])
def test_a_crack_that_was_found_as_a_patch_joins_a_traced_one_and_nothing_else_does(kind: Kind, count: int) -> None:
    second: Ends = ((190, 80), (330, 80))
    judged: list[Judged] = [(as_patch(a_line(FIRST)), Judgement(kind, 0.9, {})), (a_line(second), CALLED)]
    looked = Looked((), a_top([FIRST, second]), 0.8, CORNER, WHOLE)
    whole = joined_in_line(looked, judged, judged)
    assert len(whole) == count
    assert max(columns(found)[1] - columns(found)[0] for found, _ in whole) == pytest.approx(
        290 if count == 1 else 140, abs=5
    )


def test_a_piece_that_was_told_as_a_stain_is_not_told_twice() -> None:
    flat = (a_line(((190.0, 80.0), (250.0, 80.0))), Judgement(Kind.STAIN, 0.3, {}))
    crack = (a_line(FIRST), CALLED)
    looked = Looked((crack[0], flat[0]), a_top([FIRST]), 0.8, CORNER, WHOLE)
    ((joint, _),) = joined_in_line(looked, [crack, flat], [(found, judgement) for found, judgement in (crack, flat)])
    assert columns(joint)[1] == pytest.approx(250, abs=3)


MIDDLE: Ends = ((160, 80), (220, 80))
"""What was traced of a crack that shows in dashes to both sides of it."""
DASHES: list[Ends] = [((x, 80), (x + 7, 80)) for x in (*range(20, 160, 14), *range(225, 380, 14))]


def likely(found: list[Candidate], drawn: list[Ends], others: list[Judged] | None = None) -> list[Judged]:
    """Return what is likely a crack of doubtful lines on a top with these dark lines and called things."""
    judged: list[Judged] = [(candidate, Judgement(None, 0.2, {})) for candidate in found]
    looked = Looked(tuple(found), a_top(drawn), 0.8, CORNER, WHOLE)
    return likely_cracks(doubtful_lines(others or [], judged), others or [], looked)


def test_a_doubtful_line_that_goes_on_in_dashes_is_a_crack_from_end_to_end() -> None:
    found = a_line(MIDDLE)
    ((_, judgement),) = likely([found], [MIDDLE, *DASHES])
    assert judgement.kind is Kind.CRACK
    assert judgement.void_probability > 0.7
    assert likely([found], [MIDDLE]) == []


def test_pencil_and_what_lies_along_the_slabs_edge_are_no_likelier_for_going_on() -> None:
    assert likely([a_line(MIDDLE, blue=0.4)], [MIDDLE, *DASHES]) == []
    assert likely([a_line(MIDDLE, at_border=0.5)], [MIDDLE, *DASHES]) == []


def test_where_many_lines_are_doubtful_none_is_called_for_going_on() -> None:
    rows = np.linspace(12, 148, MOST_DOUBTFUL + 1)
    lines = [[((a, y), (b, y)) for (a, _), (b, _) in (MIDDLE, *DASHES)] for y in rows.tolist()]
    found = [a_line(row[0]) for row in lines]
    drawn = [line for row in lines[::4] for line in row]
    assert len(likely(found[::4], drawn)) == len(found[::4])
    assert likely(found, drawn) == []


def test_a_line_that_is_a_called_void_traced_is_not_called_beside_it() -> None:
    hole = a_line(((165, 80), (200, 80)))
    assert likely([a_line(MIDDLE)], [MIDDLE, *DASHES], [(hole, Judgement(Kind.HOLE, 0.9, {}))]) == []


def test_a_branch_of_a_called_crack_is_left_to_it() -> None:
    crack = (a_line(((190, 20), (190, 140))), CALLED)
    assert likely([a_line(MIDDLE)], [MIDDLE, *DASHES], [crack]) == []


def test_a_wide_line_in_doubt_is_no_crack_however_far_it_goes_on() -> None:
    thin, wide = (a_line(MIDDLE, wide_px) for wide_px in (1, 7))
    assert thin.cover.area_px < WIDEST_IN_DOUBT_MM * 30.0 / MM_PER_PX**2 < wide.cover.area_px
    assert len(likely([thin], [MIDDLE, *DASHES])) == 1
    assert likely([wide], [MIDDLE, *DASHES]) == []


def test_a_likely_crack_is_called_and_joins_a_called_one() -> None:
    second: Ends = ((180, 80), (240, 80))
    judged: list[Judged] = [(a_line(second), DOUBTFUL)]
    looked = Looked((judged[0][0],), a_top([second, *DASHES]), 0.8, CORNER, WHOLE)
    ((_, judgement),) = joined_in_line(looked, [], judged)
    assert judgement.is_void
    ((crack, _),) = joined([FIRST, second, *DASHES[-9:]], [CALLED, DOUBTFUL, *[UNLIKELY] * 9])
    assert columns(crack) == pytest.approx((40, 240), abs=3)


def test_the_chance_of_a_crack_rises_with_its_own_and_with_how_far_it_goes_on() -> None:
    found = a_line(MIDDLE)
    chances = [crack_chance(found, chance, onward) for chance, onward in ((0.2, 0), (0.4, 0), (0.4, 20), (0.4, 40))]
    assert chances == sorted(chances)
    assert 0.0 < chances[0]
    assert chances[-1] < 1.0


@pytest.mark.parametrize(
    ("first", "count"),
    [((150, 130), 2), ((192, 86), 1), ((200, 80), 1)],
    ids=["crosses", "ends a little beyond", "branches off"],
)
def test_lines_that_cross_stay_two_and_a_branch_is_a_part_of_its_crack(first: tuple[float, float], count: int) -> None:
    trunk, other = a_line(((40, 80), (330, 80))), a_line((first, (260, 20)))
    assert len(merged([(trunk, CALLED), (other, CALLED)], MM_PER_PX)) == count


@pytest.mark.parametrize("other", [((20, 82), (250, 79)), ((20, 100), (250, 60))], ids=["one trunk", "small angle"])
def test_two_lines_that_part_at_a_small_angle_are_a_crack_that_forks(other: Ends) -> None:
    """Each crosses the other where they run as one: none of them is dropped for the other."""
    lines = [(a_line(ends), CALLED) for ends in (((40, 80), (330, 80)), other)]
    ((crack, _),) = merged(lines, MM_PER_PX)
    assert columns(crack) == pytest.approx((20, 330), abs=3)


@pytest.mark.parametrize(("kind", "count"), [(Kind.BARK_VOID, 1), (Kind.KNOT_HOLE, 2)])
def test_a_slender_piece_belongs_to_the_bark_void_beside_it_but_not_to_a_hole(kind: Kind, count: int) -> None:
    slender = a_line(((40, 80), (120, 80)), log_slender=float(np.log(25)))
    wide = a_line(((60, 82), (100, 82)), log_slender=float(np.log(4)))
    pieces = [(slender, Judgement(Kind.BARK_VOID, 0.9, {})), (wide, Judgement(kind, 0.9, {}))]
    assert len(merged(pieces, MM_PER_PX)) == count


def test_pieces_follow_one_another_over_the_least_gaps() -> None:
    """The farthest two ends are not those of the chain: it bends back."""
    there, back = (np.linspace(*ends, 101) for ends in (((0.0, 0.0), (100.0, 0.0)), ((0.0, 40.0), (100.0, 10.0))))
    path = end_to_end([there, back])
    assert len(path) == 202
    assert np.hypot(*np.diff(path, axis=0).T).max() == pytest.approx(10.0)
