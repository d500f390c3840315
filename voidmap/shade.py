"""What shade does to the tint of what it falls on.

Shade is lit by other lamps or by the sky: against the same stuff in the light its tint, the logs of red and of blue
over green in the 8-bit picture, is shifted toward the sky's by some share, and a little to either side.
"""

from __future__ import annotations

import numpy as np

from voidmap.model import Floats

SKY_TINT = np.array([-0.14, 0.23])
"""Shift of the tint from daylight of 5,500 K to that of 10,000 K (CIE 15), seen in sRGB."""
SHADE_TINT = 0.035
"""About how far a shade's tint lies to either side of that way (log units)."""


def less_sky(change: Floats) -> Floats:
    """Take off what of a change of tint (..., 2) the sky's light in a shade may make."""
    share = np.clip(change @ SKY_TINT / (SKY_TINT @ SKY_TINT), 0.0, 1.0)
    return np.asarray(change - share[..., None] * SKY_TINT)
