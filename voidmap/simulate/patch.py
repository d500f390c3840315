"""What lies under a coat (wood, tinted fills), and where pinholes come up, stay and close."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np

from voidmap.coat.pit import Pit, draw_pit, style_of
from voidmap.simulate.grid import Floats, Grid, Slab
from voidmap.simulate.noise import F32, fractal, linear, smooth

TINTS = {"copper": (176, 96, 52), "black": (24, 22, 22), "amber": (150, 92, 30), "blue": (30, 60, 120)}
DIAMETER_MM = (0.65, 0.5)
"""Median and log-spread of pinhole diameters (our assumption)."""
SMALLEST_MM, LARGEST_MM = 0.2, 3.2
"""Diameters are cut to these (our assumption)."""
CLOSES = {"rim": 0.55, "pore": 0.7, "bubble": 0.9}
"""Chance that one more coat closes a site, by what feeds it (our assumption; a fed void outlives a bubble)."""


@dataclass(frozen=True)
class Site:
    """A pinhole's place, kept over the coats."""

    id: int
    kind: str
    first_coat: int
    pit: Pit


@dataclass(frozen=True, eq=False)
class Patch:
    """What lies under the coat: radiance, and where rims and fills are (masks on the grid)."""

    grid: Grid
    base: F32
    rims: F32
    filled: F32


def patch_of(
    rng: np.random.Generator,
    slab: Slab,
    middle_mm: tuple[float, float],
    size_mm: tuple[float, float],
    cell_mm: float,
    tint: str,
) -> Patch:
    """Cut a patch out of a slab and fill its voids with tinted resin, level with the top."""
    w, h = size_mm
    n = (round(h / cell_mm), round(w / cell_mm))
    grid = Grid(middle_mm[0] - w / 2, middle_mm[1] - h / 2, cell_mm, n[0], n[1])
    x, y = np.meshgrid(grid.x(), grid.y())
    mx = ((x - slab.grid.x0_mm) / slab.grid.cell_mm).astype(np.float32)
    my = ((y - slab.grid.y0_mm) / slab.grid.cell_mm).astype(np.float32)
    albedo = cv2.remap(slab.albedo, mx, my, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    open_ = ((slab.depth > 0) & slab.top).astype(np.float32)
    filled = cv2.remap(open_, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    filled = np.clip((cv2.GaussianBlur(filled, (0, 0), 1.0) - 0.5) * 4 + 0.5, 0, 1)
    c = cell_mm
    fibre = smooth(rng, n, (5 / c, 0.25 / c))
    resin = linear(TINTS[tint]).astype(np.float32)
    swirl = fractal(rng, n, (14 / c, 9 / c), 4, 0.6)
    metal = 1 + 0.25 * swirl[..., None] + 0.04 * rng.standard_normal((*n, 1), dtype=np.float32)
    # wet wood is darker and redder than dry wood
    wood = (
        np.clip(albedo, 0.003, 0.95) ** np.float32(1.12)
        * np.array([0.98, 0.93, 0.86], np.float32)
        * (1 + 0.04 * fibre[..., None])
    )
    base = wood * (1 - filled[..., None]) + resin * metal * filled[..., None]
    rims = cv2.morphologyEx((filled > 0.5).astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8))
    return Patch(grid, np.clip(base, 0.003, 0.9).astype(np.float32), rims.astype(np.float32), filled.astype(np.float32))


def _diameter(rng: np.random.Generator) -> float:
    return float(np.clip(DIAMETER_MM[0] * np.exp(DIAMETER_MM[1] * rng.standard_normal()), SMALLEST_MM, LARGEST_MM))


def _pit(rng: np.random.Generator, kind: str, at: tuple[float, float]) -> Pit:
    return draw_pit(rng, at[0], at[1], _diameter(rng), style_of(rng, kind))


class _Room:
    """Where pinholes lie: pits that touch would be one pit."""

    def __init__(self, sites: Sequence[Site]) -> None:
        self.taken: dict[tuple[int, int], list[Pit]] = {}
        for site in sites:
            self.take(site.pit)

    def take(self, pit: Pit) -> None:
        self.taken.setdefault(_square(pit.x_mm, pit.y_mm), []).append(pit)

    def is_taken(self, at: tuple[float, float]) -> bool:
        """Tell whether a place is too near to a pit for another of any size."""
        return any(np.hypot(at[0] - p.x_mm, at[1] - p.y_mm) < 1.2 * p.diameter_mm + 0.6 for p in self._near(*at))

    def is_touched(self, pit: Pit) -> bool:
        near = self._near(pit.x_mm, pit.y_mm)
        return any(np.hypot(pit.x_mm - p.x_mm, pit.y_mm - p.y_mm) < (pit.diameter_mm + p.diameter_mm) / 2 for p in near)

    def _near(self, x_mm: float, y_mm: float) -> Iterator[Pit]:
        column, row = _square(x_mm, y_mm)
        for place in product((column - 1, column, column + 1), (row - 1, row, row + 1)):
            yield from self.taken.get(place, ())


def _square(x_mm: float, y_mm: float) -> tuple[int, int]:
    """Return in which square of a coarse grid a place lies: as wide as the widest pit keeps others off."""
    side = 1.2 * LARGEST_MM + 0.6
    return math.floor(x_mm / side), math.floor(y_mm / side)


def _place(
    rng: np.random.Generator, patch: Patch, kind: str, reach_mm: tuple[float, float], rims: Floats
) -> tuple[float, float]:
    """Return a place: by a rim, in a line along the grain, or anywhere."""
    grid = patch.grid
    cx = grid.x0_mm + grid.columns * grid.cell_mm / 2
    cy = grid.y0_mm + grid.rows * grid.cell_mm / 2
    if kind == "rim" and len(rims):
        x, y = rims[int(rng.integers(len(rims)))] + rng.normal(0, 0.5, 2)
        return float(x), float(y)
    return float(cx + rng.uniform(-1, 1) * reach_mm[0]), float(cy + rng.uniform(-1, 1) * reach_mm[1])


def grow_sites(
    rng: np.random.Generator,
    patch: Patch,
    count: int,
    coats: int,
    reach_mm: tuple[float, float],
    *,
    new_share: float = 0.12,
    closes: dict[str, float] | None = None,
) -> list[list[Site]]:
    """Return the sites after each coat: the first coat's, then what stays, shrinks, closes and comes."""
    closes = CLOSES if closes is None else closes
    shares = rng.dirichlet([3, 2, 2]) if patch.rims.any() else np.array([0.0, 0.5, 0.5])
    kinds = ("rim", "pore", "bubble")
    after: list[list[Site]] = []
    number = 1
    rows, columns = np.nonzero(patch.rims)
    rims = patch.grid.to_mm(np.c_[columns, rows])
    middle = patch.grid.to_mm([[patch.grid.columns / 2, patch.grid.rows / 2]])[0]
    rims = rims[(np.abs(rims - middle) < reach_mm).all(1)]
    for coat in range(1, coats + 1):
        sites: list[Site] = []
        for old in after[-1] if after else []:
            if rng.random() >= closes[old.kind]:
                size = np.clip(old.pit.diameter_mm * rng.normal(0.92, 0.12), SMALLEST_MM, LARGEST_MM)
                sites.append(replace(old, pit=replace(old.pit, diameter_mm=float(size))))
        room = _Room(sites)
        for _ in range(count if coat == 1 else int(rng.poisson(new_share * count / coat))):
            kind = (
                kinds[int(rng.choice(3, p=shares))] if coat == 1 else ("bubble", "bubble", "rim")[int(rng.integers(3))]
            )
            at = _place(rng, patch, kind, reach_mm, rims)
            if room.is_taken(at):
                continue
            pit = _pit(rng, kind, at)
            if room.is_touched(pit):
                continue
            sites.append(Site(number, kind, coat, pit))
            room.take(pit)
            number += 1
        after.append(sites)
    return after
