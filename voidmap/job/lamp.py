"""What the user says of a peg in one lamp's light, and the lamp that the photo then shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from voidmap.errors import InputError, PhotoError, ValueRefused

if TYPE_CHECKING:
    from voidmap.depth.lamplight import LampLight
    from voidmap.depth.peg import PegShadow
    from voidmap.model import Floats, Ortho, Photo, Plane, SlabFound
    from voidmap.records import Point

SHORTEST_MM, TALLEST_MM = 5.0, 500.0
BY_HAND_PX = 2.0
"""Standard error of a point picked by hand in a photo, across an edge; a soft tip is picked no better than this."""
BESIDE_MM = 25.0
"""So far beside a shadow's middle line the wood is lit, for pegs up to 40 mm wide."""
LEAST_LAMP_SHARE = 0.3
"""A line that is less dark than this against the wood beside it lies in no lamp's shadow."""
SYNTAX = "give its height, as in 40mm, or height, foot and tip, as in '40mm 1310,905 1472,678'"


@dataclass(frozen=True)
class PegGiven:
    """A peg's height, and its shadow's foot and tip in px of the lamp's photo when they were picked by hand."""

    height_mm: float
    foot_px: Point | None = None
    tip_px: Point | None = None


def parse_peg(text: str) -> PegGiven:
    """Read ``40mm`` or ``40mm FOOTX,FOOTY TIPX,TIPY``.

    Raises
    ------
    ValueRefused
        When it can't be read or can't be right.
    """
    from voidmap import units

    words = text.split()
    points: list[Point] = []
    while len(words) > 1 and "," in words[-1]:
        parts = words.pop().split(",")
        try:
            x, y = (float(p) for p in parts)
        except ValueError as error:
            raise ValueRefused(f"the peg '{text}' can't be read", SYNTAX) from error
        points.insert(0, (x, y))
    if len(points) not in (0, 2):
        raise ValueRefused(f"the peg '{text}' can't be read", SYNTAX)
    try:
        height = units.parse_length_mm(" ".join(words))
    except ValueRefused as error:
        raise ValueRefused(f"the peg '{text}' can't be read", SYNTAX) from error
    if not SHORTEST_MM <= height <= TALLEST_MM:
        raise ValueRefused(f"a peg {height:g} mm high can't be right", "stand a peg of 20 to 100 mm on the slab")
    if points and points[0] == points[1]:
        raise ValueRefused("the peg's foot and tip are one point", SYNTAX)
    return PegGiven(height, *points)


def photos_by_day(photos: Sequence[Photo], pegs: Sequence[PegGiven]) -> int:
    """Return how many of the photos, from the first, are not the lamp's: it is the last one, or the only one."""
    return len(photos) - 1 if pegs and len(photos) > 1 else len(photos)


def find_lamp(photo: Photo, plane: Plane, ortho: Ortho | None, slab: SlabFound, pegs: Sequence[PegGiven]) -> LampLight:
    """Find the lamp in its photo.

    Parameters
    ----------
    photo, plane
        The photo by lamp light.
    ortho
        The same square-on when ``slab`` was found in it; None when it was found in another photo.
    slab
        The slab's top.
    pegs
        What the user says; at least one.

    Raises
    ------
    PhotoError
        When no peg's shadow is found.
    CantTell
        When the lamp is too near.
    """
    from voidmap import scale
    from voidmap.depth.lamplight import lamp_light

    if plane.reference == "mm_per_px":
        raise InputError(
            "a picture to scale does not tell where its camera was", "give the photo with boards on the slab"
        )
    if ortho is None:
        ortho = scale.rectify(photo, plane)
        slab = _carried(slab, ortho, plane)
    return lamp_light(_pegs(photo, plane, ortho, slab, pegs), ortho, plane, slab)


def _carried(slab: SlabFound, ortho: Ortho, plane: Plane) -> SlabFound:
    """Return a slab's masks on another photo laid square-on."""
    from voidmap.surface.covered import fill_polygons, find_sheets

    mask = fill_polygons(ortho, [slab.outline_mm])
    covered = fill_polygons(ortho, [*find_sheets(ortho, plane.patterns_mm), *plane.patterns_mm])
    return replace(slab, mask=mask, covered=covered & mask)


def _pegs(
    photo: Photo, plane: Plane, ortho: Ortho, slab: SlabFound, given: Sequence[PegGiven]
) -> tuple[PegShadow, ...]:
    from voidmap.depth.peg import find_pegs

    by_hand = [_by_hand(photo, plane, peg) for peg in given if peg.foot_px is not None]
    heights = sorted({peg.height_mm for peg in given if peg.foot_px is None})
    if not heights:
        return tuple(by_hand)
    if len(heights) > 1:
        raise ValueRefused("pegs of different heights can't be told apart", "for each give its shadow's foot and tip")
    found = find_pegs(ortho, slab.mask & ~slab.covered & ortho.valid, heights[0], plane.camera_mm)
    asked = sum(peg.foot_px is None for peg in given)
    if len(found) < asked:
        none = "no peg's shadow was" if not found else f"only {len(found)} of {asked} pegs' shadows were"
        raise PhotoError(
            f"{none} found on bare wood in {photo.file}",
            "give the photo by lamp light last, stand the peg so that its whole shadow falls on bare wood, or "
            "give the shadow's foot and tip, as in --peg '40mm 1310,905 1472,678'",
        )
    return (*by_hand, *found[:asked])


def _by_hand(photo: Photo, plane: Plane, peg: PegGiven) -> PegShadow:
    import numpy as np

    from voidmap.depth.peg import PegShadow

    picked = np.array([peg.foot_px, peg.tip_px], dtype=np.float64)
    if (picked < 0).any() or (picked > [photo.width_px - 1, photo.height_px - 1]).any():
        raise ValueRefused(f"the peg's points lie outside {photo.file}", "give them in pixels of the upright photo")
    foot, tip = plane.to_mm(picked)
    error = BY_HAND_PX * float(plane.mm_per_px_at(tip[None])[0]) * 2**0.5
    return PegShadow(peg.height_mm, foot, tip, error, error, _lamp_share(photo, plane, foot, tip))


def _lamp_share(photo: Photo, plane: Plane, foot: Floats, tip: Floats) -> float | None:
    """Return the part of the light that is gone along a shadow's middle line; None when the line isn't dark."""
    import numpy as np

    from voidmap.depth.peg import linear_light

    span = tip - foot
    beside = BESIDE_MM * np.array([-span[1], span[0]]) / max(float(np.hypot(*span)), 1e-9)
    line = foot + np.linspace(0.3, 0.7, 25)[:, None] * span

    def light(points_mm: Floats) -> float:
        at = np.clip(np.round(plane.to_px(points_mm)).astype(int), 0, [photo.width_px - 1, photo.height_px - 1])
        return float(np.median(linear_light(photo.pixels[at[:, 1], at[:, 0]][None])))

    share = 1 - light(line) / max(light(np.vstack([line - beside, line + beside])), 1e-6)
    return share if LEAST_LAMP_SHARE < share < 1 else None


def hide_pegs(slab: SlabFound, ortho: Ortho, light: LampLight) -> SlabFound:
    """Return the slab with pegs and their shadows taken as covered: they are no defects."""
    from voidmap.surface.covered import fill_polygons

    outlines = [p.outline_mm for p in light.lamp.pegs if p.outline_mm is not None]
    return replace(slab, covered=slab.covered | (fill_polygons(ortho, outlines) & slab.mask)) if outlines else slab


def lamp_note(light: LampLight, measured: int) -> str:
    """Say what lamp was found and how many voids it measured."""
    lamp = light.lamp
    lo, hi = lamp.elevation_interval_deg
    near = lamp.nearness_per_mm
    place = f"about {1e-3 / near:.1f} m from the peg" if near > 0.1e-3 else "far away"
    voids = "1 void" if measured == 1 else f"{measured} voids"
    return (
        f"The lamp stands {lamp.elevation_deg:.1f}° over the slab at the peg ({lo:.1f} to {hi:.1f}), {place}; "
        f"its shadow shows depth in {voids}."
    )
