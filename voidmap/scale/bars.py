"""The printed check bars as they were measured: how far the print is stretched, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from voidmap.errors import ValueRefused
from voidmap.model import Floats
from voidmap.scale.boards import BAR_MM

Bar: TypeAlias = float | Sequence[float]
"""A check bar as measured, mm: one reading, or one for each board that was measured; none when it was not."""
READING_SD_MM = 0.05
"""Reading a 100 mm bar with a steel rule or calliper: within 0.1 mm nineteen times in twenty (common practice)."""
RULE_SD_MM = 0.02 / 3**0.5
"""The rule or calliper itself, the same in every reading: ± 0.02 mm, even over its width (common practice)."""
UNREAD_SD = 0.001
"""A print at "actual size" whose bars were not read: printers feed true to 0.1 or 0.2 % (common practice)."""
MOST_STRETCH = 0.06
"""A bar further than this from 100 mm was not printed at actual size ("fit to page" gives 3 to 6 %)."""
MOST_APART_MM = 0.5
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
    mean = np.array([np.log(np.mean(bars) / BAR_MM) if bars else 0.0 for bars in read])
    own = [(READING_SD_MM**2 - RULE_SD_MM**2) / len(bars) / BAR_MM**2 if bars else UNREAD_SD**2 for bars in read]
    covariance = np.diag(own)
    given = np.array([float(bool(bars)) for bars in read])
    return mean, covariance + (RULE_SD_MM / BAR_MM) ** 2 * np.outer(given, given)


def _readings(name: str, bar: Bar) -> list[float]:
    bars = [float(b) for b in (bar if isinstance(bar, Sequence) else [bar])]
    for value in bars:
        if not abs(value / BAR_MM - 1) <= MOST_STRETCH:
            raise ValueRefused(
                f"a check bar of {value:g} mm along {name} can't be right for one drawn 100 mm long",
                'measure it again, and print at "actual size", not "fit to page"',
            )
    if bars and max(bars) - min(bars) > MOST_APART_MM:
        raise ValueRefused(
            f"check bars of {min(bars):g} and {max(bars):g} mm along {name} are not of one print",
            "measure them again, and print all boards with one printer in one go",
        )
    return bars
