"""Floor beyond a void's outline: a box with sheer walls seen by drawn cameras, of which the outline holds a part."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from test_depth_parallax import EYES_MM, THICKNESS_MM, camera, ortho_of, photographed, region_of

from voidmap.depth.beyond import floors_beyond
from voidmap.model import Ortho, Photo, Plane, Region, SlabFound
from voidmap.records import Kind
from voidmap.surface import enlarged
from voidmap.surface.enlarged import Piece

LONG_MM, WIDE_MM, DEEP_MM = 44.0, 32.0, 12.0
Shape = Callable[[np.ndarray, np.ndarray], np.ndarray]


def box(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.where((np.abs(x) < LONG_MM / 2) & (np.abs(y) < WIDE_MM / 2), DEEP_MM, 0.0)


def part_of(low_mm: float, high_mm: float) -> Shape:
    """The box between two places along it."""
    return lambda x, y: np.where((x > low_mm) & (x < high_mm), box(x, y), 0.0)


def seen(floor_mm: Shape, views: int = 3) -> tuple[Ortho, list[Photo], list[Plane]]:
    rng = np.random.default_rng(3)
    planes = [camera(eye, rng) for eye in EYES_MM[:views]]
    photos = [photographed(p, floor_mm, gain) for p, gain in zip(planes, (1.0, 0.75, 1.2), strict=False)]
    return ortho_of(photos[0], planes[0]), photos, planes


def slab_of(ortho: Ortho, end_mm: float = np.inf) -> SlabFound:
    """A top that ends at a place along x."""
    x = ortho.x0_mm + ortho.mm_per_px * np.arange(ortho.valid.shape[1])
    mask = np.broadcast_to(x < end_mm, ortho.valid.shape).copy()
    return SlabFound(mask, np.zeros_like(mask), np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)


def laid(piece: Piece | Region, ortho: Ortho) -> np.ndarray:
    picture = np.zeros(ortho.valid.shape, dtype=bool)
    rows, columns = piece.mask.shape
    picture[piece.corner[1] : piece.corner[1] + rows, piece.corner[0] : piece.corner[0] + columns] = piece.mask
    return picture


@pytest.mark.parametrize("views", [2, 3])
def test_floor_beyond_the_outline_is_found(views: int) -> None:
    ortho, photos, planes = seen(box, views)
    part, rest = region_of(ortho, part_of(-22, 4)), laid(region_of(ortho, part_of(4, 22)), ortho)
    (piece,) = floors_beyond([part], ortho, slab_of(ortho), photos, planes, thickness_mm=THICKNESS_MM)
    assert piece is not None
    found = laid(piece, ortho)
    # The walls hide a strip of 12 * 230 / 800 = 3.5 mm of the floor along two of its sides, from one camera or another.
    assert (found & rest).sum() > (1 - 3.5 / 18) * (1 - 3.5 / WIDE_MM) * rest.sum()
    assert (found & ~rest).sum() < 0.05 * rest.sum()


def test_wood_around_a_whole_outline_is_none() -> None:
    ortho, photos, planes = seen(box)
    whole = region_of(ortho, box)
    assert floors_beyond([whole], ortho, slab_of(ortho), photos, planes, thickness_mm=THICKNESS_MM) == (None,)


def test_wood_around_a_stain_is_none() -> None:
    ortho, photos, planes = seen(lambda x, y: 0.0 * x)
    stain = region_of(ortho, part_of(-22, 4))
    assert floors_beyond([stain], ortho, slab_of(ortho), photos, planes, thickness_mm=THICKNESS_MM) == (None,)


def test_only_open_floors_are_looked_for_and_only_where_photos_show_depth() -> None:
    ortho, photos, planes = seen(box)
    part = region_of(ortho, part_of(-22, 4))
    slab = slab_of(ortho)
    knot, beside = replace(part, kind=Kind.KNOT_HOLE), replace(part, beside_edge=True)
    assert floors_beyond([knot, beside], ortho, slab, photos, planes, thickness_mm=None) == (None, None)
    assert floors_beyond([part], ortho, slab, photos[:1] * 2, planes[:1] * 2, thickness_mm=None) == (None,)


def test_what_may_be_the_slabs_own_flank_is_left() -> None:
    ortho, photos, planes = seen(box)
    part, rest = region_of(ortho, part_of(-22, 4)), laid(region_of(ortho, part_of(4, 22)), ortho)
    (piece,) = floors_beyond([part], ortho, slab_of(ortho, 24.0), photos, planes, thickness_mm=THICKNESS_MM)
    x = ortho.x0_mm + ortho.mm_per_px * np.arange(ortho.valid.shape[1])
    assert piece is not None
    found = laid(piece, ortho)
    assert not found[:, x > 14.5].any()
    assert found.sum() > 0.4 * rest.sum()


def test_two_halves_of_a_floor_become_one_void() -> None:
    ortho, photos, planes = seen(box)
    left, right = region_of(ortho, part_of(-22, -4)), region_of(ortho, part_of(6, 22))
    left, right = replace(left, edge_opening_mm=3.0, opens_on_edge=True), replace(right, through_probability=0.7)
    spot = replace(region_of(ortho, part_of(-3, 3), chances={Kind.STAIN: 1.0}), length_mm=6.0)
    sound = region_of(ortho, lambda x, y: np.where((np.abs(x) < 20) & (np.abs(y - 30) < 6), 1.0, 0.0))
    regions = [left, right, spot, sound]
    pieces = floors_beyond(regions[:3], ortho, slab_of(ortho), photos, planes, thickness_mm=THICKNESS_MM)
    whole, other = enlarged(regions, [*pieces, None], ortho)
    true_mm2 = LONG_MM * WIDE_MM
    assert whole.area_mm2 == pytest.approx(true_mm2, rel=0.03)
    assert whole.area_interval_mm2[0] < true_mm2 < whole.area_interval_mm2[1]
    assert (whole.kind, whole.opens_on_edge, whole.edge_opening_mm) == (Kind.BARK_VOID, True, 3.0)
    assert whole.through_probability == 0.7
    assert np.ptp(whole.outline_mm, axis=0) == pytest.approx([LONG_MM, WIDE_MM], abs=1.0)
    assert other is sound


def test_a_piece_that_does_not_reach_the_void_takes_nothing_from_it() -> None:
    ortho, _, _ = seen(box)
    small, far = region_of(ortho, part_of(-22, -16)), region_of(ortho, part_of(0, 22))
    (kept,) = enlarged([small], [Piece(far.mask, far.corner)], ortho)
    assert kept.area_mm2 == pytest.approx(small.area_mm2, rel=0.03)
    assert laid(kept, ortho)[laid(small, ortho)].mean() > 0.95


def test_regions_without_pieces_stay_as_they_are() -> None:
    ortho, _, _ = seen(box)
    regions = (region_of(ortho, part_of(4, 22)), region_of(ortho, part_of(-22, 4)))
    assert enlarged(regions, (None, None), ortho) == regions
