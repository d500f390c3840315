"""The strip between a void and the slab's outline, on shapes of known area (plane geometry)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.surface.mouth_strip import LIP_MM, with_mouth
from voidmap.surface.rim import Cover, cover_of

MM = 0.25
EDGE_ROW = 300
RADIUS_PX = 100
WIDE_PX = 480


def slab(covered: tuple[slice, slice] | None = None) -> SlabFound:
    """A top whose side runs along a row; above it lies the bench."""
    mask = np.zeros((700, WIDE_PX), np.bool_)
    mask[EDGE_ROW:] = True
    hidden = np.zeros_like(mask)
    if covered is not None:
        hidden[covered] = True
    return SlabFound(mask, hidden, np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)


def half_disc(*, from_row: int, hollow: int = 0, centre: int = WIDE_PX // 2) -> Cover:
    """A void: half a disc that hangs from the side, without what lies above a row and less a smaller half disc."""
    picture = np.zeros((700, WIDE_PX), np.uint8)
    cv2.circle(picture, (centre, EDGE_ROW), RADIUS_PX, 1, cv2.FILLED)
    if hollow:
        cv2.circle(picture, (centre, EDGE_ROW), hollow, 0, cv2.FILLED)
    picture[:from_row] = 0
    rows, columns = np.nonzero(picture)
    corner = int(columns.min()) - 2, int(rows.min()) - 2
    box = picture[corner[1] : rows.max() + 3, corner[0] : columns.max() + 3]
    found = cover_of(box.astype(np.float32), corner)
    assert found is not None
    return found


WHOLE_PX = np.pi / 2 * RADIUS_PX**2


def test_what_a_void_and_the_side_enclose_is_the_voids() -> None:
    """A sickle whose tips touch the side becomes the half disc that it is the rim of."""
    sickle = half_disc(from_row=EDGE_ROW, hollow=60)
    assert sickle.area_px == pytest.approx(WHOLE_PX - np.pi / 2 * 60**2, rel=0.02)
    assert with_mouth(sickle, slab(), MM).area_px == pytest.approx(WHOLE_PX, rel=0.02)


def test_a_narrow_strip_along_the_side_is_closed() -> None:
    """Left out over less than twice the lip's width, the strip is taken in but for the wedges at its ends."""
    strip = round(1.5 * LIP_MM / MM)
    cut = half_disc(from_row=EDGE_ROW + strip)
    assert cut.area_px < 0.86 * WHOLE_PX
    whole = with_mouth(cut, slab(), MM)
    assert whole.area_px == pytest.approx(WHOLE_PX, rel=0.03)
    top = whole.outline_px[:, 1].min()
    assert top == pytest.approx(EDGE_ROW - 0.5, abs=1.0)


def test_wood_that_stands_stays_wood() -> None:
    """A strip wider than two lips between a void and the side is wood, whole at both ends."""
    off = half_disc(from_row=EDGE_ROW + round(2.6 * LIP_MM / MM))
    assert with_mouth(off, slab(), MM) is off


def test_what_is_larger_than_the_void_is_no_mouth() -> None:
    ring = half_disc(from_row=EDGE_ROW, hollow=90)
    assert with_mouth(ring, slab(), MM) is ring


def test_a_board_over_the_strip_stays_out() -> None:
    sickle = half_disc(from_row=EDGE_ROW, hollow=60)
    board = np.s_[EDGE_ROW : EDGE_ROW + 80, : WIDE_PX // 2]
    found = with_mouth(sickle, slab(board), MM)
    half_hollow = np.pi / 4 * 60**2
    assert found.area_px == pytest.approx(WHOLE_PX - half_hollow, rel=0.03)


def test_a_void_at_the_pictures_border_is_closed_as_well() -> None:
    sickle = half_disc(from_row=EDGE_ROW, hollow=60, centre=RADIUS_PX + 4)
    assert with_mouth(sickle, slab(), MM).area_px == pytest.approx(WHOLE_PX, rel=0.03)
