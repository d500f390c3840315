"""Why a photo gives no scale, and what the user should know of one that does, each in its own sentence."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import ScaleError
from voidmap.model import Floats, Ortho, Photo, Plane, SlabFound
from voidmap.scale.bench import amid_ground
from voidmap.scale.blame import BAD_FIT_PX
from voidmap.scale.boards import CORNERS, MARKERS, board_name, dictionary
from voidmap.scale.cropped import cropped_notes
from voidmap.scale.detect import SEARCH_SIDE_PX
from voidmap.scale.lower import above_boards_mm
from voidmap.scale.unsharp import is_blurred

NOTED_BOW_MM = 1.0
"""A bow that is allowed for and named: the sheet should be flattened all the same."""
FEW_CORNERS = 16
MOST_COVERED = 0.85
"""Share of the slab found that the boards' paper covers, from which it is the paper that was found."""
MOST_CUT = 0.3
"""Share of the outline's points on the photo's border from which the bench may have been taken for the slab."""


def why_no_board(grey: NDArray[np.uint8], file: str) -> ScaleError:
    """Say why a photo shows no board that can be read: blurred, dark, burnt out, or not there."""
    shrink = max(1, round(max(grey.shape) / SEARCH_SIDE_PX))
    small = cv2.resize(grey, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(dictionary(), cv2.aruco.DetectorParameters())
    _, ids, rejected = detector.detectMarkers(small)
    blurred = [is_blurred(grey), is_blurred(np.ascontiguousarray(grey.T))]
    if any(blurred):
        if all(blurred):
            return ScaleError(
                f"no board can be read in {file}, and even its sharpest edges are blurred",
                "hold the camera still, focus on the slab, keep a board in view, and photograph again",
            )
        return ScaleError(
            f"no board can be read in {file}, and its edges are smeared one way, as when the camera moves",
            "rest it on a stand or use more light, keep a board in view, and photograph again",
        )
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
    return ScaleError(
        f"no scale board can be read in {file}",
        "lay a printed board flat on the slab, all of it in view, and photograph again",
    )


def plane_notes(photos: Sequence[Photo], planes: Sequence[Plane], *, bars_read: bool = False) -> tuple[str, ...]:
    """Say what the user should know of the scale; nothing here stops the work.

    Parameters
    ----------
    photos, planes
        As solved.
    bars_read
        Whether the printed check bars were measured.
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
    notes.extend(cropped_notes(photos, planes))
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
    if planes[0].reference == "boards" and not bars_read:
        notes.append(
            "The boards' check bars were not measured: that leaves every length open by 0.2 %. "
            "Measure them with a rule and give --bar-x and --bar-y."
        )
    return tuple(notes)


def refuse_beside(
    slab: SlabFound, planes: Sequence[Plane], ortho: Ortho | None = None, photos: Sequence[Photo] = ()
) -> None:
    """Refuse boards that lie on the bench beside the slab.

    Then nothing but their own paper was found round them; or the bench was, and a large piece lies amid it, or stands
    above it (looked for in ``ortho`` and in two ``photos`` or more when what was found leaves the photo).

    Raises
    ------
    ScaleError
        When the boards do not lie on the slab.
    """
    if not planes[0].patterns_mm:
        return
    if ortho is not None and slab.leaves_frame and amid_ground(ortho, planes[0].patterns_mm):
        names, _ = _names(planes[0])
        verb = "lie" if len(planes[0].boards) > 1 else "lies"
        raise ScaleError(
            f"{names} {verb} on the bench, not on the slab, which lies whole in the picture beside",
            "lay it flat on the slab's top and photograph again: a scale below the top reads every length too long",
        )
    shared = planes[0].reference == "boards" and len(photos) > 1
    above = above_boards_mm(ortho, photos, planes) if ortho is not None and slab.leaves_frame and shared else None
    if above is not None:
        names, lie = _names(planes[0])
        raise ScaleError(
            f"a large piece in view stands about {above:.0f} mm above {names}: {lie} on the bench, not on the slab",
            "lay it flat on the slab's top, take anything higher out of view, and photograph again: a scale below the "
            "top reads every length too long",
        )
    if slab.covered.sum() > MOST_COVERED * slab.mask.sum():
        names, lie = _names(planes[0])
        raise ScaleError(
            f"no wood can be told round {names}: {lie} beside the slab, on the bench",
            "lay it flat on the slab's top and photograph again: a scale below the top reads every length too long",
        )


def beside_notes(slab: SlabFound, planes: Sequence[Plane]) -> tuple[str, ...]:
    """Say when what was found round the boards may be the bench: it leaves the photo all round."""
    cut = np.mean([kind == "cut" for kind in slab.edge_kinds])
    if not planes[0].patterns_mm or len(planes) > 1 or cut <= MOST_CUT:
        return ()
    names, lie = _names(planes[0])
    return (
        f"What lies round {names} leaves the photo on most sides: if the slab does not, {lie} on the bench, and every "
        "length here is too long.",
    )


def _names(plane: Plane) -> tuple[str, str]:
    names = " and ".join(board_name(board.number) for board in plane.boards) or "the sheet"
    return names, "they lie" if len(plane.boards) > 1 else "it lies"


def _leaves(plane: Plane, pattern_mm: Floats) -> bool:
    """Whether a pattern's corner lies outside the photo."""
    image = plane.to_px(pattern_mm)
    return bool(np.any((image < 0) | (image > np.array(plane.size_px) - 1)))
