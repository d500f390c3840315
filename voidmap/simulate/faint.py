"""Can a pinhole be told from the noise of its own photo? A plain observer's answer.

The pinhole's signal is the photo with it less the photo without it, both as they are on average. The ground is the
photo without any: its noise is the sensor's, the wood's own texture, and what JPEG gets wrong. An observer who knows
the signal's shape lays it over the photo and adds up; the index d' is that sum over its spread where no pinhole is
(the non-prewhitening matched filter, which predicts how people see in noise). In white noise it is the best index
there is. Below Rose's criterion the pinhole is lost in the noise.

Sources (from memory): A. Rose, Vision: Human and Electronic (1973): an object in noise is seen from a ratio of about
5; A. Burgess, Statistically defined backgrounds (1994); H. Barrett, K. Myers, Foundations of Image Science (2004).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from voidmap.simulate.noise import F32

FAINT_INDEX = 5.0
"""Rose's criterion: below this index a pinhole can't be told from the noise."""
SMALLEST_BLOCK_PX = 16
"""Blocks of the power spectrum are at least this wide: eight frequencies either way."""
BLOCKS = 5
"""Blocks along a side of the neighbourhood, half overlapping: 25 spectra are averaged."""


def detectability(signal: F32, ground: F32, error: F32 | None, at_px: tuple[float, float], reach_px: float) -> float:
    """Return the index d' of the observer for one pinhole.

    Parameters
    ----------
    signal
        (H, W) grey: the photo with pinholes less the photo without, free of noise.
    ground, error
        (H, W) grey: the photo without pinholes before JPEG, and what JPEG changes in it (None: nothing).
    at_px, reach_px
        The pinhole's centre (x, y), and how far its signal reaches; beyond is another's.
    """
    n = SMALLEST_BLOCK_PX
    while n < 2 * reach_px + 2:
        n *= 2
    x, y = round(at_px[0]), round(at_px[1])
    own = _cut(signal, x - n // 2, y - n // 2, n, n)
    axis = np.arange(n) - n // 2
    own = own * (np.hypot(axis[None, :] + x - at_px[0], axis[:, None] + y - at_px[1]) <= reach_px)
    side = n // 2 * (BLOCKS + 1)
    power = _spectrum(_cut(ground, x - side // 2, y - side // 2, side, side), n)
    if error is not None:
        power = power + _spectrum(_cut(error, x - side // 2, y - side // 2, side, side), n)
    energy = np.abs(np.fft.fft2(own)) ** 2
    energy[0, 0] = 0.0  # the level of the ground is not known beforehand
    spread = np.sqrt((energy * power).sum())
    return float(energy.sum() / (n * spread)) if spread > 0 else 0.0


def _spectrum(around: F32, n: int) -> NDArray[np.float64]:
    """Mean power spectrum of the half overlapping blocks (P. Welch, 1967)."""
    window = np.outer(np.hanning(n + 2)[1:-1], np.hanning(n + 2)[1:-1])
    steps = range(0, around.shape[0] - n + 1, n // 2)
    blocks = np.stack([around[i : i + n, j : j + n] for i in steps for j in steps]).astype(np.float64)
    blocks -= blocks.mean(axis=(1, 2), keepdims=True)
    power = (np.abs(np.fft.fft2(blocks * window)) ** 2).mean(axis=0) / (window**2).sum()
    # rounding to whole grey steps alone leaves 1/12
    return np.asarray(np.maximum(power, 1 / 12), dtype=np.float64)


def _cut(field: F32, left: int, top: int, width: int, height: int) -> F32:
    """Cut a rectangle, the border mirrored."""
    rows = np.abs(np.arange(top, top + height))
    columns = np.abs(np.arange(left, left + width))
    rows = np.where(rows >= field.shape[0], 2 * field.shape[0] - 2 - rows, rows).clip(0, field.shape[0] - 1)
    columns = np.where(columns >= field.shape[1], 2 * field.shape[1] - 2 - columns, columns)
    return np.asarray(field[np.ix_(rows, columns.clip(0, field.shape[1] - 1))], dtype=np.float32)
