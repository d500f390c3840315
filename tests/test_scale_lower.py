"""A board on the bench beside a slab that leaves the photo is told from two photos by parallax."""

from dataclasses import replace

import numpy as np
import pytest
from scale_scenes import THICK_MM, View, board, photo

from voidmap.errors import ScaleError
from voidmap.model import SlabFound
from voidmap.scale import rectify, refuse_beside, solve_planes
from voidmap.scale.lower import HEIGHTS_MM, above_boards_mm

LEFT, RIGHT = View(target=(-60.0, 300.0), height=700.0), View(target=(90.0, 250.0), height=700.0)


def two_photos(y_mm, **shape):
    """The board at the edge of a slab that leaves the picture on three sides, its y from 360 mm on being bench."""
    drawn = [photo(view, board(0, -80, y_mm, **shape), name=f"{i}.jpg") for i, view in enumerate((LEFT, RIGHT))]
    planes = solve_planes(drawn)
    return rectify(drawn[0], planes[0], mm_per_px=1.0), drawn, planes


def test_board_below_a_slab_that_leaves_the_photo_is_refused():
    ortho, drawn, planes = two_photos(420, shape_mm=(THICK_MM, 0, 0, 0, 0))
    above = above_boards_mm(ortho, drawn, planes)
    assert above == pytest.approx(THICK_MM, abs=np.diff(HEIGHTS_MM)[0])
    mask = np.ones(ortho.valid.shape, bool)
    found = SlabFound(mask, np.zeros_like(mask), np.zeros((4, 2)), ("cut",) * 4, 0.5, True)
    with pytest.raises(ScaleError, match=r"stands about \d\d mm above board A: it lies on the bench"):
        refuse_beside(found, planes, ortho, drawn)
    # A slab that lies whole in the photo round the boards is under them.
    refuse_beside(replace(found, leaves_frame=False), planes, ortho, drawn)


def test_board_on_the_slab_is_let_through():
    ortho, drawn, planes = two_photos(150)
    assert above_boards_mm(ortho, drawn, planes) is None
