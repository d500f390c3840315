"""Plant simulated pinholes of known size into a photo.

How a pinhole looks, from what makes it: a pit or a bubble under the film darkens its disc; its raised rim mirrors
a lamp in short arcs and dots; inside a lamp's own reflection the rim and the pit send the light elsewhere and look
dark; sanding leaves a pit glossy in a pale haze, or fills it with white dust.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.donors import WHITE, Donors
from voidmap.coat.ground import Bytes, Floats32
from voidmap.model import Floats

FINE = 4
"""Pinholes are drawn this many times finer than the photo, then averaged."""
GLARE_GREY = 225.0
"""8-bit grey from which a place lies in a lamp's reflection."""


@dataclass(frozen=True)
class Plant:
    """A pinhole to plant: centre and diameter in photo px, and its seed of appearance."""

    x_px: float
    y_px: float
    diameter_px: float


@dataclass(frozen=True, eq=False)
class Appearance:
    """Maps of a drawn pinhole (h, w): share of light taken away, and share of the way to the lamp's white."""

    dark: Floats32
    bright: Floats32


def plant(
    pixels: Bytes,
    plants: Sequence[Plant],
    rng: np.random.Generator,
    *,
    sanded: bool,
    blur_px: float,
    donors: Donors | None = None,
) -> Bytes:
    """Return a copy of a picture (H, W, 3) uint8 with pinholes planted.

    Parameters
    ----------
    pixels
        The photo, B, G, R.
    plants
        What to plant; none may lie nearer than its diameter to the frame's border (such ones are cut off there).
    rng
        Draws each pinhole's look.
    sanded
        Whether the surface is sanded haze (else gloss).
    blur_px
        The photo's blur (1 sigma), px.
    donors
        The photo's own pinholes, to look like them outside a lamp's reflection; None draws all looks.
    """
    out = pixels.copy()
    lamp = rng.uniform(0, 2 * np.pi)
    for one in plants:
        half = int(np.ceil(1.6 * one.diameter_px + 4 * blur_px + 2))
        left, top = round(one.x_px) - half, round(one.y_px) - half
        x0, y0 = max(0, left), max(0, top)
        x1, y1 = min(out.shape[1], left + 2 * half + 1), min(out.shape[0], top + 2 * half + 1)
        if x1 <= x0 or y1 <= y0:
            continue
        patch = out[y0:y1, x0:x1].astype(np.float32)
        grey = float(np.median(patch))
        in_glare = grey >= GLARE_GREY
        donor = donors.draw(one.diameter_px, rng) if donors is not None and not in_glare else None
        if donors is not None and donor is not None:
            away = (one.x_px - round(one.x_px), one.y_px - round(one.y_px))
            change = donors.planted(donor, one.diameter_px, away, half)
            look = Appearance(np.maximum(-change, 0), np.maximum(change, 0))
        else:
            look = _draw(one, half, rng, lamp, sanded=sanded, in_glare=in_glare, blur_px=blur_px)
        dark = look.dark[y0 - top : y1 - top, x0 - left : x1 - left, None]
        bright = look.bright[y0 - top : y1 - top, x0 - left : x1 - left, None]
        shaded = patch * (1 - dark)
        lit = shaded + bright * np.maximum(WHITE - shaded, 0.0)
        out[y0:y1, x0:x1] = np.clip(np.round(lit), 0, 255).astype(np.uint8)
    return out


def _draw(
    one: Plant, half: int, rng: np.random.Generator, lamp: float, *, sanded: bool, in_glare: bool, blur_px: float
) -> Appearance:
    side = (2 * half + 1) * FINE
    axis = (np.arange(side) + 0.5) / FINE - 0.5 - half
    dx = axis[None, :] - (one.x_px - round(one.x_px))
    dy = axis[:, None] - (one.y_px - round(one.y_px))
    squash = rng.uniform(0.88, 1.0)
    turn = rng.uniform(0, np.pi)
    u = dx * np.cos(turn) + dy * np.sin(turn)
    v = (-dx * np.sin(turn) + dy * np.cos(turn)) / squash
    radius = np.hypot(u, v) * np.sqrt(squash)
    angle = np.arctan2(dy, dx)
    r = one.diameter_px / 2
    draw = _sanded if sanded else _in_glare if in_glare else _gloss
    dark, bright = draw(radius, angle, r, rng, lamp)
    size = (2 * half + 1, 2 * half + 1)
    return Appearance(_photographed(dark, size, blur_px), _photographed(bright, size, blur_px))


def _photographed(fine: Floats, size: tuple[int, int], blur_px: float) -> Floats32:
    soft = cv2.GaussianBlur(fine.astype(np.float32), (0, 0), max(blur_px * FINE, 0.3))
    return np.asarray(cv2.resize(soft, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _gloss(radius: Floats, angle: Floats, r: float, rng: np.random.Generator, lamp: float) -> tuple[Floats, Floats]:
    depth = rng.uniform(0.07, 0.25) if rng.random() < 0.45 else rng.uniform(0.2, 0.55)
    dark = depth * _bowl(radius, r, rng.uniform(0.0, 1.0)) * (1 - rng.uniform(0, 0.3) * _disc(radius, 0.6 * r))
    bright = np.zeros_like(radius)
    if rng.random() < 0.6:
        bright = _arcs(radius, angle, r * rng.uniform(1.2, 2.3), max(0.12 * r, 0.35), rng, lamp)
    for _ in range(rng.integers(0, 4)):
        bright = np.maximum(bright, _dot(radius, angle, r * rng.uniform(0.2, 1.4), max(0.12 * r, 0.4), rng))
    return dark, bright


def _in_glare(radius: Floats, angle: Floats, r: float, rng: np.random.Generator, lamp: float) -> tuple[Floats, Floats]:
    reach = r * rng.uniform(1.2, 2.0)
    dark = rng.uniform(0.2, 0.45) * _disc(radius, reach)
    dark = np.maximum(dark, rng.uniform(0.3, 0.6) * _disc(radius, r))
    gap = _arcs(radius, angle, 0.8 * reach, 0.15 * r, rng, lamp)
    return dark * (1 - gap), np.zeros_like(radius)


def _sanded(radius: Floats, angle: Floats, r: float, rng: np.random.Generator, lamp: float) -> tuple[Floats, Floats]:
    if rng.random() < 0.4:
        core = r * rng.uniform(0.5, 0.85)
        return rng.uniform(0.05, 0.3) * _disc(radius, r), rng.uniform(0.5, 1.0) * _disc(radius, core)
    dark = rng.uniform(0.06, 0.35) * _bowl(radius, r, rng.uniform(0.0, 0.6))
    bright = np.zeros_like(radius)
    if rng.random() < 0.5:
        ring = rng.uniform(1.2, 1.9) * r
        bright = rng.uniform(0.02, 0.12) * np.exp(-0.5 * ((radius - ring) / max(0.15 * r, 0.4)) ** 2)
    if rng.random() < 0.4:
        bright = np.maximum(bright, _dot(radius, angle, 0.4 * r, max(0.12 * r, 0.4), rng))
    return dark, bright


def _disc(radius: Floats, r: float) -> Floats:
    return (radius <= r).astype(np.float64)


def _bowl(radius: Floats, r: float, roundness: float) -> Floats:
    """Return a pit's darkness: a flat floor with steep walls (roundness 0) to a round bowl (1)."""
    inside = np.clip(1 - (radius / r) ** 2, 0, None)
    return np.where(radius < r, inside**roundness, 0.0)


def _arcs(radius: Floats, angle: Floats, ring: float, width: float, rng: np.random.Generator, lamp: float) -> Floats:
    """Glints of a raised rim: an arc toward the lamp, sometimes a weaker one across from it."""
    profile = np.exp(-0.5 * ((radius - ring) / width) ** 2)
    toward = np.abs(np.angle(np.exp(1j * (angle - lamp - rng.normal(0, 0.5)))))
    span = rng.uniform(0.3, 1.5)
    lit = rng.uniform(0.3, 1.0) * (toward < span)
    if rng.random() < 0.4:
        lit = np.maximum(lit, rng.uniform(0.1, 0.6) * (toward > np.pi - rng.uniform(0.1, 0.8)))
    return np.asarray(profile * lit, dtype=np.float64)


def _dot(radius: Floats, angle: Floats, away: float, width: float, rng: np.random.Generator) -> Floats:
    turn = rng.uniform(0, 2 * np.pi)
    distance2 = radius**2 + away**2 - 2 * radius * away * np.cos(angle - turn)
    return np.asarray(rng.uniform(0.2, 1.0) * np.exp(-0.5 * distance2 / width**2), dtype=np.float64)


def places_apart(
    free: Bytes, count: int, least_px: float, rng: np.random.Generator, *, taken_px: NDArray[np.float64]
) -> Floats:
    """Draw up to ``count`` places (N, 2) px at random where ``free`` (H, W) is non-zero.

    No two lie nearer than ``least_px``, nor nearer than that to a taken place (M, 2).
    """
    from scipy.spatial import KDTree

    rows, columns = np.nonzero(free)
    if len(rows) == 0:
        return np.zeros((0, 2))
    pick = rng.choice(len(rows), size=min(len(rows), 8 * count), replace=False)
    trial = np.column_stack([columns[pick], rows[pick]]) + rng.uniform(-0.5, 0.5, (len(pick), 2))
    if len(taken_px):
        trial = trial[KDTree(taken_px).query(trial)[0] >= least_px]
    kept: list[int] = []
    free_still = np.ones(len(trial), bool)
    near = KDTree(trial).query_ball_point(trial, least_px) if len(trial) else []
    for i in range(len(trial)):
        if free_still[i]:
            kept.append(i)
            free_still[near[i]] = False
            if len(kept) == count:
                break
    return np.asarray(trial[kept], dtype=np.float64).reshape(-1, 2)
