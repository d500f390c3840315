"""Fit a camera's lens from photos of one board, with as many distortion terms as the photos support."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.errors import CantTell, ScaleError
from voidmap.model import Floats, Photo
from voidmap.records import LensFile
from voidmap.scale.adjust import Fit, adjust
from voidmap.scale.boards import board_name
from voidmap.scale.camera import LENS_NAMES, lens_record
from voidmap.scale.detect import BoardSeen
from voidmap.scale.layout import LENS_TERMS, Priors, Start
from voidmap.scale.looks import Look
from voidmap.scale.priors import (
    FILE_REFOCUS_SD,
    FLAT_SD_MM,
    K1_SD,
    K2_SD,
    K3_SD,
    SMOOTH_PX,
    TANGENTIAL_SD,
    lens_priors,
)
from voidmap.scale.solve import board_look, boards_in
from voidmap.scale.start import fit_looks
from voidmap.scale.turn import turn_points

TERM_SETS: dict[str, tuple[str, ...]] = {
    "k1": ("k1",),
    "k1 k2": ("k1", "k2"),
    "k1 k2 p1 p2": ("k1", "k2", "p1", "p2"),
    "k1 k2 p1 p2 k3": ("k1", "k2", "p1", "p2", "k3"),
}
LEAST_PHOTOS = 8
FOCAL_TOLERANCE = 0.005
"""A focal length less sure than this (one sigma) does no better than the camera data do."""
GRID = (4, 3)
LEAST_COVERAGE, GOOD_COVERAGE = 0.5, 0.9
"""Share of the frame's 4 x 3 cells that must hold corners, and that should."""
LEFT_OUT_SD = np.array([0, 0, 0, K1_SD, K2_SD, TANGENTIAL_SD, TANGENTIAL_SD, K3_SD])
_FREE, _FIXED = 1.0, 1e-7


def fit_lens_terms(
    looks: Sequence[Look], size_px: tuple[int, int], focal_px: float, names: Sequence[str]
) -> tuple[Fit, str, dict[str, float]]:
    """Fit every set of terms and take the one with the lowest Bayesian information criterion.

    Parameters
    ----------
    looks
        One board (number 0) in each photo.
    size_px
        Width and height.
    focal_px
        A first guess.
    names
        The photos' names.

    Returns
    -------
    tuple
        The fit, the name of its set in ``TERM_SETS``, and the criterion of each set.
    """
    fits: dict[str, Fit] = {}
    bic: dict[str, float] = {}
    count = sum(len(look.image_px) for look in looks)
    for key, terms in TERM_SETS.items():
        fit = fit_looks(looks, [0] * len(names), _open_priors(size_px, focal_px, terms), names)
        squares = sum(float(np.sum(np.minimum(r**2, (4 * fit.sigma_px) ** 2))) for r in fit.residuals_px)
        bic[key] = count * float(np.log(squares / count)) + (len(terms) + 3) * float(np.log(count))
        fits[key] = fit
    best = min(bic, key=lambda key: bic[key])
    # The criterion judges terms by what they leave; the smooth errors that then remain widen the covariance.
    open_ = _open_priors(size_px, focal_px, TERM_SETS[best])
    layout, values = fits[best].layout, fits[best].values
    begin = Start(np.array([values[layout.pose(photo)] for photo in range(len(names))]), np.zeros((1, 3)))
    camera_of = [0] * len(names)
    chosen = adjust(looks, camera_of, replace(open_, smooth_px=SMOOTH_PX), begin)
    # A term left out is not known to be nought: what it may be widens the doubt of those that stand in for it.
    at = layout.lens(0)
    covariance = open_.lens_cov.copy()
    left_out = [i for i in range(3, LENS_TERMS) if covariance[0, i, i] <= _FIXED**2]
    covariance[0, left_out, left_out] = LEFT_OUT_SD[left_out] ** 2
    wider = adjust(looks, camera_of, replace(open_, lens_cov=covariance, smooth_px=SMOOTH_PX), begin)
    away = np.zeros(layout.size)
    away[at] = chosen.values[at] - wider.values[at]
    return replace(chosen, covariance=wider.covariance + np.outer(away, away)), best, bic


def _open_priors(size_px: tuple[int, int], focal_px: float, terms: Sequence[str]) -> Priors:
    """Priors that leave the focal length, the centre and the chosen terms open."""
    mean = np.zeros((1, LENS_TERMS))
    mean[0, :3] = np.log(focal_px), (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
    reach = 0.1 * max(size_px)
    spread = [_FREE, reach, reach, *(_FREE if name in terms else _FIXED for name in LENS_NAMES[4:])]
    return Priors(
        lens_mean=mean,
        lens_cov=np.diag(np.array(spread) ** 2)[None],
        aspect=np.ones(1),
        stretch_mean=np.zeros(2),
        # One stretch cannot be told from distance; a difference between x and y is the print's.
        stretch_cov=np.diag(np.full(2, 0.001**2)),
        refocus_sd=FILE_REFOCUS_SD,
        shape_mean=np.zeros(5),
        shape_sd=FLAT_SD_MM,
    )


def calibrate(photos: Sequence[Photo]) -> LensFile:
    """Make a lens file from photos of one board taken with one camera.

    Raises
    ------
    ScaleError
        When the photos are too few, of different cameras or sizes, or share no board.
    CantTell
        When they can't determine the lens: too little tilt, or too little of the frame covered.
    """
    _same_camera(photos)
    seen = [boards_in(photo) for photo in photos]
    numbers = [board.number for boards in seen for board in boards]
    number = max(set(numbers), key=numbers.count)
    own = [
        (photo, board) for photo, boards in zip(photos, seen, strict=True) for board in boards if board.number == number
    ]
    if len(own) < LEAST_PHOTOS:
        raise ScaleError(
            f"only {len(own)} photos show {board_name(number)}",
            f"give {LEAST_PHOTOS} to 20 photos of that one board, tilted and in all parts of the frame",
        )
    first = own[0][0]
    size = _sensor(first)
    looks = [_on_sensor(i, photo, board) for i, (photo, board) in enumerate(own)]
    focal = float(np.exp(lens_priors([first], None)[1][0, 0]))
    names = [photo.file for photo, _ in own]
    fit, best, bic = fit_lens_terms(looks, size, focal, names)
    corners = [
        turn_points(board.corners_px, (photo.width_px, photo.height_px), -photo.turned_deg) for photo, board in own
    ]
    coverage = _coverage(np.concatenate(corners), size)
    share = float(np.mean(np.array(coverage) > 0))
    sure = float(np.sqrt(fit.covariance[fit.layout.lens(0), fit.layout.lens(0)][0, 0]))
    refuse_weak(share, sure, _gaps(coverage))
    notes: tuple[str, ...] = ()
    if share < GOOD_COVERAGE:
        notes = (f"Corners cover {share:.0%} of the frame: photograph the board {_gaps(coverage)} too.",)
    values, covariance = with_covariance(fit)
    return LensFile(
        camera=first.camera,
        width_px=size[0],
        height_px=size[1],
        focal_mm=first.focal_mm,
        focal_35mm_mm=first.focal_35mm_mm,
        lens=replace(lens_record(values, "file"), covariance=()),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        terms=TERM_SETS[best],
        bic=bic,
        rms_px=fit.rms_px,
        corner_sigma_px=fit.sigma_px,
        photos=tuple(names),
        coverage=coverage,
        coverage_fraction=share,
        notes=notes,
    )


def _sensor(photo: Photo) -> tuple[int, int]:
    """Return width and height of the photo as the sensor took it, before it was turned upright."""
    size = (photo.width_px, photo.height_px)
    return size[::-1] if photo.turned_deg % 180 else size


def _on_sensor(number: int, photo: Photo, board: BoardSeen) -> Look:
    """Return a board's look in the sensor's frame, in which a camera's lens is the same however it is held."""
    look = board_look(number, 0, board)
    back, size = -photo.turned_deg, (photo.width_px, photo.height_px)
    ahead = turn_points(look.image_px + look.normal, size, back)
    image = turn_points(look.image_px, size, back)
    return replace(look, image_px=image, normal=ahead - image)


def _same_camera(photos: Sequence[Photo]) -> None:
    remedy = "give photos of one camera at one zoom and one picture size"
    first = photos[0]
    for photo in photos[1:]:
        if _sensor(photo) != _sensor(first):
            raise ScaleError(f"{first.file} and {photo.file} have different sizes", remedy)
        if photo.camera != first.camera:
            raise ScaleError(f"{first.file} and {photo.file} are from different cameras", remedy)
        if photo.focal_mm != first.focal_mm:
            raise ScaleError(f"{first.file} and {photo.file} have different focal lengths", remedy)


def refuse_weak(coverage: float, focal_rel: float, gaps: str = "in every corner and along every side") -> None:
    """Refuse photos that cover too little of the frame (a share) or leave the focal length open (one sigma, a share).

    ``gaps`` says where in the frame no board was seen.

    Raises
    ------
    CantTell
        With what to photograph instead.
    """
    if coverage < LEAST_COVERAGE:
        raise CantTell(
            f"the board was seen in only {coverage:.0%} of the frame",
            f"photograph it {gaps} too",
        )
    if focal_rel > FOCAL_TOLERANCE:
        raise CantTell(
            f"the photos leave the focal length uncertain by {focal_rel:.1%}",
            "tilt the board or the phone by 20 to 40 degrees in different directions",
        )


def _coverage(corners_px: Floats, size_px: tuple[int, int]) -> tuple[tuple[int, ...], ...]:
    cells, _, _ = np.histogram2d(
        corners_px[:, 1], corners_px[:, 0], bins=(GRID[1], GRID[0]), range=((0, size_px[1]), (0, size_px[0]))
    )
    return tuple(tuple(int(v) for v in row) for row in cells)


def _gaps(coverage: Sequence[Sequence[int]]) -> str:
    """Say where in the frame, as the sensor holds it, no corner was seen."""
    rows = (("top left", "top", "top right"), ("left", "middle", "right"), ("bottom left", "bottom", "bottom right"))
    empty = [(r, c) for r in range(GRID[1]) for c in range(GRID[0]) if not coverage[r][c]]
    # Four columns to three words: the two inner ones are the middle.
    words = dict.fromkeys(rows[r][min(1, c) + (c == GRID[0] - 1)] for r, c in empty)
    return f"at the {', '.join(words)} of the frame (held level)"


def with_covariance(fit: Fit) -> tuple[Floats, Floats]:
    """Return fx ... k3 (9,) and their covariance (9, 9)."""
    at = fit.layout.lens(0)
    terms = fit.values[at]
    focal = float(np.exp(terms[0]))
    carry = np.zeros((9, LENS_TERMS))
    carry[0, 0] = carry[1, 0] = focal
    carry[np.arange(2, 9), np.arange(1, 8)] = 1.0
    covariance = carry @ fit.covariance[at, at] @ carry.T
    return np.concatenate([[focal, focal], terms[1:]]), covariance
