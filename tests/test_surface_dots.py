"""Small holes, alone and in the stain of the fungus that comes with a beetle."""

import math

import cv2
import numpy as np
import pytest

from voidmap.surface.dots import find_dots
from voidmap.surface.light import Evened
from voidmap.surface.ridges import line_and_dot_scores

MM, SIZE, MIDDLE = 0.25, 200, 100


def top(diameter_mm: float, stain: float) -> Evened:
    """Return an evened top with one hole in a stain along the grain that takes this share of the wood's light."""
    rows, columns = (np.indices((SIZE, SIZE)) - MIDDLE) * MM
    light = 1.0 - stain * np.exp(-((columns / (3 * diameter_mm)) ** 2) - (rows / (1.2 * diameter_mm)) ** 2)
    light = np.where(np.hypot(rows, columns) <= diameter_mm / 2, 0.55 * light, light)
    light = cv2.GaussianBlur(light, (0, 0), 1.0) + np.random.default_rng(5).normal(0, 0.008, light.shape)
    dark, seen = np.log(light).astype(np.float32), np.ones((SIZE, SIZE), bool)
    return Evened(dark, seen, ~seen, np.zeros((SIZE, SIZE, 3), np.float32), seen, 1, 0.0, MM)


@pytest.mark.parametrize(("diameter_mm", "stain"), [(2.0, 0.0), (3.5, 0.0), (3.5, 0.3), (3.5, 0.6), (4.0, 0.7)])
def test_a_hole_has_its_area_in_a_stain_as_well(diameter_mm: float, stain: float) -> None:
    """The area of a disc is pi d^2 / 4 (Euclidean geometry)."""
    evened = top(diameter_mm, stain)
    dots = find_dots(evened, line_and_dot_scores(evened)[1])
    middles = [np.hypot(*(dot.cover.outline_px.mean(axis=0) - MIDDLE)) for dot in dots]
    assert middles
    assert min(middles) < 2.0
    area = dots[int(np.argmin(middles))].cover.area_px * MM * MM
    assert area == pytest.approx(math.pi / 4 * diameter_mm**2, rel=0.2)


def test_a_stain_alone_is_no_dot() -> None:
    evened = top(3.0, 0.5)
    rows, columns = (np.indices((SIZE, SIZE)) - MIDDLE) * MM
    stain = np.log(1.0 - 0.5 * np.exp(-((columns / 9.0) ** 2) - (rows / 3.6) ** 2)).astype(np.float32)
    evened = Evened(stain, evened.seen, evened.glare, evened.patch, evened.patch_seen, 1, 0.0, MM)
    assert find_dots(evened, line_and_dot_scores(evened)[1]) == []
