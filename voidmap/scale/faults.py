"""What is wrong with a scale, each fault in its own sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.model import Floats, Photo, Plane
from voidmap.scale.adjust import Fit, adjust
from voidmap.scale.boards import BAR_MM, CORNERS, MARKERS, board_name, dictionary
from voidmap.scale.layout import Priors, Start
from voidmap.scale.looks import Look

LOOSE_SD_MM = np.array([30.0, 15.0, 15.0, 4.0, 4.0])
"""A board anywhere near the top: on the bench below, leaning on something, or curled."""
LOOSE_ALONE_SD_MM = np.array([0.15, 0.15, 0.15, 4.0, 4.0])
"""The same for a board alone: its height and tilt are the plane's own."""
SUSPECT = 1.5
"""Prior standard deviations from which a board's departure is looked into."""
SUSPECT_FIT_PX = 0.15
"""Residual from which a bend is looked for."""
LOW_MM, TILT_MM = 6.0, 2.0
"""Height, and rise at the pattern's end, from which a board no longer serves as scale: each would move a length at
the board by half a per cent or more from a metre away."""
BOW_MM = 3.0
"""Bow from which a board is refused. Paper on a flat top bows less; and below this a lens of another make than the
priors assume can look like a bow, so that honest boards were refused at 1 mm (6 of 146 in simulation)."""
SURE = 4.0
"""Standard deviations beyond which a departure is called real."""
BAD_FIT_PX = 1.0
"""Corners of a flat board fit to a tenth of a pixel; ten times that is not noise."""
FEW_CORNERS = 16


def why_no_board(grey: NDArray[np.uint8], file: str) -> ScaleError:
    """Say why a photo shows no board that can be read: mirrored, blurred, dark, burnt out, or not there."""
    side = max(grey.shape)
    shrink = max(1, round(side / 1340))
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(dictionary(), cv2.aruco.DetectorParameters())
    _, ids, _ = detector.detectMarkers(np.ascontiguousarray(small[:, ::-1]))
    if ids is not None and len(ids) >= 4:
        return ScaleError(
            f"the boards in {file} are mirrored",
            "print them without mirroring, lay them face up, and use the camera's own picture, not a flipped one",
        )
    _, ids, rejected = detector.detectMarkers(small)
    if ids is not None and len(ids) > 0:
        number = int(np.ravel(ids)[0]) // MARKERS
        return ScaleError(
            f"only a piece of {board_name(number)} can be read in {file}",
            "keep the whole board in view, uncovered and free of glare, and photograph again",
        )
    white = float(np.percentile(small, 99))
    if white < 60:
        return ScaleError(f"{file} is too dark to show a board", "add light or raise the exposure")
    if len(rejected) >= MARKERS and white >= 254:
        return ScaleError(
            f"squares are in view in {file}, but glare or overexposure hides their markers",
            "move the lamp to the side, lower the exposure, and photograph again",
        )
    if _blurred(grey):
        return ScaleError(
            f"{file} is too blurred to show a board", "hold the camera still, focus on the slab, and photograph again"
        )
    return ScaleError(
        f"no scale board can be read in {file}",
        "lay a printed board flat on the slab, all of it in view, and photograph again",
    )


def _blurred(grey: NDArray[np.uint8]) -> bool:
    """Whether even the strongest edges spread over many pixels."""
    part = grey[:: max(1, grey.shape[0] // 1500)]
    first = np.abs(np.diff(part.astype(np.int16), axis=1))
    wide = np.abs(part[:, 8:].astype(np.int16) - part[:, :-8])
    # A sharp edge makes its whole step in two pixels, a blurred one spreads it over eight or more.
    return bool(np.percentile(first, 99.9) < 0.25 * np.percentile(wide, 99.9))


def check_boards(
    fit: Fit, looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, numbers: Sequence[int]
) -> Fit:
    """Refuse boards that bend, lean, or lie on another plane; return the fit unchanged when all is well.

    A board's departure from the plane is fitted again with next to no prior; what stands out beyond doubt is
    named. One board alone can show bend but not height or tilt.

    Raises
    ------
    ScaleError
        When a board can't serve.
    """
    layout = fit.layout
    poses = np.array([fit.values[layout.pose(p)] for p in range(layout.photos)])
    places = np.array([fit.values[layout.place(b)] if b else np.zeros(3) for b in range(layout.boards)])
    if not _suspect(fit, looks, priors):
        return fit
    trials = []
    for board in range(layout.boards):
        loose_sd = np.tile(priors.shape_sd, (layout.boards, 1))
        loose_sd[board] = LOOSE_SD_MM if layout.boards > 1 else LOOSE_ALONE_SD_MM
        trials.append(adjust(looks, camera_of, replace(priors, shape_sd=loose_sd), Start(poses, places)))
    # The board to blame is the one without which the others agree best.
    board = int(np.argmin([trial.cost for trial in trials]))
    rms = float(np.median([_board_rms(trials[board], looks, b) for b in range(layout.boards)]))
    _refuse(trials[board], board, priors.shape_mean, board_name(numbers[board]), rms)
    return fit


def _suspect(fit: Fit, looks: Sequence[Look], priors: Priors) -> bool:
    """Whether any board departs from the plane by more than paper does, or does not fit."""
    for board in range(fit.layout.boards):
        away = np.abs(fit.values[fit.layout.shape(board)] - priors.shape_mean) / priors.shape_sd
        if away.max() > SUSPECT or _board_rms(fit, looks, board) > SUSPECT_FIT_PX:
            return True
    return False


def _board_rms(fit: Fit, looks: Sequence[Look], board: int) -> float:
    own = [f for look, f in zip(looks, fit.residuals_px, strict=True) if look.board == board]
    return float(np.sqrt(2 * np.mean(np.concatenate(own) ** 2)))


def _refuse(loose: Fit, board: int, mean: Floats, name: str, rms_px: float) -> None:
    at = loose.layout.shape(board)
    away = loose.values[at] - mean
    sure = np.abs(away) > SURE * np.sqrt(np.diag(loose.covariance)[at])
    if np.any((np.abs(away[3:]) > BOW_MM) & sure[3:]):
        raise ScaleError(
            f"{name} is bent by {1.5 * np.abs(away[3:]).max():.0f} mm or more",
            "lay it flat, tape or weight its edges, and photograph again",
        )
    if np.any((np.abs(away[1:3]) > TILT_MM) & sure[1:3]):
        raise ScaleError(
            f"{name} is lifted on one side by {2 * np.abs(away[1:3]).max():.0f} mm",
            "lay it flat on the slab's top, and photograph again",
        )
    if abs(away[0]) > LOW_MM and sure[0]:
        where = "below" if away[0] > 0 else "above"
        raise ScaleError(
            f"{name} lies {abs(away[0]):.0f} mm {where} the plane of the other boards",
            "put all boards on the slab's top, none on the bench or on another slab, and photograph again",
        )
    if rms_px > 3 * BAD_FIT_PX:
        raise ScaleError(
            f"the corners of {name} do not fit a flat board ({rms_px:.1f} px)",
            "print it again at actual size, lay it flat, and photograph again",
        )


def plane_notes(photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[str, ...]:
    """Say what the user should know of the scale; nothing here stops the work.

    Parameters
    ----------
    photos, planes
        As solved.
    """
    from voidmap.scale.camera import length_interval_rel
    from voidmap.scale.mosaic import ground_quad_mm, is_long_top

    notes = []
    for photo, plane in zip(photos, planes, strict=True):
        for board in plane.boards:
            if board.corners_found < FEW_CORNERS:
                notes.append(
                    f"In {photo.file} {board_name(board.number)} shows only {board.corners_found} of its {CORNERS} "
                    "corners: it is cut off or covered."
                )
        if plane.reference == "boards" and plane.reprojection_rms_px > BAD_FIT_PX:
            notes.append(
                f"Corners in {photo.file} fit to {plane.reprojection_rms_px:.1f} px only: look for blur or a bent "
                "board."
            )
    numbers = {board.number for plane in planes for board in plane.boards}
    if len(numbers) == 1 and planes[0].lens.source != "file":
        notes.append(
            "One board without a lens file leaves the far end of the slab uncertain: add boards near its other "
            "corners, or make a lens file with voidmap lens."
        )
    if is_long_top(planes):
        ground = np.concatenate([ground_quad_mm(plane) for plane in planes])
        rel = length_interval_rel(planes[0], ground)
        notes.append(
            f"The photos were joined into one top; its drift from end to end is within {rel:.2%} of the length."
        )
    if planes[0].reference == "boards" and planes[0].lens.source != "scale":
        notes.append(
            f"Unless --bar-x and --bar-y were given, the {BAR_MM:.0f} mm check bars are taken as not measured (printer "
            "0.2 %)."
        )
    return tuple(notes)
