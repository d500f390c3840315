"""The photo's own blur, from the sharpness of its board's edges."""

from __future__ import annotations

SIGMA_BY_MTF50 = 0.1874
"""A Gaussian blur of sigma px halves contrast at sqrt(ln 2 / 2) / (pi sigma) = 0.1874 / sigma cycles per px."""
USUAL_MTF50 = 0.25
"""Of a phone's picture in focus (common practice, no source): taken when no edge could be measured."""


def of_sharpness(mtf50: float | None) -> float:
    """Return the blur (1 sigma, px) from MTF50 in cycles per px; None takes the usual one."""
    return SIGMA_BY_MTF50 / (mtf50 or USUAL_MTF50)
