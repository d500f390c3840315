"""Photos taken in little light: the camera has smoothed away what it could not tell from its noise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from voidmap.model import Photo

LITTLE_LIGHT = 800.0
"""A phone's sensor set to this (ISO 12232) and more is noisy enough that its software smooths fine detail away (common
practice, no source). On 24 simulated coats with noise of 10 grey levels, smoothed by non-local means, 18 counts lay
inside their intervals (23 before) and 21 verdicts were right (24); of 14 slabs with noise of 14 levels one in seven
things called voids was none (one in nineteen before)."""


def little_light_notes(photos: Sequence[Photo], so: str) -> tuple[str, ...]:
    """Return a note for each photo that was taken in little light; ``so`` says what comes of it there."""
    return tuple(
        f"{photo.file} was taken in little light (ISO {photo.sensitivity:.0f}): phones smooth the noise of such photos "
        f"away, and fine things with it. {so} Put more light on it and photograph again."
        for photo in photos
        if photo.sensitivity is not None and photo.sensitivity >= LITTLE_LIGHT
    )
