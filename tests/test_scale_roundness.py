"""Round corners are told from sharp ones under blur, whatever the brighter side; a card's part is not the card."""

import cv2
import numpy as np
import pytest

from voidmap.errors import CantTell
from voidmap.model import Photo
from voidmap.scale import solve_planes
from voidmap.scale.roundness import has_round_corners

CORNERS = np.array([[300.0, 250.0], [471.2, 250.0], [471.2, 357.96], [300.0, 357.96]])
"""A card of 85.60 by 53.98 mm (ISO/IEC 7810) at 2 px a mm."""
DARK, LIGHT, BLUE = (60, 80, 100), (205, 215, 225), (160, 90, 60)


def picture(card, ground, radius_px, blur_px, stripe=None):
    """Draw the card four times too large in linear light, then blur, shrink, and give it a picture's tones."""
    fine = 4
    mask = np.zeros((640 * fine, 800 * fine), np.uint8)
    (x0, y0), (x1, y1) = (CORNERS[[0, 2]] + 0.5) * fine
    r = radius_px * fine
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]] + 0.5
    away = np.hypot(
        np.maximum(np.maximum(x0 + r - x, x - x1 + r), 0), np.maximum(np.maximum(y0 + r - y, y - y1 + r), 0)
    )
    inside = (away <= r) & (x > x0) & (x < x1) & (y > y0) & (y < y1)
    tones = np.where(inside[:, :, None], np.array(card, np.float32), np.array(ground, np.float32))
    if stripe is not None:
        tones[inside & (y > y0 + 0.2 * (y1 - y0)) & (y < y0 + 0.35 * (y1 - y0))] = stripe
    light = cv2.resize((tones / 255) ** 2.2, (800, 640), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    noise = np.random.default_rng(2).normal(0, 2, light.shape)
    return np.clip(255 * light ** (1 / 2.2) + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("blur_px", [0.6, 0.9, 1.2])
@pytest.mark.parametrize(("card", "ground"), [(LIGHT, DARK), (DARK, LIGHT), (BLUE, LIGHT)])
def test_round_corners_are_told_from_sharp(card, ground, blur_px):
    assert has_round_corners(picture(card, ground, 6.36, blur_px), CORNERS, 85.60, 3.18)
    assert not has_round_corners(picture(card, ground, 0.0, blur_px), CORNERS, 85.60, 3.18)


def taken(pixels):
    return solve_planes([Photo("card.png", "", pixels, focal_35mm_mm=26.0)], reference="id1")[0]


def test_striped_card_is_taken_whole_and_a_label_of_its_shape_not_at_all():
    plane = taken(picture(BLUE, LIGHT, 6.36, 0.8, stripe=(60, 160, 90)))
    off = np.abs(plane.to_px(plane.patterns_mm[0], depth_mm=-0.76)[:, None] - CORNERS).max(axis=2).min(axis=1)
    assert off.max() < 0.6
    with pytest.raises(CantTell, match="no ID-1 card can be told"):
        taken(picture(LIGHT, DARK, 0.0, 0.8))
