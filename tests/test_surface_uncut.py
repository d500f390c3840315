"""An uncut sheet tells how large its board was printed: fitted to the page, it needs its bars measured."""

from dataclasses import replace

import numpy as np
import pytest
from scale_scenes import View, board, photo

from voidmap.errors import ScaleError
from voidmap.scale import rectify, solve_planes
from voidmap.scale.sheet_pdf import OFF_PAGE_MM, PAPERS_MM
from voidmap.simulate.sheets import PATTERN_MM
from voidmap.surface import refuse_rescaled
from voidmap.surface.uncut import uncut_paper

VIEW = View(height=620, lean=(5, -4))
FITTED = 0.97
"""Common practice, no source: "fit to page" prints 94 to 97 % of the size."""
PATTERN = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 150.0], [0.0, 150.0]])


def margins(paper, ratio):
    """Margins (left, top, right, bottom), mm as drawn, of an uncut sheet printed at a ratio about its page's middle."""
    around = [(side / ratio - own) / 2 for side, own in zip(PAPERS_MM[paper], PATTERN_MM, strict=True)]
    x, y = OFF_PAGE_MM
    return around[0] + x, around[1] + y, around[0] - x, around[1] - y


def sheet_of(left, top, right, bottom):
    return np.array([[-left, -top], [210 + right, -top], [210 + right, 150 + bottom], [-left, 150 + bottom]])


def printed(number, x, y, turn, paper, ratio):
    return replace(board(number, x, y, turn), margins_mm=margins(paper, ratio), stretch=(ratio, ratio))


def seen(*laid):
    shot = photo(VIEW, *laid)
    (plane,) = solve_planes([shot])
    return rectify(shot, plane), plane.patterns_mm


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_boards_fitted_to_the_page_are_refused(paper):
    ortho, patterns = seen(printed(0, -330, -200, 4, paper, FITTED), printed(1, 60, 0, -6, paper, FITTED))
    with pytest.raises(ScaleError, match=r"print is 3% too small.*--bar-x"):
        refuse_rescaled(ortho, patterns)


def test_boards_printed_true_pass():
    refuse_rescaled(*seen(printed(0, -330, -200, 4, "a4", 1.0), printed(1, 60, 0, -6, "letter", 1.0)))


def test_cut_sheets_say_nothing():
    refuse_rescaled(*seen(board(0, -330, -200, 4), replace(board(1, 60, 0, -6), margins_mm=(28.0, 25.0, 30.0, 26.0))))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("ratio", [0.94, 0.97, 1.0, 1.03])
def test_print_is_read_off_its_paper(paper, ratio):
    told = uncut_paper(sheet_of(*margins(paper, ratio)), PATTERN)
    assert told == (paper, pytest.approx(ratio))


def test_a_cut_margin_is_noticed():
    left, top, right, bottom = margins("a4", FITTED)
    assert uncut_paper(sheet_of(left - 10, top, right, bottom), PATTERN) is None
    assert uncut_paper(sheet_of(left - 5, top - 5, right - 5, bottom - 5), PATTERN) is None
    slanting = sheet_of(left, top, right, bottom)
    slanting[0, 0] += 4.0
    assert uncut_paper(slanting, PATTERN) is None


def test_sheets_cut_at_random_hardly_ever_look_uncut():
    rng = np.random.default_rng(8)
    told = [uncut_paper(sheet_of(*rng.uniform(5, 45, 4)), PATTERN) for _ in range(4000)]
    assert sum(t is not None for t in told) < 0.005 * len(told)
