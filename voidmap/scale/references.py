"""References that lie in every shop: a blank A4 or Letter sheet, an ID-1 card."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import CantTell, ValueRefused
from voidmap.model import Floats, Photo, Plane
from voidmap.records import Lens
from voidmap.scale.quads import SEARCH_SIDE_PX, find_quadrilaterals
from voidmap.scale.rectangle import plane_from_rectangle
from voidmap.scale.roundness import SIDE_FIT_PX, TONE, has_round_corners
from voidmap.scale.solve import lens_of_photo


@dataclass(frozen=True)
class Rectangle:
    """A thing of standard size: name in words, sides and their standard deviations, thickness, corner radius, mm."""

    words: str
    sides_mm: tuple[float, float]
    side_sd_mm: tuple[float, float]
    height_mm: float
    radius_mm: float = 0.0
    misfit: float = 0.03
    """Misfit of corners as a share of the longer side, of what a focal length from the camera data and a cut sheet
    leave; a card is cut true and too small in the frame for the focal length to matter."""
    least_share: float = 0.01
    """Of the frame: a sheet that is smaller in it was photographed from too far away to serve."""


# A tolerance of ±2 mm taken as even over its width has a standard deviation of 2 / sqrt(3).
RECTANGLES = {
    "a4": Rectangle("A4 sheet", (297.0, 210.0), (2 / 3**0.5, 2 / 3**0.5), 0.1),  # ISO 216: ±2 mm from 150 to 600
    "letter": Rectangle("Letter sheet", (279.4, 215.9), (1.6 / 3**0.5, 1.6 / 3**0.5), 0.1),  # 1/16 in, no source
    "id1": Rectangle(
        "ID-1 card", (85.60, 53.98), (0.13 / 3**0.5, 0.06 / 3**0.5), 0.76, 3.18, 0.012, 0.001
    ),  # ISO/IEC 7810
}
LARGER = 0.02
"""Misfit that a patch e times as large is allowed more."""
SAME = 0.9
"""Share of the best fit's area from which another is of the same thing, not of a stripe or a window in it."""
LEAST_STEP = 5.0
"""Steepest change of colour across a side, 8-bit steps a sample (three colours together): below, it is grain."""
MIDDLE = (0.12, 0.88)
"""Part of a side that is fitted: a card's corners are round (radius 3 mm), a sheet's may curl."""


def plane_from_reference(photo: Photo, reference: str, *, lens: Lens | None = None) -> Plane:
    """Return the plane of a blank sheet or card that lies on the slab's top.

    Parameters
    ----------
    photo
        The photo, with the thing found by itself.
    reference
        ``a4``, ``letter`` or ``id1``.
    lens
        A lens from a lens file.

    Raises
    ------
    ValueRefused
        When there is no such reference.
    CantTell
        When no quadrilateral of that shape is in view.
    """
    if reference not in RECTANGLES:
        raise ValueRefused(f"there is no reference {reference}", "say boards, a4, letter, id1 or points")
    thing = RECTANGLES[reference]
    lens_values, _ = lens_of_photo(photo, lens)
    shaped = [
        _Found(error, corners, refined[1])
        for rough in find_quadrilaterals(photo.pixels)
        if (refined := _refined(photo.pixels, rough)) is not None
        for corners in (refined[0], np.roll(refined[0], 1, axis=0))
        if (error := _misfit(corners, thing.sides_mm, lens_values)) < thing.misfit
        and cv2.contourArea(corners.astype(np.float32)) > thing.least_share * photo.width_px * photo.height_px
    ]
    best = _one_of(shaped, [f for f in shaped if _round_enough(photo, f.corners, thing)], thing, photo.file)
    return plane_from_rectangle(
        photo,
        best,
        thing.sides_mm,
        side_sd_mm=thing.side_sd_mm,
        corner_sd_px=SIDE_FIT_PX,
        reference=reference,
        lens=lens,
        height_mm=thing.height_mm,
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """A rectangle of about the right shape: its misfit, its corners (4, 2) px, and how much of its sides was seen."""

    misfit: float
    corners: Floats
    seen: float

    @property
    def area(self) -> float:
        return float(cv2.contourArea(self.corners.astype(np.float32)))

    def apart(self, other: _Found) -> bool:
        """Whether the other one lies elsewhere."""
        away = self.corners.mean(axis=0) - other.corners.mean(axis=0)
        return bool(np.hypot(*away) > np.hypot(*(self.corners[2] - self.corners[0])) / 2)


def _one_of(shaped: list[_Found], fits: list[_Found], thing: Rectangle, file: str) -> Floats:
    """Return the corners of the one of ``fits`` that fits best, unless two things fit, or none.

    Of all that are ``shaped`` like it, a larger one around it that fits better says that it is only a part of a thing.
    """
    # The larger of two that fit is the reference: a knot or a label is smaller.
    best = min(fits, key=lambda fit: fit.misfit - LARGER * np.log(fit.area), default=None)
    part = best is not None and any(
        not best.apart(fit) and fit.area > best.area / SAME and fit.misfit < best.misfit for fit in shaped
    )
    if best is None or part:
        raise CantTell(
            f"no {thing.words} can be told in {file}",
            "lay it flat on the slab's top with all four sides in view, and photograph again, or pick its corners by "
            "hand with --reference points",
        )
    if any(best.apart(fit) and fit.area > best.area / 2 for fit in fits):
        raise CantTell(
            f"more than one thing in {file} has the shape of the {thing.words}",
            "take the others off the slab and photograph again, or pick its corners by hand with --reference points",
        )
    same = [fit for fit in fits if not best.apart(fit) and SAME < fit.area / best.area < 1 / SAME]
    return max(same, key=lambda fit: fit.seen).corners


def _round_enough(photo: Photo, corners: Floats, thing: Rectangle) -> bool:
    return not thing.radius_mm or has_round_corners(photo.pixels, corners, thing.sides_mm[0], thing.radius_mm)


def _refined(pixels: NDArray[np.uint8], quad: Floats) -> tuple[Floats, float] | None:
    """Corners where the sides meet, each a parabola through its edge points (a lens bends it); the least share seen."""
    # A rough quadrilateral is off by pixels of the small picture that it was found in, and by its round corners.
    shrink = max(1.0, max(pixels.shape[:2]) / SEARCH_SIDE_PX)
    corners, seen = quad, 0.0
    for reach_px in (6.0 * shrink, 6.0) if shrink > 2 else (6.0,):
        sides = []
        for i in range(4):
            side = _side(pixels, corners[i], corners[(i + 1) % 4], reach_px)
            if side is None:
                return None
            sides.append(side)
        corners = np.array([_meet(sides[i - 1][:3], sides[i][:3], corners[i]) for i in range(4)])
        seen = min(side[3] for side in sides)
    return corners, seen


def _side(
    pixels: NDArray[np.uint8], start: Floats, end: Floats, reach_px: float
) -> tuple[Floats, Floats, Floats, float] | None:
    """Fit a side: its start, its unit direction, the parabola of its offset along it, and the share of it seen."""
    length = float(np.hypot(*(end - start)))
    unit = (end - start) / length
    normal = np.array([-unit[1], unit[0]])
    reach = max(reach_px, 0.015 * length)
    along = np.linspace(MIDDLE[0] * length, MIDDLE[1] * length, 160)
    across = np.arange(-reach, reach + 0.25, 0.5)
    at = start + along[:, None, None] * unit + across[None, :, None] * normal
    profile = cv2.remap(
        pixels,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    # In all colours at once: a stripe of a card may differ from the wood in one of them only.
    slope = np.sqrt(np.sum(np.diff(cv2.GaussianBlur(profile, (0, 0), 1.0), axis=1) ** 2, axis=2))
    peak = slope.argmax(axis=1)
    good = (peak > 2) & (peak < slope.shape[1] - 3) & (slope.max(axis=1) > LEAST_STEP)
    if good.sum() < 60:
        return None
    rows = np.flatnonzero(good)
    # Placed in linear light: in the picture's own tones the brighter side of a blurred edge grows.
    light = np.sqrt(np.sum(np.diff(cv2.GaussianBlur((profile / 255) ** TONE, (0, 0), 1.0), axis=1) ** 2, axis=2))
    near = np.clip(peak[rows, None] + np.arange(-4, 5), 2, slope.shape[1] - 3)
    peak = near[np.arange(len(rows)), light[rows[:, None], near].argmax(axis=1)]
    window = peak[:, None] + np.arange(-2, 3)
    weight = light[rows[:, None], window]
    offset = np.sum(weight * (across[window] + 0.25), axis=1) / weight.sum(axis=1)
    place = along[rows]
    for _ in range(4):
        curve = np.polyfit(place, offset, 2)
        off = offset - np.polyval(curve, place)
        keep = np.abs(off) < max(2.5 * 1.4826 * float(np.median(np.abs(off))), 0.3)
        place, offset = place[keep], offset[keep]
        if len(place) < 50:
            return None
    return start, unit, curve, len(place) / len(along)


def _meet(a: tuple[Floats, Floats, Floats], b: tuple[Floats, Floats, Floats], near: Floats) -> Floats:
    """Where two sides meet, by stepping from ``near``."""
    point = near.copy()
    for _ in range(8):
        rows, sides = [], []
        for start, unit, curve in (a, b):
            normal = np.array([-unit[1], unit[0]])
            along = float((point - start) @ unit)
            slope = float(np.polyval(np.polyder(curve), along))
            rows.append(normal - slope * unit)
            sides.append(float(np.polyval(curve, along)) - float((point - start) @ normal))
        point = point + np.linalg.solve(np.array(rows), np.array(sides))
    return point


def _misfit(corners: Floats, sides_mm: tuple[float, float], lens: Floats) -> float:
    """Relative error of a rectangle's corners against its pose by the lens, by the longer side."""
    width, height = sides_mm
    solid = np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0]], dtype=np.float64)
    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    _, turns, shifts, _ = cv2.solvePnPGeneric(solid, corners, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    image, _ = cv2.projectPoints(solid, turns[0], shifts[0], matrix, None)
    long_px = np.max(np.linalg.norm(corners - np.roll(corners, -1, axis=0), axis=1))
    return float(2 * np.sqrt(np.mean(np.sum((np.asarray(image).reshape(-1, 2) - corners) ** 2, axis=1))) / long_px)
