"""A spot in near black is no hole where the photo's compression may have drawn it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from voidmap.model import Ortho, Region
from voidmap.records import Interval, Kind
from voidmap.surface.compressed import is_drawn_by_compression


def spot(around: int, inside: int, kind: Kind = Kind.HOLE) -> tuple[Region, Ortho]:
    pixels = np.full((60, 60, 3), around, np.uint8)
    mask = cv2.circle(np.zeros((9, 9), np.uint8), (4, 4), 4, 1, -1).astype(bool)
    pixels[20:29, 30:39][mask] = inside
    sizes = (4.0, Interval(3.0, 5.0), 2.0, 2.0, 2.0, 7.0)
    outline = np.array([[0.0, 0.0], [2.0, 0.0], [1.0, 2.0]])
    region = Region(mask, (30, 20), outline, kind, 0.95, {kind: 1.0}, *sizes, False, 0.0, 0.0, {})
    return region, Ortho(pixels, np.ones((60, 60), bool), 0.0, 0.0, 0.3)


@pytest.mark.parametrize(
    ("around", "inside", "kind", "drawn"),
    [
        (14, 10, Kind.HOLE, True),
        (14, 3, Kind.HOLE, False),
        (150, 90, Kind.HOLE, False),
        (90, 150, Kind.HOLE, False),
        (14, 10, Kind.BARK_VOID, False),
    ],
    ids=["black in black", "blacker", "in light wood", "bench seen through", "bark"],
)
def test_a_hole_stands_out_by_more_than_compression_makes(around: int, inside: int, kind: Kind, drawn: bool) -> None:
    assert is_drawn_by_compression(*spot(around, inside, kind)) is drawn


def test_what_jpeg_makes_of_noise_in_near_black_is_less_than_what_is_asked() -> None:
    """The library's own JPEG at quality 85: of 1,000 spots 3 px wide in flat, noisy black none stands out as much."""
    noisy = np.clip(np.random.default_rng(4).normal(12, 3, (400, 400)), 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, 85])[1]
    mean = cv2.blur(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE).astype(np.float32), (3, 3))
    from voidmap.surface.compressed import LEAST_LEVELS

    assert float(np.abs(mean[5:-5:12, 5:-5:12] - np.median(mean)).max()) < LEAST_LEVELS


@pytest.mark.parametrize(("inside", "drawn"), [(10, True), (3, False)])
def test_a_hole_may_reach_beyond_the_picture(inside: int, drawn: bool) -> None:
    region, whole = spot(14, inside)
    below = replace(whole, pixels=whole.pixels[:25, :35])
    above = replace(whole, pixels=whole.pixels[24:, 34:])
    assert is_drawn_by_compression(region, below) is drawn
    assert is_drawn_by_compression(replace(region, corner=(-4, -4)), above) is drawn
