"""From photos of boards to the plane of the slab's top, all photos and all boards together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from voidmap.errors import ScaleError, ValueRefused
from voidmap.model import Floats, Photo, Plane
from voidmap.records import BoardPlace, Lens
from voidmap.scale.adjust import Fit
from voidmap.scale.bars import Bar
from voidmap.scale.blame import check_boards
from voidmap.scale.boards import pattern_outline_mm
from voidmap.scale.camera import lens_record, rotations
from voidmap.scale.detect import BoardSeen, find_boards, grey_of
from voidmap.scale.expect import board_world
from voidmap.scale.faults import why_no_board
from voidmap.scale.layout import Priors
from voidmap.scale.looks import Look, point_look
from voidmap.scale.moved import refuse_moved
from voidmap.scale.priors import board_priors, lens_priors
from voidmap.scale.start import fit_looks

DRAWS = 200
"""Enough for a 95 % interval by its standard deviation within 5 %."""
SEED = 20_011
"""Draws are the same every time the same photos are solved."""


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
    bar_x_mm: Bar = (),
    bar_y_mm: Bar = (),
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
        The printed 100 mm check bars as measured: one reading, or one for each board that was measured.
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
    check_thickness(board_thickness_mm)
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


def check_thickness(board_thickness_mm: float) -> None:
    """Refuse boards whose thickness can't be right.

    Raises
    ------
    ValueRefused
        When it is not between 0 and 60 mm.
    """
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
    bar_x_mm: Bar = (),
    bar_y_mm: Bar = (),
    board_thickness_mm: float = 0.0,
) -> Solution:
    """Solve all boards that were seen; see ``solve_planes``."""
    numbers = tuple(sorted({board.number for boards in seen for board in boards}))
    looks = tuple(
        board_look(photo, numbers.index(board.number), board) for photo, boards in enumerate(seen) for board in boards
    )
    camera_of, *lens_known = lens_priors(list(photos), lens)
    priors = board_priors(
        (lens_known[0], lens_known[1], lens_known[2]),
        bar_x_mm=bar_x_mm,
        bar_y_mm=bar_y_mm,
        board_thickness_mm=board_thickness_mm,
    )
    names = [photo.file for photo in photos]
    fit = fit_looks(looks, camera_of, priors, names)
    try:
        fit = check_boards(fit, looks, camera_of, priors, numbers, whole=lens is not None)
    except ScaleError:
        if len(photos) > 1:
            alone = partial(
                _places_alone,
                lens=lens,
                bar_x_mm=bar_x_mm,
                bar_y_mm=bar_y_mm,
                board_thickness_mm=board_thickness_mm,
            )
            refuse_moved(names, [alone(photo, boards) for photo, boards in zip(photos, seen, strict=True)])
        raise
    sizes = [(p.width_px, p.height_px) for p in photos]
    planes = planes_of(fit, looks, numbers, sizes, priors, source="photo" if lens is None else "file")
    return Solution(numbers, looks, tuple(tuple(b) for b in seen), fit, planes)


def _places_alone(photo: Photo, boards: Sequence[BoardSeen], **known: Any) -> tuple[BoardPlace, ...]:
    """Return where the boards lie by one photo alone; none where that can't be told."""
    try:
        return solve_boards([photo], [boards], **known).planes[0].boards
    except ScaleError:
        return ()


def board_look(photo: int, number: int, board: BoardSeen) -> Look:
    """Return the look of a board: by its edges where enough were told, else by its corners."""
    if board.edges is None:
        return point_look(photo, number, board.board_mm, board.corners_px)
    edges = board.edges
    return Look(photo, number, edges.board_mm, edges.image_px, edges.normal, len(board.corners_px))


def planes_of(
    fit: Fit,
    looks: Sequence[Look],
    numbers: Sequence[int],
    sizes: Sequence[tuple[int, int]],
    priors: Priors,
    *,
    source: str,
    reference: str = "boards",
    outline_mm: Floats | None = None,
) -> tuple[Plane, ...]:
    """Turn a fit into one Plane for each photo, with shared draws.

    ``outline_mm`` (4, 2) are the corners of another reference than a board, in its own frame.
    """
    layout, values = fit.layout, fit.values
    draws = _draws(fit)
    places, patterns = board_places(fit, looks, numbers, pattern_outline_mm() if outline_mm is None else outline_mm)
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
                        sum(k.corners for k in looks if k.photo == photo and k.board == b),
                        p.x_mm,
                        p.y_mm,
                        p.angle_deg,
                        p.tilt_deg,
                        p.bow_mm,
                    )
                    for b, p in enumerate(places)
                    if b in in_view
                ),
                patterns_mm=tuple(patterns[b] for b in sorted(in_view)),
                reprojection_rms_px=float(np.sqrt(2 * np.mean(np.concatenate(own) ** 2))),
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


def _draws(fit: Fit) -> Floats:
    """Equally likely versions of the unknowns, (DRAWS, size): antithetic, so that their mean is the fit.

    They are drawn with the logarithm of each photo's distance: a longer lens from farther away shows the same, and
    only so do the draws follow that valley (a straight line leaves it by half the square of the change: 0.1 %).
    """
    values, carry = fit.values.copy(), np.ones(len(fit.values))
    away = np.array([fit.layout.pose(photo).stop - 1 for photo in range(fit.layout.photos)])
    carry[away] = 1 / values[away]
    spread, axes = np.linalg.eigh(fit.covariance * np.outer(carry, carry))
    rng = np.random.default_rng(SEED)
    normal = rng.standard_normal((DRAWS // 2, len(values)))
    # Whitened, so that the draws carry the covariance as it is and not as chance has it.
    if len(values) <= DRAWS // 4:
        scatter, turn = np.linalg.eigh(normal.T @ normal / len(normal))
        normal = normal @ (turn / np.sqrt(scatter)) @ turn.T
    else:
        normal /= np.sqrt(np.mean(normal**2, axis=0))
    normal = np.concatenate([normal, -normal])
    moves = (normal * np.sqrt(np.maximum(spread, 0))) @ axes.T
    draws = values + moves
    draws[:, away] = values[away] * np.exp(moves[:, away])
    return np.asarray(draws)


def board_places(
    fit: Fit, looks: Sequence[Look], numbers: Sequence[int], outline_mm: Floats
) -> tuple[list[BoardPlace], list[Floats]]:
    """Return each board's place and where the corners (4, 2) mm of its outline lie in the slab frame."""
    places, patterns = [], []
    for board, number in enumerate(numbers):
        x, y, angle = fit.values[fit.layout.place(board)] if board else np.zeros(3)
        world, _ = board_world(outline_mm, fit.layout, fit.values, board)
        shape = fit.values[fit.layout.shape(board)]
        rise = np.hypot(shape[1] / 105.0, shape[2] / 75.0)
        found = max((k.corners for k in looks if k.board == board), default=0)
        bow = -float(shape[3:][np.argmax(np.abs(shape[3:]))])
        tilt = float(np.degrees(np.arctan(rise)))
        places.append(BoardPlace(number, found, float(x), float(y), float(np.degrees(angle)), tilt, bow))
        patterns.append(world[:, :2])
    return places, patterns
