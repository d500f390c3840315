"""Top or bench, told from several photos: a top and a bench of one colour, seen by drawn cameras."""

from __future__ import annotations

import numpy as np
import pytest
from test_depth_parallax import EYES_MM, FOCAL_PX, HEIGHT_MM, SIZE_PX, camera, sampled, texture

from voidmap.depth.heights import heights_of
from voidmap.model import Floats, Ortho, Photo, Plane
from voidmap.scale import rectify

TOP, BENCH = texture(11), texture(12)
EDGE_MM, FARTHEST_MM = 0.0, 40.0


def photographed(plane: Plane, bench_mm: float, bench: Floats) -> Photo:
    """A top that ends at x = ``EDGE_MM``, its dark side, and a bench ``bench_mm`` under it."""
    u, v = np.meshgrid(np.arange(SIZE_PX[0], dtype=float), np.arange(SIZE_PX[1], dtype=float))
    slope_x, slope_y = (u - plane.lens.cx) / FOCAL_PX, (v - plane.lens.cy) / FOCAL_PX
    x, y = plane.camera_mm[0] + slope_x * HEIGHT_MM, plane.camera_mm[1] + slope_y * HEIGHT_MM
    low_x, low_y = x + slope_x * bench_mm, y + slope_y * bench_mm
    beyond = np.where(low_x < EDGE_MM, 40.0, sampled(bench, low_x, low_y))
    grey = np.where(x < EDGE_MM, sampled(TOP, x, y), beyond)
    grey = grey + np.random.default_rng(5).normal(0, 1.5, grey.shape)
    return Photo("drawn", "", np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[:, :, None], 3, axis=2))


def nats_of(bench_mm: float, bench: Floats, views: int = 3) -> tuple[Floats | None, Floats]:
    rng = np.random.default_rng(3)
    planes = [camera(eye, rng) for eye in EYES_MM[:views]]
    photos = [photographed(plane, bench_mm, bench) for plane in planes]
    ortho: Ortho = rectify(photos[0], planes[0], mm_per_px=0.5, bounds_mm=(-60.0, -55.0, 60.0, 55.0))
    heights = heights_of(photos, planes)
    assert heights is not None
    return heights(ortho), ortho.x0_mm + ortho.mm_per_px * np.arange(ortho.valid.shape[1])


@pytest.mark.parametrize("bench_mm", [28.0, 60.0])
@pytest.mark.parametrize("views", [2, 3])
def test_top_is_told_from_a_bench_of_its_own_colour(bench_mm: float, views: int) -> None:
    nats, x = nats_of(bench_mm, BENCH, views)
    assert nats is not None
    # A window reaches 2 mm, and what lies far out is beyond the other pictures.
    assert (nats[:, x < EDGE_MM - 4.0] > 1.0).mean() > 0.95
    assert (nats[:, (x > EDGE_MM + 4.0) & (x < FARTHEST_MM)] < -1.0).mean() > 0.95


def test_nothing_is_said_of_a_bench_without_texture() -> None:
    nats, _ = nats_of(45.0, np.full_like(BENCH, 120.0))
    assert nats is None


def test_one_place_tells_no_heights() -> None:
    plane = camera(EYES_MM[0], np.random.default_rng(3))
    photo = photographed(plane, 45.0, BENCH)
    assert heights_of([photo], [plane]) is None
    assert heights_of([photo, photo], [plane, plane]) is None
