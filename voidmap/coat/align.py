"""Lay a coat's photo onto the job's slab frame: by boards first, then by the wood itself.

A board may have been laid elsewhere, or the photo turned round: the boards then give no place, and the pictures
are matched by their features (any turn) before the fine fit. The fine fit maximises the enhanced correlation of
the high-passed pictures (G. Evangelidis, E. Psarakis, 2008) over a shift and a turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32
from voidmap.model import Floats, Ortho, Plane

WORK_MM = 0.5
"""Grid on which pictures are compared, mm: finer than growth rings, coarser than noise."""
LEAST_SIDE_PX = 64
HIGH_PASS_MM = 4.0
"""Wood's own pattern is finer than this (1 sigma); lamps, vignetting and haze are coarser."""
MOST_SWING = 3.0
"""A place counts up to this multiple of the local contrast, so that glints and fills' edges do not decide."""
SAME_PLACE = 0.25
"""Correlation from which two pictures show the same wood: other wood stays under 0.1 on thousands of places."""
BLOCKS = (4, 6)
"""The residual is read from the shifts that are left between this many blocks (rows, columns)."""
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


@dataclass(frozen=True)
class Alignment:
    """The move from the new picture's frame to the reference's, its correlation and what is left, mm (rms)."""

    move: Move
    correlation: float
    rms_mm: float

    @property
    def same_wood(self) -> bool:
        """Whether both pictures show the same place."""
        return self.correlation >= SAME_PLACE


@dataclass(frozen=True, eq=False)
class Sheet:
    """A picture made ready to compare: high-passed wood, where it counts, and its frame."""

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
    return Sheet(_high_passed(grey, counts, HIGH_PASS_MM / step), counts, x0, y0, step)


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
    return max(tried, key=lambda a: a.correlation, default=Alignment(guess or Move(), 0.0, float("inf")))


def moved(plane: Plane, move: Move) -> Plane:
    """Return the plane with its slab frame replaced by the one that ``move`` carries it into."""
    back = move.inverse().matrix()
    turn = np.eye(3)
    turn[:2, :2] = back[:, :2]
    shift = np.array([back[0, 2], back[1, 2], 0.0])
    draws = plane.draws.copy()
    for row in draws:
        rotation = np.asarray(cv2.Rodrigues(row[:3].copy())[0])
        row[3:6] += rotation @ shift
        row[:3] = np.asarray(cv2.Rodrigues(rotation @ turn)[0]).ravel()
    boards = tuple(_moved_board(b, move) for b in plane.boards)
    return replace(
        plane,
        rotation=plane.rotation @ turn,
        translation_mm=plane.rotation @ shift + plane.translation_mm,
        draws=draws,
        boards=boards,
        patterns_mm=tuple(move(p) for p in plane.patterns_mm),
    )


def _moved_board(board, move: Move):  # type: ignore[no-untyped-def]
    x, y = move(np.array([[board.x_mm, board.y_mm]]))[0]
    return replace(board, x_mm=float(x), y_mm=float(y), angle_deg=board.angle_deg + move.angle_deg)


def _high_passed(grey: Bytes, counts: Bytes, sigma: float) -> Floats32:
    weight = (counts > 0).astype(np.float32)
    log = np.log(grey.astype(np.float32) + 8.0) * weight

    def spread(picture: Floats32) -> Floats32:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.float32)

    total = np.maximum(spread(weight), 1e-3)
    fine = (log - spread(log) / total) * weight
    contrast = np.sqrt(spread(fine * fine) / total) + 1e-3
    return np.asarray(np.clip(fine / contrast, -MOST_SWING, MOST_SWING) * weight, dtype=np.float32)


def _fine(new: Sheet, reference: Sheet, guess: Move) -> Alignment:
    """Fit shift and turn from a guess; correlation 0 where the pictures don't meet or the fit runs away."""
    to_new = _between(reference, guess.inverse(), new)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-5)
    warp = to_new.astype(np.float32)
    start = _correlation(new, reference, to_new)
    try:
        _, warp = cv2.findTransformECC(
            reference.wood, new.wood, warp, cv2.MOTION_EUCLIDEAN, criteria, inputMask=new.counts, gaussFiltSize=5
        )
    except cv2.error:
        return Alignment(guess, start, float("inf"))
    fitted = np.asarray(warp, dtype=np.float64)
    end = _correlation(new, reference, fitted)
    if not np.isfinite(end) or end < start:
        return Alignment(guess, start, _residual(new, reference, to_new))
    return Alignment(_move_of(reference, fitted, new), end, _residual(new, reference, fitted))


def _between(reference: Sheet, to_new_frame: Move, new: Sheet) -> Floats:
    """Return the (2, 3) matrix from the reference's pixels to the new picture's."""
    into = _square(to_new_frame.matrix()) @ _square(reference.matrix())
    return np.asarray((np.linalg.inv(_square(new.matrix())) @ into)[:2], dtype=np.float64)


def _move_of(reference: Sheet, to_new: Floats, new: Sheet) -> Move:
    frame = _square(new.matrix()) @ _square(to_new) @ np.linalg.inv(_square(reference.matrix()))
    return Move.of(frame[:2]).inverse()


def _square(matrix: Floats) -> Floats:
    return np.vstack([matrix, [0.0, 0.0, 1.0]])


def _warped(new: Sheet, reference: Sheet, to_new: Floats) -> tuple[Floats32, NDArray[np.bool_]]:
    size = reference.wood.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    wood = cv2.warpAffine(new.wood, to_new, size, flags=flags)
    counts = cv2.warpAffine(new.counts, to_new, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(wood, dtype=np.float32), np.asarray((counts > 0) & (reference.counts > 0))


def _correlation(new: Sheet, reference: Sheet, to_new: Floats) -> float:
    wood, both = _warped(new, reference, to_new)
    if both.sum() < LEAST_SIDE_PX**2:
        return 0.0
    a, b = wood[both], reference.wood[both]
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0


def _residual(new: Sheet, reference: Sheet, to_new: Floats) -> float:
    """Rms of the shifts left between blocks of both pictures, mm; infinite when fewer than three speak."""
    wood, both = _warped(new, reference, to_new)
    height, width = wood.shape
    rows, columns = BLOCKS
    shifts = []
    for r in range(rows):
        for c in range(columns):
            block = (
                slice(r * height // rows, (r + 1) * height // rows),
                slice(c * width // columns, (c + 1) * width // columns),
            )
            here = both[block]
            if here.mean() < 0.6 or min(here.shape) < 24:
                continue
            window = cv2.createHanningWindow(here.shape[::-1], cv2.CV_32F) * here
            (dx, dy), response = cv2.phaseCorrelate(reference.wood[block] * window, wood[block] * window)
            if response > 0.05 and np.hypot(dx, dy) < 8:
                shifts.append((dx, dy))
    if len(shifts) < 3:
        return float("inf")
    away = np.hypot(*np.asarray(shifts).T) * reference.mm_per_px
    # The median is not carried away by a block whose peak is a false one; 0.83 of the rms is a plane normal's median.
    return float(np.median(away) / 0.8326)


def _by_features(new: Sheet, reference: Sheet) -> Move | None:
    """Find the move by matching features at any turn, or None."""
    finder = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.02)
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
