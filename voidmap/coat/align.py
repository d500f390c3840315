"""Lay a coat's photo onto the job's slab frame: by boards first, then by the wood itself.

A board may have been laid elsewhere, or the photo turned round: the boards then give no place, and the pictures
are searched at any turn and shift first. The fine fit draws a smooth bending through the shifts of blocks, robustly,
and states what is left. Pictures are evened along the grain before: growth rings alone would let one picture slide
along the other, what is left (pores, fills' edges, knots, pinholes) holds both ways.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.bend import Bend, Move
from voidmap.coat.coarse import guesses
from voidmap.coat.ground import Floats32
from voidmap.coat.sheets import Sheet, ready, smooth_map, warped
from voidmap.coat.shifts import SMOOTH_PX, Fitted, fine_shifts, fit_bend, wide_shifts
from voidmap.model import Floats, Ortho

__all__ = ["Alignment", "Bend", "Move", "align", "laid", "ready", "unmoved"]

SAME_PLACE = 0.12
"""Correlation from which two pictures show the same wood: that of other wood has a spread of under 0.01, by the
ten thousand and more places that are independent."""
SAME_BY_BLOCKS = 0.06
"""The same where blocks over all of them agree on one bending: other wood never came so far (80 simulated pairs of
development seeds; without that agreement up to 0.084)."""
LEAST_SHARED_MM2 = 600.0
"""Pictures that share less than this (a square of 25 mm) are not laid onto each other."""
WIDE_ROUNDS = 2
LEAST_WIDE, LEAST_FINE = 4, 6
"""Blocks needed: a turn, a shift and two scales from the wide ones, and a few to spare."""
FOR_BENDING = 24
"""Fine blocks from which the bending is fitted; with fewer a turn, a shift and two scales."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """How the new picture's frame is carried into the reference's.

    ``bend`` carries; ``correlation`` tells how alike the pictures are then, and ``rms_mm`` by what distance a place
    may be off (1 sigma over all that both reach, boards and glare too; infinite when no fit could be made).
    """

    bend: Bend
    correlation: float
    rms_mm: float

    @property
    def same_wood(self) -> bool:
        """Whether both pictures show the same place."""
        fitted = bool(np.isfinite(self.rms_mm))
        return self.correlation >= (SAME_BY_BLOCKS if fitted else SAME_PLACE)

    @property
    def move(self) -> Move:
        """The nearest turn and shift."""
        return self.bend.nearest_move()


def align(new: Sheet, reference: Sheet, *, guess: Move | None) -> Alignment:
    """Lay one picture onto another.

    Parameters
    ----------
    new, reference
        The pictures.
    guess
        What the boards say of the move; None when they say nothing.

    Returns
    -------
    Alignment
        The best one found; ``same_wood`` tells whether to believe it.
    """
    best = unmoved(guess or Move())
    if guess is not None:
        best = _fine(new, reference, guess)
    if best.same_wood:
        return best
    for coarse in guesses(new, reference):
        tried = _fine(new, reference, coarse)
        best = max(best, tried, key=lambda a: a.correlation)
        if best.same_wood:
            break
    return best


def unmoved(move: Move) -> Alignment:
    """Return an alignment by a move alone, with nothing known of how well it fits."""
    return Alignment(Bend.plain(move), 0.0, float("inf"))


def laid(ortho: Ortho, bend: Bend) -> Ortho:
    """Return a picture carried into another frame, on the same grid size."""
    height, width = ortho.valid.shape
    x = np.linspace(0, width - 1, 9)
    y = np.linspace(0, height - 1, 9)
    rim = np.array([(i, j) for i in x for j in y])
    there = bend(ortho.to_mm(rim))
    (x0, y0), (x1, y1) = there.min(axis=0), there.max(axis=0)
    step = ortho.mm_per_px
    size = (int(np.ceil((x1 - x0) / step)) + 1, int(np.ceil((y1 - y0) / step)) + 1)
    at_x, at_y = smooth_map(lambda px: ortho.to_px(bend.back(px * step + [x0, y0])), size)
    pixels = cv2.remap(ortho.pixels, at_x, at_y, cv2.INTER_LINEAR)
    valid = cv2.remap(ortho.valid.astype(np.uint8), at_x, at_y, cv2.INTER_NEAREST) > 0
    return Ortho(np.asarray(pixels, dtype=np.uint8), valid, float(x0), float(y0), step)


def _fine(new: Sheet, reference: Sheet, guess: Move) -> Alignment:
    """Fit a bending from a guess: by wide blocks first, then to a small part of a pixel."""
    bend = _about(new, reference, guess)
    for k in range(WIDE_ROUNDS):
        wood, both = _on_reference(new, reference, bend)
        if k and _alike(reference.wood, wood, both, reference.mm_per_px) < SAME_BY_BLOCKS:
            break
        found = wide_shifts(reference.wood, wood, both, reference.mm_per_px, _corner(reference))
        if len(found) < LEAST_WIDE:
            break
        bend = fit_bend(bend, found, bent=False).bend
    else:
        return _finest(new, reference, bend)
    return Alignment(bend, _alike(reference.wood, wood, both, reference.mm_per_px), float("inf"))


def _finest(new: Sheet, reference: Sheet, bend: Bend) -> Alignment:
    fitted: Fitted | None = None
    for smooth_px in SMOOTH_PX:
        wood, both = _on_reference(new, reference, bend)
        step_mm, corner_mm = reference.mm_per_px, _corner(reference)
        shifts = fine_shifts(reference.wood, wood, both, step_mm, corner_mm, smooth_px=smooth_px)
        if len(shifts) < LEAST_FINE:
            break
        fitted = fit_bend(bend, shifts, bent=len(shifts) >= FOR_BENDING)
        bend = fitted.bend
    wood, both = _on_reference(new, reference, bend)
    alike = _alike(reference.wood, wood, both, reference.mm_per_px)
    if fitted is None:
        return Alignment(bend, alike, float("inf"))
    return Alignment(bend, alike, fitted.rms_mm(_shared(new, reference, bend)))


def _about(new: Sheet, reference: Sheet, guess: Move) -> Bend:
    """Return the guess as a bending whose terms are counted over all that the new picture shows."""
    height, width = new.wood.shape
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=np.float64)
    there = guess(new.to_mm(corners))
    middle = there.mean(axis=0)
    reach = float(np.abs(there - middle).max())
    plain = Bend.plain(guess)
    return Bend(guess, middle, reach, plain.terms_mm)


def _corner(sheet: Sheet) -> Floats:
    return np.array([sheet.x0_mm, sheet.y0_mm])


def _on_reference(new: Sheet, reference: Sheet, bend: Bend) -> tuple[Floats32, NDArray[np.bool_]]:
    size = (reference.wood.shape[1], reference.wood.shape[0])
    wood, counts = warped(new, size, lambda px: bend.back(reference.to_mm(px)))
    return wood, np.asarray(counts & (reference.counts > 0))


def _shared(new: Sheet, reference: Sheet, bend: Bend) -> Floats:
    """Return places (N, 2) mm spread over all that both pictures reach, boards and glare too."""
    height, width = reference.wood.shape
    x, y = np.meshgrid(np.arange(0.0, width, 16.0), np.arange(0.0, height, 16.0))
    places = reference.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    at = new.to_px(bend.back(places))
    rows, columns = new.wood.shape
    inside = (at >= 0).all(axis=1) & (at[:, 0] < columns) & (at[:, 1] < rows)
    return places[inside] if inside.any() else places


def _alike(reference: Floats32, wood: Floats32, both: NDArray[np.bool_], step_mm: float) -> float:
    if both.sum() * step_mm**2 < LEAST_SHARED_MM2:
        return 0.0
    a, b = wood[both], reference[both]
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0
