"""The printed check bars as they were measured: how far the print is stretched, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from voidmap.errors import ValueRefused
from voidmap.model import Floats
from voidmap.scale.boards import BARS_MM, SHORT_BAR_MM

Bar: TypeAlias = float | Sequence[float]
"""A check bar as measured, mm: one reading, or one for each board that was measured; none when it was not."""
READING_SD_MM = 0.05
"""Reading a bar with a steel rule or calliper: within 0.1 mm nineteen times in twenty (common practice)."""
RULE_SD = 2e-4 / 3**0.5
"""The rule or calliper itself, the same in every reading: ± 0.02 %, even over its width (common practice)."""
UNREAD_SD = 0.001
"""A print at "actual size" whose bars were not read: printers feed true to 0.1 or 0.2 % (common practice)."""
MOST_STRETCH = 0.06
"""A bar further than this from its length was not printed at actual size ("fit to page" gives 3 to 6 %)."""
MOST_APART = 0.005
"""Bars of boards from one printer differ by less than they can be misread; further apart, a board is of another."""


def stretch_of(bar_x_mm: Bar, bar_y_mm: Bar) -> tuple[Floats, Floats]:
    """Return the logarithm of the print's stretch along x and y, (2,), and its covariance (2, 2).

    Each reading errs on its own, and averages out over the boards; the rule's own error is in all of them.

    Raises
    ------
    ValueRefused
        When a bar can't be right, or bars that should be the same are not.
    """
    read = [_readings(name, bar) for name, bar in (("x", bar_x_mm), ("y", bar_y_mm))]
    means, own = zip(*(_stretch(bars, drawn) for bars, drawn in read), strict=True)
    given = np.array([float(len(bars) > 0) for bars, _ in read])
    return np.array(means), np.diag(own) + RULE_SD**2 * np.outer(given, given)


def reading_sd(drawn_mm: Floats | Sequence[float]) -> float:
    """Return what readings of bars of these lengths (N,) leave open of the stretch, each on its own (no rule's)."""
    return float(READING_SD_MM / np.linalg.norm(drawn_mm))


def _stretch(bars: Floats, drawn: Floats) -> tuple[float, float]:
    """Return the logarithm of the stretch and its variance, without the rule's."""
    if not len(bars):
        return 0.0, UNREAD_SD**2
    # A reading's error is the same in mm: a longer bar counts by the square of its length.
    return float(np.average(np.log(bars / drawn), weights=drawn**2)), reading_sd(drawn) ** 2


def _readings(name: str, bar: Bar) -> tuple[Floats, Floats]:
    """Return readings and lengths drawn (N,) mm: each reading is of the bar that it is nearest to."""
    bars = np.array(bar if isinstance(bar, Sequence) else [bar], dtype=np.float64)
    drawn = np.array([min(_lengths(name), key=lambda length: abs(length - value)) for value in bars])
    for value, length in zip(bars, drawn, strict=True):
        if not abs(value / length - 1) <= MOST_STRETCH:
            raise ValueRefused(
                f"a check bar of {value:g} mm along {name} can't be right for one drawn {length:g} mm long",
                'measure it again, and print at "actual size", not "fit to page"',
            )
    order = np.argsort(bars / drawn)
    if len(bars) and np.ptp(bars / drawn) > MOST_APART:
        raise ValueRefused(
            f"check bars of {bars[order[0]]:g} and {bars[order[-1]]:g} mm along {name} are not of one print",
            "measure them again, and print all boards with one printer in one go",
        )
    return bars, drawn


def _lengths(name: str) -> tuple[float, float]:
    return BARS_MM[name], SHORT_BAR_MM
