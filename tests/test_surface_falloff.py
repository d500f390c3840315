"""The fall of the light over a picture, on drawn pictures of exactly known light."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.model import Ortho
from voidmap.surface.falloff import curves_over, fall_of_light
from voidmap.surface.patches import LOG_SOFT, break_up

SIZE = (420, 640)


@pytest.mark.parametrize("fall", [0.0, 0.3, 0.7])
def test_one_field_is_found_under_two_stuffs_and_a_shadow(fall: float) -> None:
    """Wood in the middle, bench around it, a tenth of the bench in a shadow at the brighter end."""
    x = np.linspace(-1.0, 1.0, SIZE[1])
    wood, shadow = np.zeros((2, *SIZE), dtype=bool)
    wood[150:290, 100:540] = True
    shadow[60:150, 400:640] = True
    level = np.where(wood, 80.0, np.where(shadow, 70.0, 150.0)) * np.exp(0.5 * fall * x)
    noisy = level[..., None] + np.random.default_rng(3).normal(0.0, 3.0, (*SIZE, 3))
    coarse = break_up(Ortho(noisy.clip(0, 255).astype(np.uint8), np.ones(SIZE, dtype=bool), 0.0, 0.0, 1.0))
    size = coarse.valid.shape
    rows, columns = (np.linspace(0, n - 1, m).astype(int) for n, m in zip(SIZE, size, strict=True))
    of_wood = coarse.mean(wood[np.ix_(rows, columns)])
    place = coarse.mean(np.broadcast_to(np.linspace(-1.0, 1.0, size[1]), size))
    found = fall_of_light(curves_over(coarse), coarse.looks[:, 0], [of_wood > 0.95, of_wood < 0.05])
    # The softening of the log makes the darker stuff's fall a little less than the bench's: the answer lies between.
    most, least = (0.5 * fall * v / (v + LOG_SOFT) for v in (150.0, 80.0))
    slope = np.polyfit(place, found, 1)[0]
    assert least - 0.015 < slope < most + 0.015


def test_no_field_is_made_up_where_nothing_is_known() -> None:
    assert not fall_of_light(np.ones((9, 5)), np.arange(9.0), [np.ones(9, dtype=bool)]).any()
