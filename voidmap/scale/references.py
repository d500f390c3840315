"""References that lie in every shop: a blank A4 or Letter sheet, an ID-1 card."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import CantTell, ValueRefused
from voidmap.model import Floats, Photo, Plane
from voidmap.records import Lens
from voidmap.scale.rectangle import plane_from_rectangle
from voidmap.scale.solve import lens_of_photo


@dataclass(frozen=True)
class Rectangle:
    """A thing of standard size: name in words, sides and their standard deviations, thickness, mm."""

    words: str
    sides_mm: tuple[float, float]
    side_sd_mm: tuple[float, float]
    height_mm: float


# A tolerance of ±2 mm taken as even over its width has a standard deviation of 2 / sqrt(3).
RECTANGLES = {
    "a4": Rectangle("A4 sheet", (297.0, 210.0), (2 / 3**0.5, 2 / 3**0.5), 0.1),  # ISO 216: ±2 mm from 150 to 600
    "letter": Rectangle("Letter sheet", (279.4, 215.9), (1.6 / 3**0.5, 1.6 / 3**0.5), 0.1),  # 1/16 in, no source
    "id1": Rectangle("ID-1 card", (85.60, 53.98), (0.13 / 3**0.5, 0.06 / 3**0.5), 0.76),  # ISO/IEC 7810
}
SEARCH_SIDE_PX = 1000
LEAST_SHARE = 0.001
"""A reference smaller than a thousandth of the frame can't carry a scale across it."""
SIDE_FIT_PX = 0.6
"""Doubt of a corner from two fitted sides: paper edges are cut, not ruled, and cast a thin shadow."""
RATIO_TOLERANCE = 0.06
"""Sides' ratio as seen, square-on by the lens, against the true one."""
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
    best = None
    for rough in _quadrilaterals(photo.pixels):
        corners = _refined(_clearest(photo.pixels, rough), rough)
        if corners is None:
            continue
        for turn in (0, 1):
            order = np.roll(corners, turn, axis=0)
            error = _misfit(order, thing.sides_mm, lens_values)
            if error < RATIO_TOLERANCE:
                # The larger of two that fit is the reference: a knot or a label is smaller.
                score = error - 0.02 * np.log(cv2.contourArea(corners.astype(np.float32)))
                if best is None or score < best[0]:
                    best = (score, order)
    if best is None:
        raise CantTell(
            f"no {thing.words} can be told in {photo.file}",
            "lay it flat on the slab's top with all four sides in view, and photograph again, or pick its corners by "
            "hand with --reference points",
        )
    return plane_from_rectangle(
        photo,
        best[1],
        thing.sides_mm,
        side_sd_mm=thing.side_sd_mm,
        corner_sd_px=SIDE_FIT_PX,
        reference=reference,
        lens=lens,
        height_mm=thing.height_mm,
    )


def _quadrilaterals(pixels: NDArray[np.uint8]) -> list[Floats]:
    """Four-sided patches at many brightness and colour levels, corners (4, 2) px of the full picture, clockwise."""
    shrink = max(1.0, max(pixels.shape[:2]) / SEARCH_SIDE_PX)
    small = cv2.resize(pixels, None, fx=1 / shrink, fy=1 / shrink, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)
    colourless = (255 - (small.max(axis=2) - small.min(axis=2))).astype(np.uint8)
    found = []
    blue, red = small[:, :, 0], small[:, :, 2]
    for layer in (grey, 255 - grey, colourless, blue, 255 - blue, 255 - red):
        smooth = cv2.medianBlur(np.ascontiguousarray(layer), 5)
        for level in np.unique(np.percentile(smooth, np.arange(10, 100, 6)).astype(int)):
            mask = (smooth > level).astype(np.uint8)
            contours = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)[-2]
            for contour in contours:
                quad = _four_corners(contour, grey.size)
                if quad is not None:
                    found.append((quad + 0.5) * shrink - 0.5)
    return _distinct(found, shrink)


def _four_corners(contour: NDArray[np.int32], area: int) -> Floats | None:
    size = cv2.contourArea(contour)
    if not LEAST_SHARE * area < size < 0.6 * area:
        return None
    hull = cv2.convexHull(contour)
    if size < 0.93 * cv2.contourArea(hull):
        return None
    rough = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, True), True).reshape(-1, 2)
    if len(rough) != 4 or cv2.contourArea(rough) < 0.9 * size:
        return None
    quad = rough.astype(np.float64)
    ahead = np.roll(quad, -1, axis=0)
    clockwise = np.sum(quad[:, 0] * ahead[:, 1] - ahead[:, 0] * quad[:, 1]) > 0
    return quad if clockwise else quad[::-1].copy()


def _distinct(quads: list[Floats], shrink: float) -> list[Floats]:
    kept: list[Floats] = []
    for quad in quads:
        middle = quad.mean(axis=0)
        if all(
            np.hypot(*(middle - k.mean(axis=0))) > 3 * shrink
            or abs(cv2.contourArea(quad.astype(np.float32)) / cv2.contourArea(k.astype(np.float32)) - 1) > 0.05
            for k in kept
        ):
            kept.append(quad)
    return kept


def _clearest(pixels: NDArray[np.uint8], quad: Floats) -> NDArray[np.uint8]:
    """Return the colour channel in which a patch stands out most from what lies round it."""
    middle = quad.mean(axis=0)
    levels = [
        np.array(
            [pixels[tuple(np.clip(np.round(p[::-1]).astype(int), 0, np.array(pixels.shape[:2]) - 1))] for p in ring]
        )
        for ring in (middle + 0.8 * (quad - middle), middle + 1.15 * (quad - middle))
    ]
    step = np.abs(np.median(levels[0].astype(float), axis=0) - np.median(levels[1].astype(float), axis=0))
    return np.ascontiguousarray(pixels[:, :, int(step.argmax())])


def _refined(grey: NDArray[np.uint8], quad: Floats) -> Floats | None:
    """Corners where the sides meet, each side a parabola through its sub-pixel edge points (a lens bends it)."""
    sides = []
    for i in range(4):
        side = _side(grey, quad[i], quad[(i + 1) % 4])
        if side is None:
            return None
        sides.append(side)
    return np.array([_meet(sides[i - 1], sides[i], quad[i]) for i in range(4)])


def _side(grey: NDArray[np.uint8], start: Floats, end: Floats) -> tuple[Floats, Floats, Floats] | None:
    """Fit a side: its start, its unit direction, and the parabola of its offset along it."""
    length = float(np.hypot(*(end - start)))
    unit = (end - start) / length
    normal = np.array([-unit[1], unit[0]])
    reach = max(6.0, 0.015 * length)
    along = np.linspace(MIDDLE[0] * length, MIDDLE[1] * length, 160)
    across = np.arange(-reach, reach + 0.25, 0.5)
    at = start + along[:, None, None] * unit + across[None, :, None] * normal
    profile = cv2.remap(
        grey,
        at[..., 0].astype(np.float32),
        at[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    slope = np.abs(np.diff(cv2.GaussianBlur(profile, (0, 0), 1.0), axis=1))
    peak = slope.argmax(axis=1)
    good = (peak > 2) & (peak < slope.shape[1] - 3) & (slope.max(axis=1) > 3)
    if good.sum() < 60:
        return None
    rows = np.flatnonzero(good)
    window = peak[rows, None] + np.arange(-2, 3)
    weight = slope[rows[:, None], window]
    offset = np.sum(weight * (across[window] + 0.25), axis=1) / weight.sum(axis=1)
    place = along[rows]
    for _ in range(4):
        curve = np.polyfit(place, offset, 2)
        off = offset - np.polyval(curve, place)
        keep = np.abs(off) < max(2.5 * 1.4826 * float(np.median(np.abs(off))), 0.3)
        place, offset = place[keep], offset[keep]
        if len(place) < 50:
            return None
    return start, unit, curve


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
