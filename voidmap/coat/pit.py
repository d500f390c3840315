"""The shape of a pinhole in a coat: what it does to the light below and to the mirror above.

A pit is a change of slope, which the lamps mirror as glints and rings, and a place where light is lost (a narrow
hole, the limb of a bubble) or scattered (sanding dust). Surface tension raises a rim around it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

RIM_RADII = 2.3
"""The raised rim has died out at this many radii."""
COLLAR_WIDTH = 0.2
"""Half width (1 sigma) of the raised rim, in radii."""
WALL_RADII = 0.4
"""Darkness grows with depth over a wall this wide, in radii, about the core's edge."""
DUST_EDGE = 0.25
"""The same of packed dust."""
LIMB_RADII = 1 / 1.55
"""Beyond this share of its radius a bubble reflects totally: the sine of the critical angle from epoxy to air."""
DUST = 0.75
"""Radiance of sanding dust relative to white paper."""
DULL_SHARE, DULL_VEIL = 0.72, 0.2
"""A sanded skin scatters: the wood below is seen at this share, under a veil of this radiance."""


@dataclass(frozen=True)
class Pit:
    """A pinhole's shape: where, how wide, how it looks.

    ``style`` is crater (open), hole (narrow, deep, dark), bubble (a dome that has not burst) or dust (a crater
    packed with sanding dust). ``tone`` scales its darkness, ``offset`` (x, y, in radii) moves the deepest place off
    the middle, ``core`` is that place's radius in radii. ``collar`` is the steepness of the rim that surface tension
    raises around it, ``crest`` where that rim is highest, in radii; ``cut`` (-1 to 1) is how much more of the rim
    (or, below 0, less) the sanding paper dulls than of the surface around.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    style: str
    tone: float = 1.0
    offset: tuple[float, float] = (0.0, 0.0)
    steep: float = 0.7
    core: float = 0.8
    collar: float = 0.15
    crest: float = 1.35
    cut: float = 0.0


@dataclass(frozen=True, eq=False)
class Pits:
    """Several pits of one style; the fields are those of ``Pit``, (N, 1, 1) each."""

    x_mm: F64
    y_mm: F64
    diameter_mm: F64
    style: str
    tone: F64
    offset: tuple[F64, F64]
    steep: F64
    core: F64
    collar: F64
    crest: F64
    cut: F64


def alike(pits: Sequence[Pit]) -> Pits:
    """Return pits of one style together."""

    def of(values: Iterable[float]) -> F64:
        return np.array(list(values), dtype=np.float64)[:, None, None]

    return Pits(
        of(p.x_mm for p in pits), of(p.y_mm for p in pits), of(p.diameter_mm for p in pits), pits[0].style,
        of(p.tone for p in pits), (of(p.offset[0] for p in pits), of(p.offset[1] for p in pits)),
        of(p.steep for p in pits), of(p.core for p in pits), of(p.collar for p in pits), of(p.crest for p in pits),
        of(p.cut for p in pits),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Look:
    """A pit at places (N,): slopes, shares of light lost and of dust, freedom from haze (1 none, below 0 more)."""

    slope_x: F32
    slope_y: F32
    dark: F32
    white: F32
    bare: F32


def draw_pit(rng: np.random.Generator, x_mm: float, y_mm: float, diameter_mm: float, style: str) -> Pit:
    """Draw a pit's shape at random (the ranges are our assumption); its walls slope, so that the dark is narrower."""
    core = rng.uniform(0.4, 0.95) if style == "dust" else rng.uniform(0.65, 0.95)
    return Pit(
        x_mm, y_mm, diameter_mm, style, float(rng.uniform(0.5, 1.1)),
        (float(rng.normal(0, 0.12)), float(rng.normal(0, 0.12))), float(rng.uniform(0.25, 1.1)),
        float(core), float(rng.uniform(0.0, 0.9)), float(rng.uniform(1.2, 1.65)), float(rng.uniform(-0.4, 0.4)),
    )  # fmt: skip


def style_of(rng: np.random.Generator, kind: str) -> str:
    """Draw the style of a pit by what feeds it: the rim of a void, a pore of the wood, or a bubble of the mix."""
    styles = {"rim": ("crater", "hole"), "pore": ("hole", "crater"), "bubble": ("bubble", "crater")}[kind]
    return styles[int(rng.random() < 0.35)]


def sanded_style(rng: np.random.Generator, style: str) -> str:
    """Draw what sanding makes of a style: it packs most pits with white dust and opens bubbles."""
    after = "dust" if rng.random() < 0.65 else "crater"
    return after if style != "hole" or rng.random() < 0.5 else "hole"


def look_of(pit: Pit | Pits, x_mm: F32, y_mm: F32) -> Look:
    """Return what a pit does at places (N,) mm, or several pits (N) at places (rows, columns) each."""
    r = np.float32(pit.diameter_mm / 2)
    x, y = (x_mm - np.float32(pit.x_mm)) / r, (y_mm - np.float32(pit.y_mm)) / r
    rho = np.sqrt(x * x + y * y)
    inside = np.clip((1 - rho) / 0.08 + 0.5, 0, 1)
    steep = np.float32(pit.steep)
    if pit.style == "bubble":
        rise = -steep * np.clip(rho, 0, 1) * inside
    else:
        rise = steep * np.sin(np.pi * np.clip(rho, 0, 1)) * inside
    # up to the rim's crest and down again: the slope of a bump, steepest one width from its top
    away = (rho - np.float32(pit.crest)) / np.float32(COLLAR_WIDTH)
    bump = np.exp(-0.5 * away * away)
    rise = rise - np.float32(pit.collar) * away * bump * np.float32(np.exp(0.5))
    ux, uy = x / np.maximum(rho, 1e-3), y / np.maximum(rho, 1e-3)
    off = np.sqrt((x - np.float32(pit.offset[0])) ** 2 + (y - np.float32(pit.offset[1])) ** 2)
    wall = np.float32(DUST_EDGE if pit.style == "dust" else WALL_RADII)
    core = np.clip((np.float32(pit.core) - off) / wall + 0.5, 0, 1) * inside
    bare = inside - np.float32(pit.cut) * bump
    dark, white = np.zeros_like(rho), np.zeros_like(rho)
    if pit.style == "hole":
        dark = np.float32(0.85 * pit.tone) * core
    elif pit.style == "crater":
        dark = np.float32(pit.tone) * (0.6 * core + 0.05 * inside)
    elif pit.style == "dust":
        dark, white = 0.15 * inside * (1 - core), np.float32(pit.tone) * core
    else:
        # light from below is lost at both skins of a bubble, and nearly all of it beyond the critical angle
        limb = np.clip((rho - np.float32(LIMB_RADII)) / 0.1 + 0.5, 0, 1) * inside
        dark = np.float32(pit.tone) * (0.2 * core + 0.12 * limb)
        bare = -np.float32(pit.cut) * bump
    return Look(
        (rise * ux).astype(np.float32),
        (rise * uy).astype(np.float32),
        np.clip(dark, 0, 1).astype(np.float32),
        np.clip(white, 0, 1).astype(np.float32),
        bare.astype(np.float32),
    )
