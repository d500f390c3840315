"""What is wrong with a scale, each fault in its own sentence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.model import Photo, Plane


def why_no_board(grey: NDArray[np.uint8], file: str) -> ScaleError:
    """Say why a photo shows no board that can be read."""
    return ScaleError(
        f"no scale board can be read in {file}",
        "lay a printed board flat on the slab with all of it in view, in focus and without glare, and photograph again",
    )


def plane_notes(photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[str, ...]:
    """Say what the user should know of the scale; nothing here stops the work."""
    return ()
