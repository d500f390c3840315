"""A board on the bench is told by the slab that lies whole amid the bench; one on the slab never is."""

from dataclasses import replace

import numpy as np
import pytest

from voidmap.errors import ScaleError
from voidmap.model import Ortho, Plane, SlabFound
from voidmap.records import Lens
from voidmap.scale import refuse_beside
from voidmap.scale.bench import amid_ground

BENCH, WOOD, SAPWOOD = np.array([120, 125, 130]), np.array([95, 135, 175]), np.array([140, 175, 205])
PATTERN = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 150.0], [0.0, 150.0]])


def picture(ground, *pieces, lamp=0.0):
    """A picture of 1.2 by 0.9 m at 1 mm a pixel; pieces are (x0, y0, x1, y1, colour) in mm, the board is at (0, 0)."""
    rng = np.random.default_rng(3)
    pixels = np.ones((900, 1200, 3)) * ground
    for x0, y0, x1, y1, colour in pieces:
        pixels[y0 + 350 : y1 + 350, x0 + 450 : x1 + 450] = colour
    pixels *= 1 + lamp * np.linspace(-1, 1, 1200)[None, :, None]
    pixels += 6 * rng.standard_normal((900, 1200, 1))
    pixels[320:530, 420:690] = 245
    pixels = np.clip(pixels, 0, 255).astype(np.uint8)
    return Ortho(pixels, np.ones((900, 1200), bool), -450.0, -350.0, 1.0)


SLAB = (-300, 200, 500, 450, WOOD)
ALL = (-450, -350, 750, 550, WOOD)


@pytest.mark.parametrize("lamp", [0.0, 0.2])
@pytest.mark.parametrize("side", [1, -1])
def test_slab_amid_the_boards_ground_is_seen(lamp, side):
    x0, y0, x1, y1, colour = SLAB
    piece = SLAB if side > 0 else (x0, 150 - y1, x1, 150 - y0, colour)
    assert amid_ground(picture(BENCH, piece, lamp=lamp), (PATTERN,))


@pytest.mark.parametrize(
    "view",
    [
        picture(BENCH, (-300, -120, 500, 300, WOOD)),
        picture(BENCH, (-450, -120, 750, 300, WOOD), lamp=0.2),
        picture(WOOD),
        picture(WOOD, lamp=0.3),
        # Heartwood and sapwood run out of the picture; a knot, a rule and a label are smaller than a sheet of paper.
        picture(WOOD, (-450, 200, 750, 320, SAPWOOD)),
        picture(WOOD, (-300, 300, -100, 450, np.array([40, 60, 90])), (400, 300, 600, 330, np.array([230, 230, 230]))),
    ],
    ids=["whole slab", "ends cut", "close", "close, lamp", "sapwood", "knot and rule"],
)
def test_board_on_the_slab_is_let_through(view):
    assert not amid_ground(view, (PATTERN,))


def test_it_is_refused_where_what_was_found_leaves_the_photo():
    view, mask = picture(BENCH, SLAB), np.ones((900, 1200), bool)
    lens = Lens(fx=1000.0, fy=1000.0, cx=600.0, cy=450.0)
    plane = Plane((1200, 900), lens, np.eye(3), np.zeros(3), np.zeros((2, 15)), "boards", patterns_mm=(PATTERN,))
    found = SlabFound(mask, np.zeros_like(mask), np.zeros((4, 2)), ("cut",) * 4, 0.5, True)
    with pytest.raises(ScaleError, match="the sheet lies on the bench, not on the slab"):
        refuse_beside(found, [plane], view)
    refuse_beside(replace(found, leaves_frame=False), [plane], view)
    refuse_beside(found, [plane], picture(WOOD))
