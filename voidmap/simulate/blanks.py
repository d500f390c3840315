"""Blank sheets and cards on the top: what lies in a shop and has a standard size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from voidmap.simulate.grid import Floats
from voidmap.simulate.noise import F32
from voidmap.simulate.sheets import WHITE


@dataclass(frozen=True)
class Blank:
    """A rectangle: its corner's place, turn, sides, thickness, the radius of its corners, mm, and its colour.

    ``bands`` are stripes along its first side: (from, to) as shares of the second side, and an albedo (R, G, B).
    """

    x_mm: float
    y_mm: float
    angle_deg: float
    sides_mm: tuple[float, float]
    thickness_mm: float = 0.1
    radius_mm: float = 0.0
    albedo: tuple[float, float, float] = (WHITE, WHITE, WHITE)
    bands: tuple[tuple[float, float, tuple[float, float, float]], ...] = ()

    def _axes(self) -> Floats:
        a = np.radians(self.angle_deg)
        return np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])

    def corners(self) -> Floats:
        """Return the corners of its straight sides on the slab (4, 2) mm, the first side first."""
        w, h = self.sides_mm
        return np.asarray(np.array([[0, 0], [w, 0], [w, h], [0, h]]) @ self._axes() + [self.x_mm, self.y_mm])

    def border(self) -> Floats:
        """Return points (200, 3) mm along its border: x, y, depth."""
        corners = self.corners()
        share = np.linspace(0, 1, 50, endpoint=False)[:, None, None]
        around = (corners + (np.roll(corners, -1, axis=0) - corners) * share).reshape(-1, 2)
        return np.column_stack([around, np.full(len(around), -self.thickness_mm)])

    def seen_at(self, at: F32, slope: F32) -> tuple[F32, F32]:
        """Return albedo (N, 3) and coverage (N,) of rays that meet the top at (N, 2) mm with these slopes."""
        place = (at - np.float32(self.thickness_mm) * slope - [self.x_mm, self.y_mm]) @ self._axes().T
        half = np.array(self.sides_mm) / 2
        # Signed distance to a rectangle with round corners: negative inside.
        out = np.abs(place - half) - half + self.radius_mm
        away = np.hypot(*np.maximum(out, 0).T) + np.minimum(out.max(axis=1), 0) - self.radius_mm
        albedo = np.tile(np.array(self.albedo, np.float32), (len(at), 1))
        share = place[:, 1] / self.sides_mm[1]
        for first, last, colour in self.bands:
            albedo[(share >= first) & (share < last)] = colour
        return albedo, (away <= 0).astype(np.float32)
