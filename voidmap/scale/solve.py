"""From photos of boards to the plane of the slab's top, all photos and all boards together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.errors import ScaleError, ValueRefused
from voidmap.model import Floats, Photo, Plane
from voidmap.records import BoardPlace, Lens
from voidmap.scale.adjust import Fit, Look, Priors, Start, adjust, board_world
from voidmap.scale.boards import BAR_MM, pattern_outline_mm
from voidmap.scale.camera import lens_record, plane_points, rotations
from voidmap.scale.detect import BoardSeen, find_boards, grey_of
from voidmap.scale.faults import check_boards, why_no_board
from voidmap.scale.priors import board_priors, lens_priors

DRAWS = 200
"""Enough for a 95 % interval by its standard deviation within 5 %."""
SEED = 20_011
"""Draws are the same every time the same photos are solved."""
MOST_STRETCH = 0.06
"""A bar further than this from 100 mm was not printed at actual size ("fit to page" gives 3 to 6 %)."""


@dataclass(frozen=True, eq=False)
class Solution:
    """The fit behind a set of planes: board numbers in the fit's order, looks, fit and planes."""

    numbers: tuple[int, ...]
    looks: tuple[Look, ...]
    seen: tuple[tuple[BoardSeen, ...], ...]
    fit: Fit
    planes: tuple[Plane, ...]


def solve_planes(
    photos: Sequence[Photo],
    *,
    lens: Lens | None = None,
    reference: str = "boards",
    bar_x_mm: float = BAR_MM,
    bar_y_mm: float = BAR_MM,
    board_thickness_mm: float = 0.0,
) -> tuple[Plane, ...]:
    """Find the slab's plane in each photo, all in one slab frame.

    Parameters
    ----------
    photos
        Photos of one slab from one or more places.
    lens
        A lens from a lens file; without it the lens is solved in the photos with a prior.
    reference
        ``boards``, or ``a4``, ``letter``, ``id1`` for one photo of a blank sheet or a card.
    bar_x_mm, bar_y_mm
        The printed 100 mm check bars as measured.
    board_thickness_mm
        Thickness of boards glued on a panel.

    Returns
    -------
    tuple of Plane
        One for each photo; row s of the draws of one belongs with row s of the others.

    Raises
    ------
    ScaleError
        When no board is in view, one is in view twice, a photo shares no board with the others, or the boards
        contradict each other.
    ValueRefused
        When a length that the user typed can't be right.
    """
    if reference != "boards":
        from voidmap.scale.references import plane_from_reference

        return tuple(plane_from_reference(photo, reference, lens=lens) for photo in photos)
    check_lengths(bar_x_mm, bar_y_mm, board_thickness_mm)
    seen = tuple(boards_in(photo) for photo in photos)
    solution = solve_boards(
        photos,
        seen,
        lens=lens,
        bar_x_mm=bar_x_mm,
        bar_y_mm=bar_y_mm,
        board_thickness_mm=board_thickness_mm,
    )
    return solution.planes


def check_lengths(bar_x_mm: float, bar_y_mm: float, board_thickness_mm: float) -> None:
    """Refuse lengths of bars and boards that can't be right.

    Raises
    ------
    ValueRefused
        When a bar is over 6 % off or the thickness is not between 0 and 60 mm.
    """
    for name, bar in (("x", bar_x_mm), ("y", bar_y_mm)):
        if not abs(bar / BAR_MM - 1) <= MOST_STRETCH:
            raise ValueRefused(
                f"a check bar of {bar:g} mm along {name} can't be right for one drawn 100 mm long",
                'measure it again, and print at "actual size", not "fit to page"',
            )
    if not 0 <= board_thickness_mm <= 60:
        raise ValueRefused(f"a board {board_thickness_mm:g} mm thick can't be right", "give 0 to 60 mm, as in 5mm")


def boards_in(photo: Photo) -> tuple[BoardSeen, ...]:
    """Find the boards in a photo; refuse a photo without any."""
    grey = grey_of(photo.pixels)
    boards = find_boards(grey, photo.file)
    if not boards:
        raise why_no_board(grey, photo.file)
    return boards


def solve_boards(
    photos: Sequence[Photo],
    seen: Sequence[Sequence[BoardSeen]],
    *,
    lens: Lens | None,
    bar_x_mm: float = BAR_MM,
    bar_y_mm: float = BAR_MM,
    board_thickness_mm: float = 0.0,
) -> Solution:
    """Solve all boards that were seen; see ``solve_planes``."""
    numbers = tuple(sorted({board.number for boards in seen for board in boards}))
    looks = tuple(
        Look(photo, numbers.index(board.number), board.board_mm, board.corners_px)
        for photo, boards in enumerate(seen)
        for board in boards
    )
    camera_of, *lens_known = lens_priors(list(photos), lens)
    priors = board_priors(
        (lens_known[0], lens_known[1], lens_known[2]),
        bar_x_mm=bar_x_mm,
        bar_y_mm=bar_y_mm,
        board_thickness_mm=board_thickness_mm,
    )
    names = [photo.file for photo in photos]
    fit = check_boards(fit_looks(looks, camera_of, priors, names), looks, camera_of, priors, numbers)
    sizes = [(p.width_px, p.height_px) for p in photos]
    planes = planes_of(fit, looks, numbers, sizes, priors, source="photo" if lens is None else "file")
    return Solution(numbers, looks, tuple(tuple(b) for b in seen), fit, planes)


def fit_looks(looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, names: Sequence[str]) -> Fit:
    """Adjust from both poses that a plane seen by one photo allows, and keep the better."""
    fits = [adjust(looks, camera_of, priors, start(looks, camera_of, priors, names, flip)) for flip in (0, 1)]
    return min(fits, key=lambda fit: fit.cost)


def start(
    looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, names: Sequence[str], flip: int = 0
) -> Start:
    """Find poses and places to begin with: from the frame's board outward, over shared boards.

    Raises
    ------
    ScaleError
        When a photo shares no board with the others.
    """
    boards = 1 + max(look.board for look in looks)
    poses: dict[int, Floats] = {}
    places: dict[int, Floats] = {0: np.zeros(3)}
    lens = [_prior_lens(priors, camera) for camera in camera_of]
    while len(poses) < len(camera_of):
        shared = {
            photo: sum(len(k.image_px) for k in looks if k.photo == photo and k.board in places)
            for photo in range(len(camera_of))
            if photo not in poses
        }
        photo = max(shared, key=lambda p: shared[p])
        if shared[photo] == 0:
            raise ScaleError(
                f"the photo {names[photo]} shares no board with the others",
                "leave it out, or photograph again with a board in view that another photo shows too",
            )
        own = [k for k in looks if k.photo == photo]
        known = [k for k in own if k.board in places]
        world = np.concatenate([_placed(k.board_mm, places[k.board]) for k in known])
        poses[photo] = _pose(
            world, np.concatenate([k.image_px for k in known]), lens[photo], flip if not len(poses) else 0
        )
        for look in own:
            if look.board not in places:
                flat = plane_points(look.image_px, poses[photo][None, :3], poses[photo][None, 3:], lens[photo][None])
                places[look.board] = _rigid(look.board_mm, flat[0])
    return Start(np.array([poses[p] for p in range(len(camera_of))]), np.array([places[b] for b in range(boards)]))


def _prior_lens(priors: Priors, camera: int) -> Floats:
    terms = priors.lens_mean[camera]
    focal = float(np.exp(terms[0]))
    return np.concatenate([[focal, focal * priors.aspect[camera]], terms[1:8]])


def _placed(board_mm: Floats, place: Floats) -> Floats:
    c, s = np.cos(place[2]), np.sin(place[2])
    return np.asarray(board_mm @ np.array([[c, -s], [s, c]]).T + place[:2])


def _rigid(board_mm: Floats, slab_mm: Floats) -> Floats:
    """Place (x, y, angle) that carries board points to slab points, by least squares (Procrustes)."""
    a, b = board_mm - board_mm.mean(axis=0), slab_mm - slab_mm.mean(axis=0)
    angle = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    turned = _placed(board_mm, np.array([0.0, 0.0, angle]))
    return np.array([*(slab_mm - turned).mean(axis=0), angle])


def _pose(world_mm: Floats, image_px: Floats, lens: Floats, flip: int) -> Floats:
    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    solid = np.column_stack([world_mm, np.zeros(len(world_mm))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(solid, image_px, matrix, lens[4:9], flags=cv2.SOLVEPNP_IPPE)
    pick = min(flip, len(turns) - 1)
    return np.concatenate([np.ravel(turns[pick]), np.ravel(shifts[pick])]).astype(np.float64)


def planes_of(
    fit: Fit,
    looks: Sequence[Look],
    numbers: Sequence[int],
    sizes: Sequence[tuple[int, int]],
    priors: Priors,
    *,
    source: str,
    reference: str = "boards",
) -> tuple[Plane, ...]:
    """Turn a fit into one Plane for each photo, with shared draws."""
    layout, values = fit.layout, fit.values
    draws = _draws(values, fit.covariance)
    places, patterns = board_places(fit, looks, numbers)
    planes = []
    for photo in range(layout.photos):
        lens = layout.lens_values(values, priors.aspect, photo)
        lens_draws = layout.lens_values(draws, priors.aspect, photo)
        at = layout.pose(photo)
        in_view = {look.board for look in looks if look.photo == photo}
        own = [r for look, r in zip(looks, fit.residuals_px, strict=True) if look.photo == photo]
        planes.append(
            Plane(
                size_px=sizes[photo],
                lens=lens_record(lens, source),
                rotation=rotations(values[at][None, :3])[0],
                translation_mm=values[at][3:].copy(),
                draws=np.column_stack([draws[:, at], lens_draws]),
                reference=reference,
                boards=()
                if reference != "boards"
                else tuple(
                    BoardPlace(
                        p.number,
                        sum(len(k.image_px) for k in looks if k.photo == photo and k.board == b),
                        p.x_mm,
                        p.y_mm,
                        p.angle_deg,
                        p.tilt_deg,
                    )
                    for b, p in enumerate(places)
                    if b in in_view
                ),
                patterns_mm=tuple(patterns[b] for b in sorted(in_view)),
                reprojection_rms_px=float(np.sqrt(np.mean(np.sum(np.concatenate(own) ** 2, axis=1)))),
            )
        )
    return tuple(planes)


def lens_of_photo(photo: Photo, lens: Lens | None) -> tuple[Floats, Floats]:
    """Return fx, fy, cx, cy, k1, k2, p1, p2, k3 before looking, (9,), and their covariance (9, 9)."""
    _, mean, covariance, aspect = lens_priors([photo], lens)
    focal = float(np.exp(mean[0, 0]))
    carry = np.zeros((9, 8))
    carry[0, 0], carry[1, 0] = focal, focal * aspect[0]
    carry[np.arange(2, 9), np.arange(1, 8)] = 1.0
    known = np.concatenate([[focal, focal * aspect[0]], mean[0, 1:]])
    return known, np.asarray(carry @ covariance[0] @ carry.T)


def _draws(values: Floats, covariance: Floats) -> Floats:
    """Equally likely versions of the unknowns, (DRAWS, size): antithetic, so that their mean is the fit."""
    spread, axes = np.linalg.eigh(covariance)
    rng = np.random.default_rng(SEED)
    normal = rng.standard_normal((DRAWS // 2, len(values)))
    normal = np.concatenate([normal, -normal])
    # Whitened, so that 200 draws carry the covariance exactly where they are more than the unknowns.
    normal /= normal.std(axis=0)
    return np.asarray(values + (normal * np.sqrt(np.maximum(spread, 0))) @ axes.T)


def board_places(fit: Fit, looks: Sequence[Look], numbers: Sequence[int]) -> tuple[list[BoardPlace], list[Floats]]:
    """Return each board's place and its pattern's outer corners (4, 2) mm in the slab frame."""
    places, patterns = [], []
    for board, number in enumerate(numbers):
        x, y, angle = fit.values[fit.layout.place(board)] if board else np.zeros(3)
        world, _ = board_world(pattern_outline_mm(), fit.layout, fit.values, board)
        shape = fit.values[fit.layout.shape(board)]
        rise = np.hypot(shape[1] / 105.0, shape[2] / 75.0)
        found = max((len(k.image_px) for k in looks if k.board == board), default=0)
        places.append(
            BoardPlace(number, found, float(x), float(y), float(np.degrees(angle)), float(np.degrees(np.arctan(rise))))
        )
        patterns.append(world[:, :2])
    return places, patterns
