"""Find how two pictures of the same wood lie to each other when nothing is known: any turn, any shift.

The pictures' spectra tell about how one is turned against the other (but not which way round); at each trial turn a
correlation, whitened by half, gives the shift: it stands far over its noise when the turn is right to a degree.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from voidmap.coat.bend import Move
from voidmap.coat.ground import Floats32
from voidmap.coat.sheets import Sheet, shrunk, warped
from voidmap.model import Floats

COARSE_MM = 1.6
"""Grid of the search, mm: fills' edges, knots and the longest pores are still there."""
SPECTRUM_STEP_DEG = 0.5
BAND = (0.04, 0.42)
"""Frequencies of the spectrum that are compared, cycles a pixel: between the picture's own shape and its noise."""
TURN_STEP_DEG = 1.5
"""Three quarters of a degree off, the middle half of two pictures still agrees to a pixel of the coarse grid."""
STANDS_OUT = 24.0
"""A peak this many times its correlation's own spread is the right turn: of 100 wrong ones the best reaches 19."""
MOST_GUESSES = 3


def guesses(new: Sheet, reference: Sheet) -> Iterator[Move]:
    """Yield moves that may carry the new picture onto the reference, the likeliest first."""
    new_small, ref_small = _shrunk(new), _shrunk(reference)
    search = _Search(new_small, ref_small)
    tried: list[tuple[float, Move]] = []
    for turn in _turns(_spectrum_turn(new_small, ref_small)):
        tried.append(search.tried(turn))
        if tried[-1][0] >= STANDS_OUT:
            finer = [search.tried(turn + k * TURN_STEP_DEG / 3) for k in (-2, -1, 1, 2)]
            yield max([tried.pop(), *finer], key=lambda t: t[0])[1]
    tried.sort(key=lambda t: -t[0])
    for _, move in tried[:MOST_GUESSES]:
        yield move


def _turns(nearest_deg: float) -> Iterator[float]:
    """Yield all turns, those near the spectra's one or opposite to it first."""
    count = round(180.0 / TURN_STEP_DEG)
    for k in range(count):
        step = (k + 1) // 2 * TURN_STEP_DEG * (1 if k % 2 else -1)
        yield nearest_deg + step
        yield nearest_deg + 180.0 + step


def _spectrum_turn(new: Sheet, reference: Sheet) -> float:
    """Turn by which the new picture's spectrum best falls on the reference's, in [0, 180) deg."""
    side = cv2.getOptimalDFTSize(max(*new.wood.shape, *reference.wood.shape))
    a, b = (_polar(sheet, side) for sheet in (new, reference))
    product = np.conj(np.fft.rfft(a, axis=0)) * np.fft.rfft(b, axis=0)
    match = np.fft.irfft(product, n=len(a), axis=0).mean(axis=1)
    return float(np.argmax(match)) * SPECTRUM_STEP_DEG


def _polar(sheet: Sheet, side: int) -> Floats32:
    """Return the logarithm of the spectrum over (angle, frequency), each frequency evened over the angles."""
    size = np.abs(np.fft.fftshift(np.fft.fft2(_padded(sheet, side)))).astype(np.float32)
    size = np.log(cv2.blur(size, (3, 3)) + np.float32(1e-3))
    angle = np.deg2rad(np.arange(0.0, 180.0, SPECTRUM_STEP_DEG))
    radius = np.linspace(*BAND, side // 3) * side
    at_x = (side // 2 + np.outer(np.cos(angle), radius)).astype(np.float32)
    at_y = (side // 2 + np.outer(np.sin(angle), radius)).astype(np.float32)
    polar = cv2.remap(size, at_x, at_y, cv2.INTER_LINEAR)
    polar = polar - polar.mean(axis=0)
    return np.asarray(polar / (polar.std(axis=0) + 1e-6), dtype=np.float32)


def _shrunk(sheet: Sheet) -> Sheet:
    times = max(1, round(COARSE_MM / sheet.mm_per_px))
    step = times * sheet.mm_per_px
    shift = (step - sheet.mm_per_px) / 2
    counts = np.where(shrunk(sheet.counts, times) == 255, 255, 0)
    return Sheet(
        np.asarray(shrunk(sheet.wood, times), dtype=np.float32),
        np.asarray(counts, dtype=np.uint8),
        sheet.x0_mm + shift,
        sheet.y0_mm + shift,
        step,
    )


def _padded(sheet: Sheet, side: int) -> Floats32:
    out = np.zeros((side, side), np.float32)
    height, width = sheet.wood.shape
    out[:height, :width] = sheet.wood
    return out


class _Search:
    """Correlations of two pictures at trial turns; both lie in a square where no end meets the other's beginning."""

    def __init__(self, new: Sheet, reference: Sheet) -> None:
        from scipy import fft

        self._new, self._reference = new, reference
        height, width = new.wood.shape
        self._across = int(np.ceil(np.hypot(width, height) * new.mm_per_px / reference.mm_per_px))
        self._side = fft.next_fast_len(self._across + max(reference.wood.shape), real=True)
        self._goal = fft.rfft2(_padded(reference, self._side))
        self._middle_mm = new.to_mm(np.array([[(width - 1) / 2, (height - 1) / 2]]))[0]

    def tried(self, turn_deg: float) -> tuple[float, Move]:
        """Return how far the peak stands over the rest at one turn (sigmas), and the move that it means."""
        from scipy import fft

        step, across, side = self._reference.mm_per_px, self._across, self._side
        back = Move(0.0, 0.0, turn_deg).inverse()
        half = (across - 1) / 2

        def own(px: Floats) -> Floats:
            return np.asarray(back((px - half) * step) + self._middle_mm, dtype=np.float64)

        square = np.zeros((side, side), np.float32)
        square[:across, :across] = warped(self._new, (across, across), own)[0]
        product = self._goal * np.conj(fft.rfft2(square))
        product /= np.sqrt(np.abs(product)) + 1e-6
        match = fft.irfft2(product, s=(side, side))
        row, column = np.unravel_index(int(np.argmax(match)), match.shape)
        spread = float(match.std())
        peak = float(match[row, column]) / spread if spread > 0 else 0.0
        shift = np.array([column, row], dtype=np.float64)
        shift = np.where(shift > side - across, shift - side, shift)
        there = self._reference.to_mm(shift[None] + half)[0] - Move(0.0, 0.0, turn_deg)(self._middle_mm[None])[0]
        return peak, Move(float(there[0]), float(there[1]), turn_deg)
