"""How a line runs: a crack keeps to the fibres, what a fungus or a pencil draws wanders as it likes.

Spalted wood has thin black lines that turn about and come back to where they began (common practice, no source); a
crack turns little and ends far from its other end. One such line may look like a crack that is off the grain; where
many lines wander that are as dark as it, it is one of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from voidmap.model import Floats

# How a line turns is told by chords of this length, of three or more.
CHORD_MM, LEAST_CHORDS = 2.0, 3
# A line wanders when it turns by so much (radians, root mean square) from one chord to the next.
WANDERS = 0.3
# Lines are as dark as one another when their steps at the rim differ by a factor of so much (natural log); a step is
# not told below the least.
LIKE_DARK, LEAST_STEP = 0.4, 0.02
# Lengths are told by their logarithm over this.
UNIT_MM = 100.0


def run_of(path_mm: Floats) -> tuple[float, float]:
    """Return how a line (N, 2) turns from chord to chord (radians, rms), and from end to end over its length."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(path_mm, axis=0).T))]
    reach = float(np.hypot(*(path_mm[-1] - path_mm[0])) / max(along[-1], 1e-6))
    chords = int(along[-1] / CHORD_MM)
    if chords < LEAST_CHORDS:
        return 0.0, reach
    at = np.linspace(0, along[-1], chords + 1)
    steps = np.diff([np.interp(at, along, path_mm[:, k]) for k in (0, 1)])
    turns = np.diff(np.unwrap(np.arctan2(steps[1], steps[0])))
    return math.sqrt(float(np.mean(turns**2))), reach


def wandering(found: Sequence[Mapping[str, float]]) -> list[float]:
    """Return for each thing how much of other lines as dark as it wanders: log of one plus their length over 100 mm.

    Parameters
    ----------
    found
        The figures of all things of one picture (``features.describe``).
    """
    if not found:
        return []
    names = ("is_line", "turning", "log_length", "step")
    line, turning, length, step = np.array([[one[name] for name in names] for one in found], dtype=float).T
    dark = np.log(np.maximum(step, LEAST_STEP))
    like = np.abs(dark - dark[:, None]) < LIKE_DARK
    np.fill_diagonal(like, val=False)
    wanders_mm = np.exp(length) * (line > 0) * (turning > WANDERS)
    return [math.log1p(float(total) / UNIT_MM) for total in like @ wanders_mm]
