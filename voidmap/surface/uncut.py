"""The paper of a printed board as a check of its print: an uncut sheet's sides are known, and its board's place on it.

A print that a dialog has fitted to the page is 3 to 6 % small (common practice, no source), and every length taken from
it that much too long; nothing on the board itself shows it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats, Ortho
from voidmap.scale.sheet_pdf import OFF_PAGE_MM, PAPERS_MM
from voidmap.surface.covered import find_sheets

SIDES_ALIKE = 0.006
"""An uncut sheet's long and short side show the same print, within this (log): ISO 216 allows A4 2 mm in 297, and a
side is read to half a mm."""
SQUARE_MM = 2.0
"""Opposite edges of an uncut sheet are parallel, within this at its corners."""
FED_MM = 3.0
"""A printer feeds the paper within this of where it should lie."""
LEAST_REL, MOST_REL = 0.02, 0.08
"""Prints off by less are told by their bars alone; by more, the paper was cut to that size. Of sheets with margins cut
at random (5 to 45 mm) two in a thousand look uncut, most of them printed off."""


def refuse_rescaled(ortho: Ortho, patterns_mm: Sequence[Floats]) -> None:
    """Refuse boards whose uncut paper shows that they were printed smaller or larger than drawn.

    Parameters
    ----------
    ortho
        The square-on picture.
    patterns_mm
        For each board the four corners of its pattern, (4, 2) mm in the slab frame, as if it were printed true.

    Raises
    ------
    ScaleError
        When the paper of half of the boards and more shows one and the same print, and not the true one.
    """
    told = [
        uncut
        for sheet, pattern in zip(find_sheets(ortho, patterns_mm), patterns_mm, strict=True)
        if (uncut := uncut_paper(sheet, pattern)) is not None
    ]
    if not told or 2 * len(told) < len(patterns_mm):
        return
    ratios = np.array([ratio for _, ratio in told])
    ratio = float(np.median(ratios))
    if abs(ratio - 1) < LEAST_REL or np.any(np.abs(ratios - ratio) > SIDES_ALIKE):
        return
    paper, _ = told[0]
    long_mm, short_mm = PAPERS_MM[paper]
    name = {"a4": "A4", "letter": "Letter"}[paper]
    raise ScaleError(
        f"the boards' paper measures {long_mm / ratio:.0f} x {short_mm / ratio:.0f} mm by their own pattern, as uncut "
        f"{name} ({long_mm:.0f} x {short_mm:.0f}) does when the print is {abs(ratio - 1):.0%} too "
        f"{'small' if ratio < 1 else 'large'}",
        "print them again at actual size (100 %), or measure both check bars and give --bar-x and --bar-y",
    )


def uncut_paper(sheet_mm: Floats, pattern_mm: Floats) -> tuple[str, float] | None:
    """Return an uncut sheet's paper, and the print's size over the drawn one; None of a sheet that may have been cut.

    Parameters
    ----------
    sheet_mm, pattern_mm
        Corners of the sheet and of the pattern on it, (4, 2) mm, in the same order, from the board's own first corner
        along its long side.
    """
    along, down = pattern_mm[1] - pattern_mm[0], pattern_mm[3] - pattern_mm[0]
    axes = np.array([along / np.linalg.norm(along), down / np.linalg.norm(down)])
    x, y = axes @ (sheet_mm - pattern_mm.mean(axis=0)).T
    ends = np.array([[x[[0, 3]], x[[1, 2]]], [y[[0, 1]], y[[2, 3]]]])
    if np.ptp(ends, axis=2).max() > SQUARE_MM:
        return None
    (left, right), (top, bottom) = ends.mean(axis=2)
    off_page = np.array([left + right, top + bottom]) / 2 + OFF_PAGE_MM
    if np.abs(off_page).max() > FED_MM:
        return None
    for paper, (long_mm, short_mm) in PAPERS_MM.items():
        by_long, by_short = np.log(long_mm / (right - left)), np.log(short_mm / (bottom - top))
        ratio = float(np.exp((by_long + by_short) / 2))
        if abs(by_long - by_short) < SIDES_ALIKE and abs(ratio - 1) < MOST_REL:
            return paper, ratio
    return None
