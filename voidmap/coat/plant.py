"""Plant simulated pinholes of known size into a photo.

The photo gives the ground, its light and its blur; the pinhole's shape (``pit``) takes light away and bends the
mirror above. Where the lamps hang can't be known from one photo, so they are drawn: some overhead, whose reflection
only slopes of some degrees reach, and windows aside, which only steep rims do. Inside a lamp's own reflection the
slopes send its light elsewhere, and the ground shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.near import Near, nearest
from voidmap.coat.pit import (
    DULL_SHARE,
    DULL_VEIL,
    DUST,
    RIM_RADII,
    Pit,
    alike,
    draw_pit,
    look_of,
    sanded_style,
    style_of,
)
from voidmap.model import Floats

FINE, FINE_PX = 4, 16
"""Pinholes are drawn up to so many times finer than the photo, then averaged: so that a radius is 8 cells and more."""
AT_ONCE = 16
"""Pinholes drawn together at most: their maps stay near the processor."""
GLARE_GREY = 225.0
"""8-bit grey from which a place lies in a lamp's reflection."""
GLARE_STEP = 16
"""Glare is told on a grid of so many px."""
MIRRORED = 0.047
"""Share that a level film mirrors: ((n - 1) / (n + 1))^2 with n = 1.55, cured epoxy (handbooks give 1.5 to 1.6)."""
KINDS = ("rim", "pore", "bubble")
SHARES = (0.43, 0.285, 0.285)
"""What feeds the pinholes, on average (our assumption)."""
HAZE = (0.6, 0.95)
"""Range of how much sanding dulls (our assumption); never more than the darkest ground allows."""
LAMP_SOFT = 0.02
"""A lamp's edge is this soft in slope: its own shade, and ripples of the film."""
LAMP_SLOPES = (0.02, 0.1)
"""Half width of a lamp's reflection as the slope that leaves it."""


_LEVEL = np.arange(256, dtype=np.float32) / 255
LINEAR = np.where(_LEVEL <= 0.04045, _LEVEL / 12.92, ((_LEVEL + 0.055) / 1.055) ** 2.4).astype(np.float32)
"""Linear light of each 8-bit level (IEC 61966-2-1, sRGB)."""


@dataclass(frozen=True)
class Plant:
    """A pinhole to plant: centre and diameter in photo px, and its shape (its own place and size do not count).

    Without a shape one is drawn. ``sight`` is the tangent (x, y) by which the line of sight leaves the plumb there.
    """

    x_px: float
    y_px: float
    diameter_px: float
    shape: Pit | None = None
    sight: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Lamp:
    """A lamp as slopes see it: the slope (x, y) that mirrors its middle, half sides, turn, radiance over white.

    It is as seen from above until it is ``seen_along`` another line.
    """

    slope_x: float
    slope_y: float
    half_x: float
    half_y: float
    turn_rad: float
    strength: float


@dataclass(frozen=True)
class Setting:
    """Lamps, how much sanding dulls, the room's own radiance, and the slope that leaves a lamp's reflection."""

    lamps: tuple[Lamp, ...]
    haze: float
    room: float
    glare: float


def seen_along(lamp: Lamp, sight: tuple[float, float]) -> Lamp:
    """Return a lamp, given as seen from above, along a line of sight that leaves the plumb by these tangents.

    A mirror's normal halves the angle between the lines to the eye and to the lamp.
    """
    # The line to the lamp is the plumb mirrored by the lamp's slope; both lines are made one long and added.
    steep = lamp.slope_x**2 + lamp.slope_y**2
    long, far = 1 + steep, math.hypot(*sight, 1.0)
    up = (1 - steep) / long + 1 / far
    x = 2 * lamp.slope_x / long + sight[0] / far
    y = 2 * lamp.slope_y / long + sight[1] / far
    return replace(lamp, slope_x=x / up, slope_y=y / up)


def plant(
    pixels: Bytes,
    plants: Sequence[Plant],
    rng: np.random.Generator,
    *,
    sanded: bool,
    blur_px: float,
    settings: int = 1,
) -> Bytes:
    """Return a copy of a picture (H, W, 3) uint8 with pinholes planted.

    Parameters
    ----------
    pixels
        The photo, B, G, R.
    plants
        What to plant; those over the frame's border are cut off there.
    rng
        Draws the lamps and the shapes that are not given.
    sanded
        Whether the surface is sanded haze (else gloss).
    blur_px
        The photo's blur (1 sigma), px.
    settings
        How many settings of lamps and haze are drawn; the plants take them in turn.
    """
    out = pixels.copy()
    drawn = [_setting(rng, sanded) for _ in range(settings)]
    size = (max(1, out.shape[1] // GLARE_STEP), max(1, out.shape[0] // GLARE_STEP))
    glaring = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA).mean(axis=2) >= GLARE_GREY
    pits = [_pit_of(one, rng, sanded=sanded) for one in plants]
    under = [_seen_at(drawn[number % settings], one.sight) for number, one in enumerate(plants)]
    for one, pit, setting, maps in zip(plants, pits, under, _changes(pits, under, blur_px), strict=True):
        half = _reach(one.diameter_px) + _margin(blur_px)
        left, top = round(one.x_px) - half, round(one.y_px) - half
        x0, y0 = max(0, left), max(0, top)
        x1, y1 = min(out.shape[1], left + 2 * half + 1), min(out.shape[0], top + 2 * half + 1)
        if x1 <= x0 or y1 <= y0:
            continue
        cut = np.s_[y0 - top : y1 - top, x0 - left : x1 - left]
        column, row = round(one.x_px) // GLARE_STEP, round(one.y_px) // GLARE_STEP
        in_glare = bool(glaring[min(row, glaring.shape[0] - 1), min(column, glaring.shape[1] - 1)])
        lost = _lost_glare(pit, setting.glare, blur_px)[cut] if in_glare else None
        out[y0:y1, x0:x1] = _changed(out[y0:y1, x0:x1], maps[cut], setting.haze, lost)
    return out


def _pit_of(one: Plant, rng: np.random.Generator, *, sanded: bool) -> Pit:
    """Return a plant's pit, in px from its middle px."""
    shape = one.shape or shape_of(rng, KINDS[int(rng.choice(3, p=SHARES))], sanded=sanded)
    away = (one.x_px - round(one.x_px), one.y_px - round(one.y_px))
    return replace(shape, x_mm=away[0], y_mm=away[1], diameter_mm=one.diameter_px)


def shape_of(rng: np.random.Generator, kind: str, *, sanded: bool) -> Pit:
    """Draw a pinhole's shape by what feeds it (one of ``KINDS``), of diameter 1 about the origin."""
    style = style_of(rng, kind)
    return draw_pit(rng, 0.0, 0.0, 1.0, sanded_style(rng, style) if sanded else style)


def _setting(rng: np.random.Generator, sanded: bool) -> Setting:
    haze = float(rng.uniform(*HAZE)) if sanded else 0.0
    return Setting(_lamps(rng), haze, float(rng.uniform(0.1, 0.7)), float(rng.uniform(*LAMP_SLOPES)))


def _lamps(rng: np.random.Generator) -> tuple[Lamp, ...]:
    lamps = []
    for _ in range(int(rng.integers(1, 4))):
        at, side = float(rng.uniform(0.03, 0.25)), float(rng.uniform(0, 2 * np.pi))
        half = float(rng.uniform(0.05, 0.16) if rng.random() < 0.7 else rng.uniform(0.01, 0.04))
        lamps.append(
            Lamp(
                at * float(np.cos(side)), at * float(np.sin(side)), half, float(rng.uniform(0.005, 0.025)),
                float(rng.uniform(0, np.pi)), float(rng.uniform(4, 22)),
            )
        )  # fmt: skip
    for _ in range(int(rng.integers(0, 3))):
        at, side = float(rng.uniform(0.35, 0.7)), float(rng.uniform(0, 2 * np.pi))
        lamps.append(
            Lamp(
                at * float(np.cos(side)), at * float(np.sin(side)), float(rng.uniform(0.05, 0.2)),
                float(rng.uniform(0.05, 0.2)), side, float(rng.uniform(2, 9)),
            )
        )  # fmt: skip
    return tuple(lamps)


def _seen_at(setting: Setting, sight: tuple[float, float]) -> Setting:
    """Return a setting as it is seen along a line of sight."""
    # What the level film mirrors is in the photo already.
    lamps = (seen_along(lamp, sight) for lamp in setting.lamps)
    return replace(setting, lamps=tuple(lamp for lamp in lamps if not _in_level(lamp)))


def _in_level(lamp: Lamp) -> bool:
    """Tell whether a level surface mirrors some of a lamp (as ``_lit`` does at no slope, for one lamp quickly)."""
    c, s = math.cos(lamp.turn_rad), math.sin(lamp.turn_rad)
    along, across = abs(c * lamp.slope_x + s * lamp.slope_y), abs(c * lamp.slope_y - s * lamp.slope_x)
    return along < lamp.half_x + LAMP_SOFT / 2 and across < lamp.half_y + LAMP_SOFT / 2


def _reach(diameter_px: float) -> int:
    """Return how far a pinhole and its rim reach from the middle of its patch, whole px."""
    return int(np.ceil(RIM_RADII * diameter_px / 2)) + 1


def _margin(blur_px: float) -> int:
    return int(np.ceil(4 * blur_px)) + 1


def _fine(diameter_px: float) -> int:
    return int(np.clip(np.ceil(FINE_PX / diameter_px), 1, FINE))


def _grid(diameter_px: float) -> tuple[Floats32, Floats32]:
    """Return the fine places of a patch as far as a pit reaches, px from its middle: x (1, n) and y (n, 1)."""
    fine, half = _fine(diameter_px), _reach(diameter_px)
    axis = ((np.arange((2 * half + 1) * fine) + 0.5) / fine - 0.5 - half).astype(np.float32)
    return axis[None, :], axis[:, None]


def _changes(pits: Sequence[Pit], settings: Sequence[Setting], blur_px: float) -> list[Floats32]:
    """Return maps (h, w, 3) of each pit: share of the ground's light lost, light added, and freedom from haze.

    Those of one style and of like size are worked out together; each has its own setting.
    """
    groups: dict[tuple[str, int, int], list[int]] = {}
    for number, pit in enumerate(pits):
        key = (pit.style, _reach(pit.diameter_mm), _fine(pit.diameter_mm))
        groups.setdefault(key, []).append(number)
    lots = [group[first : first + AT_ONCE] for group in groups.values() for first in range(0, len(group), AT_ONCE)]

    out: dict[int, Floats32] = {}
    for lot in lots:
        under = [settings[number] for number in lot]
        out.update(zip(lot, _changes_of([pits[number] for number in lot], under, blur_px), strict=True))
    return [out[number] for number in range(len(pits))]


def _changes_of(pits: Sequence[Pit], settings: Sequence[Setting], blur_px: float) -> Floats32:
    x, y = _grid(pits[0].diameter_mm)
    look = look_of(alike(pits), x, y)
    seen = np.zeros_like(look.dark)
    for place in range(max(len(setting.lamps) for setting in settings)):
        lit = [k for k, setting in enumerate(settings) if place < len(setting.lamps)]
        lamps = [settings[k].lamps[place] for k in lit]
        strength = _column(lamp.strength for lamp in lamps)
        seen[lit] += strength * _lit(lamps, look.slope_x[lit], look.slope_y[lit])
    room = _column(setting.room for setting in settings)
    steep = 1 / np.sqrt(1 + look.slope_x * look.slope_x + look.slope_y * look.slope_y)
    flat = 1 - steep
    share = MIRRORED + (1 - MIRRORED) * flat * flat * flat * flat * flat
    add = share * (seen + room) - MIRRORED * room + look.white * np.float32(DUST)
    lost = 1 - (1 - look.dark) * (1 - look.white)
    maps = np.stack([lost, add, np.maximum(look.bare, look.white)], axis=-1)
    return _photographed(np.asarray(maps, dtype=np.float32), _reach(pits[0].diameter_mm), blur_px)


def _column(values: Iterable[float]) -> Floats32:
    """Return values as (N, 1, 1)."""
    return np.array(list(values), dtype=np.float32)[:, None, None]


def _lit(lamps: Sequence[Lamp], slope_x: Floats32, slope_y: Floats32) -> Floats32:
    """Return how much (0 to 1) of each lamp (N) slopes (N, rows, columns) mirror."""
    c, s = _column(np.cos(lamp.turn_rad) for lamp in lamps), _column(np.sin(lamp.turn_rad) for lamp in lamps)
    dx, dy = slope_x - _column(lamp.slope_x for lamp in lamps), slope_y - _column(lamp.slope_y for lamp in lamps)
    u, v = np.abs(c * dx + s * dy), np.abs(c * dy - s * dx)
    along = np.clip((_column(lamp.half_x for lamp in lamps) - u) / np.float32(LAMP_SOFT) + 0.5, 0, 1)
    across = np.clip((_column(lamp.half_y for lamp in lamps) - v) / np.float32(LAMP_SOFT) + 0.5, 0, 1)
    return np.asarray(along * across, dtype=np.float32)


def _lost_glare(pit: Pit, glare: float, blur_px: float) -> Floats32:
    """Return the share (h, w) of a lamp's reflection that the slopes send elsewhere."""
    look = look_of(alike([pit]), *_grid(pit.diameter_mm))
    away = np.hypot(look.slope_x, look.slope_y) / np.float32(glare)
    lost = np.asarray(np.clip(away - 0.5, 0, 1), dtype=np.float32)
    return _photographed(lost[..., None], _reach(pit.diameter_mm), blur_px)[0, ..., 0]


def _photographed(fine: Floats32, half: int, blur_px: float) -> Floats32:
    """Return fine maps (N, rows, columns, C) averaged to px, with room for the blur around them, and blurred."""
    count, side, room = len(fine), 2 * half + 1, _margin(blur_px)
    small = cv2.resize(fine.reshape(-1, *fine.shape[2:]), (side, count * side), interpolation=cv2.INTER_AREA)
    wide = np.zeros((count, side + 2 * room, side + 2 * room, fine.shape[3]), np.float32)
    wide[:, room:-room, room:-room] = small.reshape(count, side, side, -1)
    # The room is wider than the blur reaches: maps below each other stay apart.
    blurred = cv2.GaussianBlur(wide.reshape(-1, *wide.shape[2:]), (0, 0), max(blur_px, 0.1))
    return np.asarray(blurred, dtype=np.float32).reshape(wide.shape)


def _changed(patch: Bytes, maps: Floats32, haze: float, lost: Floats32 | None) -> Bytes:
    """Return a patch (h, w, 3) after a pinhole's changes (as ``_changes`` gives them), worked out in linear light."""
    keep, add, bare = 1 - maps[..., 0], maps[..., 1], maps[..., 2]
    light = _linear(patch)
    if lost is not None:
        below = light * np.float32(0.25)  # the ground under a reflection is hidden; it is some shade of it
        light = light + (below - light) * lost[..., None]
    if haze > 0:
        least = _quantile(light, 0.02)
        haze = min(haze, 0.9 * least / DULL_VEIL)
        below = (light - DULL_VEIL * haze) / (1 - (1 - DULL_SHARE) * haze)
        left = np.clip(haze * (1 - bare), 0, 1)[..., None]
        gloss = below * keep[..., None] + add[..., None]
        light = gloss + ((DULL_SHARE * gloss + DULL_VEIL) - gloss) * left
    else:
        light = light * keep[..., None] + add[..., None]
    # Where nothing changes the light is the photo's own, and comes back as the very level that it was.
    return np.asarray(np.round(_display(np.clip(light, 0, 1))), dtype=np.uint8)


def _quantile(values: Floats32, share: float) -> float:
    """Return a quantile of values of any shape: NumPy's own takes longer over so few than all else."""
    ordered = np.sort(values, axis=None)
    at = share * (len(ordered) - 1)
    below, above = ordered[int(at)], ordered[min(int(at) + 1, len(ordered) - 1)]
    return float(below + (above - below) * (at - int(at)))


def _linear(grey: Bytes) -> Floats32:
    return np.asarray(LINEAR[grey], dtype=np.float32)


def _display(light: Floats32) -> Floats32:
    power = cv2.pow(light, 1 / 2.4)
    return np.asarray(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * power - 0.055), dtype=np.float32)


def places_apart(
    free: Bytes | Floats32, count: int, least_px: float, rng: np.random.Generator, *, taken_px: NDArray[np.float64]
) -> Floats:
    """Draw up to ``count`` places (N, 2) px at random where ``free`` (H, W) is over zero, as often as it says.

    No two lie nearer than ``least_px``, nor nearer than that to a taken place (M, 2).
    """
    places = np.flatnonzero(free > 0)
    if len(places) == 0:
        return np.zeros((0, 2))
    share = free.reshape(-1)[places].astype(np.float64)
    even = float(np.ptp(share)) == 0
    pick = rng.choice(len(places), min(len(places), 8 * count), replace=False, p=None if even else share / share.sum())
    rows, columns = np.divmod(places[pick], free.shape[1])
    trial = np.column_stack([columns, rows]) + rng.uniform(-0.5, 0.5, (len(pick), 2))
    if len(taken_px):
        trial = trial[nearest(np.asarray(taken_px), trial)[0] >= least_px]
    kept: list[int] = []
    free_still = np.ones(len(trial), bool)
    near = Near(trial)
    for i in range(len(trial)):
        if free_still[i]:
            kept.append(i)
            free_still[near.around(trial[i, 0], trial[i, 1], least_px)] = False
            if len(kept) == count:
                break
    return np.asarray(trial[kept], dtype=np.float64).reshape(-1, 2)
