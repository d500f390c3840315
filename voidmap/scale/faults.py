"""Why a photo gives no scale, and what the user should know of one that does, each in its own sentence."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.model import Floats, Photo, Plane
from voidmap.scale.blame import BAD_FIT_PX
from voidmap.scale.boards import BAR_MM, CORNERS, MARKERS, board_name, dictionary

NOTED_BOW_MM = 1.0
"""A bow that is allowed for and named: the sheet should be flattened all the same."""
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
        for board, pattern in zip(plane.boards, plane.patterns_mm, strict=False):
            name = board_name(board.number)
            if board.corners_found < FEW_CORNERS:
                notes.append(
                    f"In {photo.file} {name} shows only {board.corners_found} of its {CORNERS} corners: it is "
                    f"{'cut off by the border of the photo' if _leaves(plane, pattern) else 'partly covered'}."
                )
            if abs(board.bow_mm) > NOTED_BOW_MM:
                notes.append(
                    f"In {photo.file} {name} is bowed by {abs(board.bow_mm):.1f} mm: that is allowed for, but tape it "
                    "flat."
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


def _leaves(plane: Plane, pattern_mm: Floats) -> bool:
    """Whether a pattern's corner lies outside the photo."""
    image = plane.to_px(pattern_mm)
    return bool(np.any((image < 0) | (image > np.array(plane.size_px) - 1)))
