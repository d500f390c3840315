"""Cracks across the grain swell, and drawn lines do not; cracks that meet at a sharp angle stay two."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from test_surface_regions import covered_share, slab_of, wood

from voidmap.records import Kind
from voidmap.surface import find_regions
from voidmap.surface.candidates import find_candidates

SIZE, MM = (600, 1100), 0.3


def band(start: tuple[float, float], end: tuple[float, float], width_px: float, *, lens: bool) -> np.ndarray:
    """Outline (N, 2) of a line that wanders a little: as wide all the way, or a lens as wide in the mean."""
    t = np.linspace(0.0, 1.0, 80)[:, None]
    a, b = np.array(start), np.array(end)
    along = (b - a) / np.hypot(*(b - a))
    normal = np.array([-along[1], along[0]])
    way = a + t * (b - a) + 1.5 * np.sin(23.0 * t) * normal
    half = 0.5 * width_px * (1.5 * (1.0 - (2.0 * t - 1.0) ** 2) if lens else np.ones_like(t))
    return np.vstack([way + half * normal, (way - half * normal)[::-1]])


@pytest.mark.parametrize("lens", [True, False])
def test_a_line_across_the_grain_is_a_crack_when_it_swells(*, lens: bool) -> None:
    share = covered_share(SIZE, band((300.0, 470.0), (700.0, 110.0), 3.5, lens=lens), 0.9)
    light = wood(*SIZE, np.random.default_rng(8)) * (1.0 - 0.38 * share)
    cracks = [r for r in find_regions(*slab_of(light, MM)) if r.kind.is_void]
    assert [r.kind for r in cracks] == ([Kind.CRACK] if lens else [])
    if lens:
        assert cracks[0].length_mm == pytest.approx(np.hypot(400, 360) * MM, rel=0.1)


def test_two_cracks_that_meet_at_a_sharp_angle_are_traced_apart() -> None:
    light = wood(*SIZE, np.random.default_rng(9))
    ends = ((850.0, 330.0), (750.0, 520.0))
    for end in ends:
        share = covered_share(SIZE, band((250.0, 300.0), end, 6.0, lens=False), 0.9)
        light = np.where(share > 0, np.minimum(light, light * (1 - share) + 0.1 * share), light)
    paths = [c.path_px for c in find_candidates(*slab_of(light, MM)) if c.source == "line" and c.path_px is not None]
    for end in ends:
        length = np.hypot(end[0] - 250.0, end[1] - 300.0)
        (own,) = [p for p in paths if np.hypot(*(p[[0, -1]] - end).T).min() < 15.0 and len(p) > 100]
        assert float(cv2.arcLength(own.astype(np.float32), False)) == pytest.approx(length, rel=0.1)
