"""Rims whose sharpness leans to one side, and figure that runs on through what lies on the wood."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from voidmap.surface.along_rim import NAMES, SLOPE_BLURS, along_line, along_rim
from voidmap.surface.light import Evened
from voidmap.surface.rim import Cover, cover_of

SIZE, MM, BLUR_PX, RADIUS = 240, 0.3, 1.2, 50.0
Y, X = np.mgrid[:SIZE, :SIZE] - SIZE / 2


def evened(dark: np.ndarray) -> Evened:
    seen = np.ones((SIZE, SIZE), bool)
    colours = np.zeros((SIZE, SIZE, 3), np.float32)
    soft = cv2.GaussianBlur(dark.astype(np.float32), (0, 0), BLUR_PX)
    return Evened(soft, seen, ~seen, colours, seen, 1, 0.0, MM)


def disc(radius: float = RADIUS) -> Cover:
    share = np.clip(radius - np.hypot(X, Y) + 0.5, 0.0, 1.0).astype(np.float32)
    cover = cover_of(share, (0, 0), share > 0.9)
    assert cover is not None
    return cover


def test_the_rim_of_a_hole_is_sharp_on_one_side_only() -> None:
    cover = disc()
    painted = -0.7 * cover.share
    # To the left the wall is seen, and grows dark over 8 px; to the right it lies behind the edge.
    wall_px = 1.0 + 7.0 * np.clip(-X / RADIUS, 0.0, 1.0)
    hole = -0.7 * np.clip((RADIUS - np.hypot(X, Y)) / wall_px, 0.0, 1.0)
    flat, deep = (along_rim(cover, evened(dark), BLUR_PX) for dark in (painted, hole))
    assert flat["sharp_lean"] < 0.03
    assert deep["sharp_lean"] > 0.15
    # A sharp edge goes through so much of its step within that reach (normal distribution; our own smoothing widens
    # it).
    own = float(norm.cdf(SLOPE_BLURS) - norm.cdf(-SLOPE_BLURS)) / (2 * SLOPE_BLURS)
    assert flat["sharp_low"] == pytest.approx(own, rel=0.2)
    assert deep["sharp_low"] < 0.75 * own < deep["sharp_high"]


def test_rings_run_on_through_a_stain_and_end_at_a_hole() -> None:
    rng = np.random.default_rng(3)
    cover = disc()
    rings = np.repeat(cv2.GaussianBlur(rng.normal(0.0, 0.3, (SIZE, 1)), (1, 0), 2.0), SIZE, axis=1)
    others = np.repeat(cv2.GaussianBlur(rng.normal(0.0, 0.3, (SIZE, 1)), (1, 0), 2.0), SIZE, axis=1)
    stain = along_rim(cover, evened(rings - 0.5 * cover.share), BLUR_PX)
    hole = along_rim(cover, evened(np.where(cover.mask, others - 0.5, rings)), BLUR_PX)
    assert stain["wood_goes_on"] > 0.9
    assert stain["goes_on"] > 0.7
    assert abs(hole["goes_on"]) < 0.5


def test_what_is_too_small_says_nothing() -> None:
    assert along_rim(disc(4.0), evened(np.zeros((SIZE, SIZE))), BLUR_PX) == dict.fromkeys(NAMES, 0.0)


def line(half_px: float = 3.0) -> Cover:
    share = np.clip(half_px - np.abs(Y) + 0.5, 0.0, 1.0) * (np.abs(X) < 90)
    cover = cover_of(share.astype(np.float32), (0, 0), share > 0.9)
    assert cover is not None
    return cover


def test_a_crack_is_as_sharp_on_both_sides_and_late_wood_on_one() -> None:
    cover = line()
    # The year's late wood darkens over 8 px and ends at once.
    late = -0.4 * np.clip((Y + 5.0) / 8.0, 0.0, 1.0) * (Y < 3.0)
    crack, ring = (along_line(cover, evened(dark), BLUR_PX) for dark in (-0.4 * cover.share, late))
    assert set(crack) == set(NAMES)
    assert crack["sharp_lean"] < 0.05
    assert crack["step_lean"] < 0.05
    assert ring["sharp_lean"] > 0.2


def test_a_line_too_short_says_nothing() -> None:
    assert along_line(disc(1.5), evened(np.zeros((SIZE, SIZE))), BLUR_PX) == dict.fromkeys(NAMES, 0.0)
