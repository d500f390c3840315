"""Lay a coat's photo onto the job's slab frame: by boards first, then by the wood itself.

A board may have been laid elsewhere, or the photo turned round: the boards then give no place, and the pictures
are matched by their features (any turn) first. The fine fit matches blocks by phase correlation and draws one
homography through their shifts, robustly. Pictures are evened along the grain before: growth rings alone would
let one picture slide along the other, what is left (pores, fills' edges, knots, pinholes) holds both ways.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import FIXED_POINT, Bytes, Floats32, even_along_grain, grain_of
from voidmap.model import Floats, Ortho

WORK_MM = 0.4
"""Grid on which pictures are compared, mm: pores are still seen, and a picture stays under a megapixel or so."""
LEAST_SIDE_PX = 64
SPREAD_MM = 4.0
"""Local contrast is read over this distance (1 sigma)."""
MOST_SWING = 3.0
"""A place counts up to this multiple of the local contrast, so that glints and fills' edges do not decide."""
SAME_PLACE = 0.12
"""Correlation from which two pictures show the same wood: that of other wood has a spread of under 0.01, by the
ten thousand and more places that are independent."""
BLOCK_PX = 128
"""Side of a block: its peak rises over the noise when a twentieth of the picture's contrast is shared."""
LEAST_RESPONSE = 0.04
"""Share of a block's energy in its peak, under which its shift is chance (chance gives about 1 / 128)."""
MOST_SHIFT_PX = 24
"""A block's shift may be this long: 10 mm, far more than a board's guess is wrong by."""
ROUNDS = 2
FIT_PX = 0.6
"""A block farther than this from the homography through the others is left out."""
LEAST_BLOCKS = 4
LEAST_MATCHES = 12
FEATURES = 3000
RATIO = 0.8
"""A feature's best match must be this much nearer than the second (D. Lowe, 2004)."""


@dataclass(frozen=True)
class Move:
    """Carries one plane frame into another: turn by ``angle_deg`` (x toward y), then shift by (x, y) mm."""

    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0

    def __call__(self, points_mm: Floats) -> Floats:
        """Carry points (N, 2) mm."""
        matrix = self.matrix()
        return np.asarray(np.asarray(points_mm) @ matrix[:, :2].T + matrix[:, 2], dtype=np.float64)

    def matrix(self) -> Floats:
        """Return the (2, 3) matrix."""
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        return np.array([[c, -s, self.x_mm], [s, c, self.y_mm]])

    @classmethod
    def of(cls, matrix: Floats) -> Move:
        """Make a move from a (2, 3) matrix (its turn is the nearest one)."""
        angle = np.rad2deg(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
        return cls(float(matrix[0, 2]), float(matrix[1, 2]), float(angle))

    def inverse(self) -> Move:
        """Return the way back."""
        matrix = self.matrix()
        turn = matrix[:, :2].T
        return Move.of(np.column_stack([turn, -turn @ matrix[:, 2]]))

    def after(self, first: Move) -> Move:
        """Return the move that makes ``first``, then this one."""
        a, b = self.matrix(), first.matrix()
        return Move.of(np.column_stack([a[:, :2] @ b[:, :2], a[:, :2] @ b[:, 2] + a[:, 2]]))


@dataclass(frozen=True, eq=False)
class Alignment:
    """How the new picture's frame is carried into the reference's.

    ``move`` is the nearest turn and shift; ``bend`` (3, 3) the homography that is used: it also takes up the small
    errors of both photos' own scales far from their boards. ``correlation`` tells how alike the pictures are,
    ``rms_mm`` what is left between them.
    """

    move: Move
    correlation: float
    rms_mm: float
    bend: Floats

    @property
    def same_wood(self) -> bool:
        """Whether both pictures show the same place."""
        return self.correlation >= SAME_PLACE


@dataclass(frozen=True, eq=False)
class Sheet:
    """A picture made ready to compare: evened wood, where it counts, and its frame."""

    wood: Floats32
    counts: Bytes
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def matrix(self) -> Floats:
        """Return the (2, 3) matrix from its pixels to its frame."""
        return np.array([[self.mm_per_px, 0, self.x0_mm], [0, self.mm_per_px, self.y0_mm]])


def ready(ortho: Ortho, *, hidden_mm: tuple[Floats, ...] = ()) -> Sheet:
    """Make a picture ready to compare.

    Parameters
    ----------
    ortho
        The picture, square-on.
    hidden_mm
        Outlines of what lies on the slab (boards and their sheets), in the picture's frame.
    """
    shrink = max(1.0, WORK_MM / ortho.mm_per_px)
    size = (max(1, round(ortho.pixels.shape[1] / shrink)), max(1, round(ortho.pixels.shape[0] / shrink)))
    step = ortho.mm_per_px * ortho.pixels.shape[1] / size[0]
    shift = (step - ortho.mm_per_px) / 2
    grey = cv2.resize(cv2.cvtColor(ortho.pixels, cv2.COLOR_BGR2GRAY), size, interpolation=cv2.INTER_AREA)
    whole = cv2.resize(ortho.valid.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    counts = np.where((whole == 255) & (grey < 250), 255, 0).astype(np.uint8)
    x0, y0 = ortho.x0_mm + shift, ortho.y0_mm + shift
    for outline in hidden_mm:
        at = (np.asarray(outline) - [x0, y0]) / step
        cv2.fillPoly(counts, [np.round(at).astype(np.int32)], 0)
    counts = cv2.erode(counts, np.ones((5, 5), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return Sheet(_evened(np.asarray(grey, dtype=np.uint8), counts, SPREAD_MM / step), counts, x0, y0, step)


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
    tried = [_fine(new, reference, guess)] if guess is not None else []
    if not tried or not tried[0].same_wood:
        coarse = _by_features(new, reference)
        if coarse is not None:
            tried.append(_fine(new, reference, coarse))
    return max(tried, key=lambda a: a.correlation, default=unmoved(guess or Move()))


def unmoved(move: Move) -> Alignment:
    """Return an alignment by a move alone, with nothing known of how well it fits."""
    return Alignment(move, 0.0, float("inf"), _square(move.matrix()))


def carried(bend: Floats, points_mm: Floats) -> Floats:
    """Carry points (N, 2) mm by a homography (3, 3)."""
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    flat = np.column_stack([points, np.ones(len(points))]) @ bend.T
    return np.asarray(flat[:, :2] / flat[:, 2:], dtype=np.float64)


def laid(ortho: Ortho, bend: Floats) -> Ortho:
    """Return a picture carried by a homography (3, 3) into another frame, on the same grid size."""
    height, width = ortho.valid.shape
    corners = ortho.to_mm(np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]]))
    there = carried(bend, corners)
    (x0, y0), (x1, y1) = there.min(axis=0), there.max(axis=0)
    step = ortho.mm_per_px
    size = (int(np.ceil((x1 - x0) / step)) + 1, int(np.ceil((y1 - y0) / step)) + 1)
    own = np.array([[step, 0, ortho.x0_mm], [0, step, ortho.y0_mm], [0, 0, 1.0]])
    new = np.array([[step, 0, x0], [0, step, y0], [0, 0, 1.0]])
    matrix = np.linalg.inv(new) @ bend @ own
    pixels = cv2.warpPerspective(ortho.pixels, matrix, size, flags=cv2.INTER_LINEAR)
    valid = cv2.warpPerspective(ortho.valid.astype(np.uint8), matrix, size, flags=cv2.INTER_NEAREST) > 0
    return Ortho(np.asarray(pixels, dtype=np.uint8), valid, float(x0), float(y0), step)


def _evened(grey: Bytes, counts: Bytes, sigma: float) -> Floats32:
    weight = (counts > 0).astype(np.float32)
    fixed = cv2.multiply(grey, FIXED_POINT, dtype=cv2.CV_16S)
    fine = even_along_grain(fixed, grain_of(grey)).astype(np.float32) * weight
    total = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3)
    contrast = np.sqrt(cv2.GaussianBlur(fine * fine, (0, 0), sigma) / total) + FIXED_POINT / 4
    return np.asarray(np.clip(fine / contrast, -MOST_SWING, MOST_SWING) * weight, dtype=np.float32)


def _fine(new: Sheet, reference: Sheet, guess: Move) -> Alignment:
    """Fit a homography from a guess by the shifts of blocks; what fits worse than before is dropped."""
    best = _square(_between(reference, guess.inverse(), new))
    alike, left = _correlation(new, reference, best), float("inf")
    for _ in range(ROUNDS):
        fitted, residual_px = _through_blocks(new, reference, best)
        if fitted is None:
            break
        now = _correlation(new, reference, fitted)
        if now < alike:
            break
        best, alike, left = fitted, now, residual_px * reference.mm_per_px
    bend = np.linalg.inv(_framed(reference, best, new))
    bend = bend / bend[2, 2]
    shown = np.argwhere(reference.counts > 0)
    middle = shown.mean(axis=0)[::-1] if len(shown) else np.zeros(2)
    there = middle * reference.mm_per_px + [reference.x0_mm, reference.y0_mm]
    return Alignment(_nearest_move(bend, there), alike, left, bend)


def _through_blocks(new: Sheet, reference: Sheet, to_new: Floats) -> tuple[Floats | None, float]:
    """Return a better (3, 3) matrix from the reference's pixels to the new one's, and the rms left, px."""
    wood, both = _warped(new, reference, to_new)
    height, width = wood.shape
    window = cv2.createHanningWindow((BLOCK_PX, BLOCK_PX), cv2.CV_32F)
    middles, shifts = [], []
    for top in range(0, height - BLOCK_PX + 1, BLOCK_PX // 2):
        for left in range(0, width - BLOCK_PX + 1, BLOCK_PX // 2):
            block = (slice(top, top + BLOCK_PX), slice(left, left + BLOCK_PX))
            if both[block].mean() < 0.7:
                continue
            mask = window * both[block]
            (dx, dy), response = cv2.phaseCorrelate(reference.wood[block] * mask, wood[block] * mask)
            if response >= LEAST_RESPONSE and np.hypot(dx, dy) <= MOST_SHIFT_PX:
                middles.append((left + BLOCK_PX / 2 - 0.5, top + BLOCK_PX / 2 - 0.5))
                shifts.append((dx, dy))
    if len(middles) < LEAST_BLOCKS:
        return None, float("inf")
    there = np.asarray(middles)
    here = there + np.asarray(shifts)
    change, inside = _robust_map(there, here)
    if change is None or inside.sum() < LEAST_BLOCKS:
        return None, float("inf")
    away = np.hypot(*(carried(change, there) - here)[inside].T)
    return np.asarray(to_new @ change, dtype=np.float64), float(np.sqrt(np.mean(away**2)))


def _robust_map(there: Floats, here: Floats) -> tuple[Floats | None, NDArray[np.bool_]]:
    """Return the homography (with few points the turn, shift and scale) that most points agree on."""
    if len(there) >= 3 * LEAST_BLOCKS:
        matrix, inside = cv2.findHomography(there, here, cv2.RANSAC, FIT_PX)
    else:
        matrix, inside = cv2.estimateAffinePartial2D(there, here, method=cv2.RANSAC, ransacReprojThreshold=FIT_PX)
        matrix = None if matrix is None else _square(matrix)
    if matrix is None:
        return None, np.zeros(len(there), bool)
    return np.asarray(matrix, dtype=np.float64), np.asarray(inside).ravel() > 0


def _nearest_move(bend: Floats, there: Floats) -> Move:
    """Return the turn and shift that a homography amounts to about a point (2,) of its goal frame."""
    back = np.asarray(np.linalg.inv(bend), dtype=np.float64)
    here = carried(back, there[None])[0]
    step = 10.0
    right = carried(bend, (here + np.array([step, 0.0]))[None])[0] - there
    down = carried(bend, (here + np.array([0.0, step]))[None])[0] - there
    move = Move.of(np.column_stack([right / step, down / step, np.zeros(2)]))
    shift = there - move(here[None])[0]
    return Move(float(shift[0]), float(shift[1]), move.angle_deg)


def _between(reference: Sheet, to_new_frame: Move, new: Sheet) -> Floats:
    """Return the (2, 3) matrix from the reference's pixels to the new picture's."""
    into = _square(to_new_frame.matrix()) @ _square(reference.matrix())
    return np.asarray((np.linalg.inv(_square(new.matrix())) @ into)[:2], dtype=np.float64)


def _framed(reference: Sheet, to_new: Floats, new: Sheet) -> Floats:
    """Return the (3, 3) matrix from the reference's frame to the new picture's, mm."""
    return np.asarray(_square(new.matrix()) @ to_new @ np.linalg.inv(_square(reference.matrix())), dtype=np.float64)


def _square(matrix: Floats) -> Floats:
    return np.vstack([matrix, [0.0, 0.0, 1.0]])


def _warped(new: Sheet, reference: Sheet, to_new: Floats) -> tuple[Floats32, NDArray[np.bool_]]:
    size = reference.wood.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    wood = cv2.warpPerspective(new.wood, to_new, size, flags=flags)
    counts = cv2.warpPerspective(new.counts, to_new, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(wood, dtype=np.float32), np.asarray((counts > 0) & (reference.counts > 0))


def _correlation(new: Sheet, reference: Sheet, to_new: Floats) -> float:
    wood, both = _warped(new, reference, to_new)
    if both.sum() < LEAST_SIDE_PX**2:
        return 0.0
    a, b = wood[both], reference.wood[both]
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0


def _by_features(new: Sheet, reference: Sheet) -> Move | None:
    """Find the move by matching features at any turn, or None."""
    make: Any = cv2.SIFT_create  # type: ignore[attr-defined]
    finder = make(nfeatures=FEATURES, contrastThreshold=0.02)
    seen = []
    for sheet in (new, reference):
        picture = np.clip(sheet.wood * 40 + 128, 0, 255).astype(np.uint8)
        points, vectors = finder.detectAndCompute(picture, cv2.erode(sheet.counts, np.ones((9, 9), np.uint8)))
        if vectors is None or len(points) < LEAST_MATCHES:
            return None
        seen.append((np.array([p.pt for p in points]), vectors))
    (new_px, new_vectors), (old_px, old_vectors) = seen
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(new_vectors, old_vectors, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < RATIO * p[1].distance]
    if len(good) < LEAST_MATCHES:
        return None
    from_mm = new_px[[m.queryIdx for m in good]] * new.mm_per_px + [new.x0_mm, new.y0_mm]
    to_mm = old_px[[m.trainIdx for m in good]] * reference.mm_per_px + [reference.x0_mm, reference.y0_mm]
    matrix, inliers = cv2.estimateAffinePartial2D(
        from_mm, to_mm, method=cv2.RANSAC, ransacReprojThreshold=2.0, maxIters=5000, confidence=0.999
    )
    if matrix is None or int(inliers.sum()) < LEAST_MATCHES // 2:
        return None
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    inside = inliers.ravel() > 0
    if abs(scale - 1) > 0.05:
        return None
    move = Move.of(matrix)
    shift = (to_mm[inside] - Move(0.0, 0.0, move.angle_deg)(from_mm[inside])).mean(axis=0)
    return Move(float(shift[0]), float(shift[1]), move.angle_deg)
