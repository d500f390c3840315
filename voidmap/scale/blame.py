"""Boards that bend, lean, lie on another plane or were printed stretched, and photos that were cropped.

They are found by letting each of these loose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats
from voidmap.scale.adjust import Fit, adjust
from voidmap.scale.boards import board_name
from voidmap.scale.camera import rotations
from voidmap.scale.cropped import if_cropped
from voidmap.scale.layout import SIGMA_FLOOR_PX, Priors, Start
from voidmap.scale.looks import Look

LOOSE_SD_MM = np.array([30.0, 15.0, 15.0, 4.0, 4.0])
"""A board anywhere near the top: on the bench below, leaning on something, or curled."""
LOOSE_ALONE_SD_MM = np.array([0.15, 0.15, 0.15, 4.0, 4.0])
"""The same for a board alone: its height and tilt are the plane's own."""
LOOSE_STRETCH_SD = 0.03
"""A print stretched by who knows what, along x and along y."""
SUSPECT = 2.5
"""Prior standard deviations from which a departure is looked into."""
SUSPECT_SMOOTH = 2.0
"""Smooth errors this many times what is expected are looked into."""
SUSPECT_FIT_PX = 0.5
"""Residual of a corner from which a bend is looked for."""
SUSPECT_PATTERN = 4.0
"""What is left in a board's sightings must have no pattern: F of a cubic through them against their scatter. A flat
board's passes this once in a million by chance."""
LOW_MM, TILT_MM = 6.0, 2.0
"""Height, and rise at the pattern's end, from which a board no longer serves as scale: each would move a length at
the board by half a per cent or more from a metre away."""
BOW_MM = 3.0
"""Bow from which a board is refused. Paper on a flat top bows less; and below this a lens of another make than the
priors assume can look like a bow. A smaller bow that is beyond doubt is solved for, which widens the interval."""
STRETCH_REL = 0.005
"""Difference of the print's stretch along x and along y, against the check bars, from which it is refused."""
SURE = 4.0
"""Standard deviations beyond which a departure is called real."""
BAD_FIT_PX = 1.0
"""Corners of a flat board fit to a tenth of a pixel; ten times that is not noise."""
MOST_LOOSE = 3
"""Departures looked for one after the other."""
_STRETCH, _CROP = -1, -2


def check_boards(
    fit: Fit,
    looks: Sequence[Look],
    camera_of: Sequence[int],
    priors: Priors,
    numbers: Sequence[int],
    *,
    whole: bool,
) -> Fit:
    """Refuse boards that bend, lean, or lie on another plane, and stretched prints.

    While something does not fit, each board's departure from the plane, the print's stretch, and the lens's axis off
    the picture's middle (the photo was cropped), is let loose in turn; the one that makes all agree best is to blame.
    What stands out beyond doubt and would spoil the scale is refused; what is smaller stays loose, and so does the
    axis, which is solved for. One board alone can show bend but not height or tilt.

    Parameters
    ----------
    fit, looks, camera_of, priors, numbers
        All boards solved, and what went into it; ``numbers`` (B,) are the boards' own.
    whole
        The photos are known to be whole, as with a lens file.

    Returns
    -------
    Fit
        The fit itself when all is well, else the one with the departures solved for.

    Raises
    ------
    ScaleError
        When a board can't serve.
    """
    loose: list[int] = []
    left = [_STRETCH, *([] if whole else [_CROP]), *range(fit.layout.boards)]
    while _suspect(fit, looks, priors, left) and left and len(loose) < MOST_LOOSE:
        begin = _where(fit)
        trials = {
            cause: adjust(looks, camera_of, _let_loose(priors, [*loose, cause], fit.layout.boards), begin)
            for cause in left
        }
        cause = min(trials, key=lambda c: trials[c].cost)
        if not _departs(trials[cause], cause, priors, fit.cost):
            break
        loose.append(cause)
        left.remove(cause)
        fit = trials[cause]
    if loose:
        _refuse(fit, looks, loose, priors, numbers)
    _refuse_bad_fit(fit, looks, numbers)
    return fit


def _where(fit: Fit) -> Start:
    layout = fit.layout
    return Start(
        np.array([fit.values[layout.pose(photo)] for photo in range(layout.photos)]),
        np.array([fit.values[layout.place(board)] if board else np.zeros(3) for board in range(layout.boards)]),
    )


def _let_loose(priors: Priors, causes: Sequence[int], boards: int) -> Priors:
    shape_sd = np.tile(priors.shape_sd, (boards, 1))
    for board in _boards_of(causes):
        shape_sd[board] = LOOSE_SD_MM if boards > 1 else LOOSE_ALONE_SD_MM
    priors = replace(priors, shape_sd=shape_sd)
    if _STRETCH in causes:
        priors = replace(priors, stretch_cov=np.diag(np.full(2, LOOSE_STRETCH_SD**2)))
    if _CROP in causes:
        lenses = [if_cropped(mean, known) for mean, known in zip(priors.lens_mean, priors.lens_cov, strict=True)]
        mean, covariance = (np.array(part) for part in zip(*lenses, strict=True))
        priors = replace(priors, lens_mean=mean, lens_cov=covariance)
    return priors


def _boards_of(causes: Sequence[int]) -> list[int]:
    return [cause for cause in causes if cause >= 0]


def _suspect(fit: Fit, looks: Sequence[Look], priors: Priors, left: Sequence[int]) -> bool:
    """Whether anything that is not loose yet (``left``) departs by more than it should, or the corners do not fit."""
    layout = fit.layout
    for board in range(layout.boards):
        away = np.abs(fit.values[layout.shape(board)] - priors.shape_mean) / priors.shape_sd
        if board in left and away.max() > SUSPECT:
            return True
        if _board_rms(fit, looks, board) > SUSPECT_FIT_PX or _pattern(fit, looks, board) > SUSPECT_PATTERN:
            return True
    stretch = np.abs(fit.values[layout.stretch] - priors.stretch_mean) / np.sqrt(np.diag(priors.stretch_cov))
    if _STRETCH in left and stretch.max() > SUSPECT:
        return True
    if _CROP in left and _lens_off(fit, priors) > SUSPECT:
        return True
    return fit.noise.smooth > SUSPECT_SMOOTH * priors.smooth_px


def _board_rms(fit: Fit, looks: Sequence[Look], board: int) -> float:
    own = [f for look, f in zip(looks, fit.residuals_px, strict=True) if look.board == board]
    return float(np.sqrt(2 * np.mean(np.concatenate(own) ** 2)))


def _pattern(fit: Fit, looks: Sequence[Look], board: int) -> float:
    """Return the greatest F of a smooth pattern in what is left of a board's sightings in any photo."""
    worst = 0.0
    for look, left in zip(looks, fit.residuals_px, strict=True):
        axes, _ = np.linalg.qr(look.smooth)
        free = len(left) - axes.shape[1]
        if look.board == board and free > 0:
            smooth = float(np.sum((axes.T @ left) ** 2))
            rough = max(float(left @ left) - smooth, free * SIGMA_FLOOR_PX**2)
            worst = max(worst, smooth / axes.shape[1] / (rough / free))
    return worst


def _shape(fit: Fit, board: int, priors: Priors) -> tuple[Floats, Floats]:
    """Return a board's departure (5,) mm and how many standard deviations it is."""
    at = fit.layout.shape(board)
    away = fit.values[at] - priors.shape_mean
    return away, np.abs(away) / np.sqrt(np.diag(fit.covariance)[at])


def _lens_off(fit: Fit, priors: Priors) -> float:
    """Return by how many standard deviations a camera's focal length or axis is not what was known before."""
    off = [
        np.abs(fit.values[fit.layout.lens(camera)] - mean)[:3] / np.sqrt(np.diag(known))[:3]
        for camera, (mean, known) in enumerate(zip(priors.lens_mean, priors.lens_cov, strict=True))
    ]
    return float(np.max(off))


def _uneven(fit: Fit, priors: Priors) -> tuple[float, float]:
    """Return by how much x is stretched over y against the bars, and how many standard deviations that is."""
    at = fit.layout.stretch
    away = fit.values[at] - priors.stretch_mean
    block = fit.covariance[at, at]
    spread = np.sqrt(block[0, 0] + block[1, 1] - 2 * block[0, 1])
    return float(away[0] - away[1]), float(abs(away[0] - away[1]) / spread)


def _departs(fit: Fit, cause: int, priors: Priors, before: float) -> bool:
    """Whether what was let loose in a fit surely departs; the cost ``before`` is that of the fit without."""
    if cause == _STRETCH:
        return _uneven(fit, priors)[1] > SURE
    if cause == _CROP:
        # One board may well show that the lens is another without telling which.
        return before - fit.cost > SURE**2
    return bool(np.any(_shape(fit, cause, priors)[1] > SURE))


def _refuse(fit: Fit, looks: Sequence[Look], loose: Sequence[int], priors: Priors, numbers: Sequence[int]) -> None:
    if _STRETCH in loose:
        _refuse_stretch(*_uneven(fit, priors))
    shapes = {board: _shape(fit, board, priors) for board in _boards_of(loose)}
    for board, (away, sure) in shapes.items():
        if np.any((np.abs(away[3:]) > BOW_MM) & (sure[3:] > SURE)):
            raise ScaleError(
                f"{board_name(numbers[board])} is bent by {np.abs(away[3:]).max():.0f} mm or more",
                "lay it flat, tape or weight its edges, and photograph again",
            )
    low = [board for board, (away, sure) in shapes.items() if abs(away[0]) > LOW_MM and sure[0] > SURE]
    if len(low) > 1:
        names = " and ".join(board_name(numbers[board]) for board in sorted(low))
        raise ScaleError(
            f"{names} lie on another plane than the other boards, as on a second slab",
            "photograph one slab at a time, all boards on its top",
        )
    for board, (away, sure) in shapes.items():
        name = board_name(numbers[board])
        if board in low:
            where, size = ("below", "smaller") if away[0] > 0 else ("above", "larger")
            # A lower board and a smaller print look the same from one place.
            ratio = abs(away[0]) / (_camera_height_mm(fit, looks, board) + away[0])
            raise ScaleError(
                f"{name} lies {abs(away[0]):.0f} mm {where} the plane of the other boards, or is printed {ratio:.1%} "
                f"{size} than they are",
                "put all boards on the slab's top, none on the bench or on another slab; print all at actual size; and "
                "photograph again",
            )
        if np.any((np.abs(away[1:3]) > TILT_MM) & (sure[1:3] > SURE)):
            raise ScaleError(
                f"{name} is lifted on one side by {2 * np.abs(away[1:3]).max():.0f} mm",
                "lay it flat on the slab's top, and photograph again",
            )


def _camera_height_mm(fit: Fit, looks: Sequence[Look], board: int) -> float:
    """Return how high the camera stood over the plane in the first photo that shows a board."""
    pose = fit.values[fit.layout.pose(next(look.photo for look in looks if look.board == board))]
    return float(abs(pose[3:] @ rotations(pose[None, :3])[0][:, 2]))


def _refuse_stretch(uneven: float, sure: float) -> None:
    if abs(uneven) > STRETCH_REL and sure > SURE:
        longer, shorter = ("x", "y") if uneven > 0 else ("y", "x")
        raise ScaleError(
            f"the boards are printed {abs(uneven):.1%} longer along {longer} than along {shorter}, against their bars",
            "measure both check bars of the print and give --bar-x and --bar-y",
        )


def _refuse_bad_fit(fit: Fit, looks: Sequence[Look], numbers: Sequence[int]) -> None:
    rms = [_board_rms(fit, looks, board) for board in range(fit.layout.boards)]
    worst = int(np.argmax(rms))
    if rms[worst] > 3 * BAD_FIT_PX:
        raise ScaleError(
            f"the corners of {board_name(numbers[worst])} do not fit a flat board ({rms[worst]:.1f} px)",
            "print it again at actual size, lay it flat, and photograph again",
        )
