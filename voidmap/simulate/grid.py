"""The millimetre grid that a simulated slab lives on, and what lies in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from voidmap.simulate.noise import F32

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Grid:
    """A grid of square cells: cell (row, column) has its middle at (x0 + column * cell, y0 + row * cell) mm."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns

    def x(self) -> F32:
        """Return the columns' x, mm."""
        return (self.x0_mm + self.cell_mm * np.arange(self.columns)).astype(np.float32)

    def y(self) -> F32:
        """Return the rows' y, mm."""
        return (self.y0_mm + self.cell_mm * np.arange(self.rows)).astype(np.float32)

    def to_cell(self, points_mm: ArrayLike) -> Floats:
        """Carry (x, y) mm to (column, row), fractional."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return np.asarray((points - [self.x0_mm, self.y0_mm]) / self.cell_mm, dtype=np.float64)

    def to_mm(self, cells: ArrayLike) -> Floats:
        """Carry (column, row) to (x, y) mm."""
        points = np.asarray(cells, dtype=np.float64).reshape(-1, 2)
        return np.asarray(points * self.cell_mm + [self.x0_mm, self.y0_mm], dtype=np.float64)

    def box(self, lo_mm: ArrayLike, hi_mm: ArrayLike) -> Box:
        """Return the cells inside a rectangle, cut to the grid."""
        a = np.floor(self.to_cell(lo_mm)[0]).astype(int)
        b = np.ceil(self.to_cell(hi_mm)[0]).astype(int) + 1
        left, top = max(0, int(a[0])), max(0, int(a[1]))
        return Box(top, max(top, min(self.rows, int(b[1]))), left, max(left, min(self.columns, int(b[0]))))

    def sub(self, box: Box) -> Grid:
        """Return the part of the grid inside a box."""
        x0 = self.x0_mm + box.left * self.cell_mm
        y0 = self.y0_mm + box.top * self.cell_mm
        return Grid(x0, y0, self.cell_mm, box.bottom - box.top, box.right - box.left)


@dataclass(frozen=True)
class Box:
    """Rows top to bottom, columns left to right (ends excluded)."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def at(self) -> tuple[slice, slice]:
        """Return the index into an array on the grid."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    @property
    def empty(self) -> bool:
        """Whether no cell is inside."""
        return self.bottom <= self.top or self.right <= self.left

    def grown(self, cells: int, grid: Grid) -> Box:
        """Return the box with a margin, cut to the grid."""
        return Box(
            max(0, self.top - cells),
            min(grid.rows, self.bottom + cells),
            max(0, self.left - cells),
            min(grid.columns, self.right + cells),
        )


@dataclass(frozen=True, eq=False)
class Feature:
    """A void or a flat thing of known truth: its cells (``mask`` inside ``box``) and its words."""

    kind: str
    box: Box
    mask: Bools
    through: bool = False
    extra: dict[str, Any] = field(default_factory=dict)

    @property
    def is_void(self) -> bool:
        """Whether resin would sink into it."""
        return self.kind not in ("sound_knot", "stain")


@dataclass(frozen=True, eq=False)
class Slab:
    """A slab of known truth on a bench.

    ``depth`` (rows, columns) float32 mm below the top: 0 on the top, positive in voids, the slab's thickness on
    the bench, negative for things that stand above the top. ``albedo`` (rows, columns, 3) float32 is the share
    of light (R, G, B, linear) that comes back. ``top`` is True inside the outline. ``bench`` is a tile of the
    bench's albedo, repeated endlessly, with cells of ``bench_cell_mm`` and its corner at the world's origin.
    """

    grid: Grid
    depth: F32
    albedo: F32
    top: Bools
    outline_mm: Floats
    thickness_mm: float
    features: tuple[Feature, ...]
    bench: F32
    bench_cell_mm: float
    name: str = ""
