"""Where a wide void's colours part from those of the wood around."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface import parting
from voidmap.surface.candidates import Looked, moved
from voidmap.surface.drawn_rim import OUTWARD_MM, wide_drawn
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.parting import MOST_CHANGE, parted
from voidmap.surface.rim import Cover, cover_of, polygon_area

MM = 0.4
OUTWARD = OUTWARD_MM[Kind.BARK_VOID]
SIZE = (220, 320)
MIDDLE, HALVES = (160, 110), (70, 30)
"""The void is an ellipse, px; its area is pi times the halves (known shape)."""
AREA = np.pi * HALVES[0] * HALVES[1]


def ellipse(halves=HALVES, middle=MIDDLE):
    """Return how much of each pixel an ellipse covers, by sixteen times finer pixels."""
    fine = np.zeros((SIZE[0] * 4, SIZE[1] * 4), np.uint8)
    at = tuple(4 * c + 1 for c in middle)
    cv2.ellipse(fine, at, tuple(4 * h for h in halves), 0, 0, 360, 255, cv2.FILLED)
    return cv2.resize(fine, SIZE[::-1], interpolation=cv2.INTER_AREA).astype(np.float32) / 255


def a_photo(seed=1):
    """Return a top of two tones of wood, with bark in it that is black, brown and as pale as the darker wood."""
    rng = np.random.default_rng(seed)
    wood = np.full((*SIZE, 3), (140, 180, 210), np.float32)
    wood[135:] = (110, 150, 185)
    patches = cv2.resize(rng.integers(0, 3, (22, 40)).astype(np.uint8), SIZE[::-1], interpolation=cv2.INTER_NEAREST)
    bark = np.array([(30, 35, 40), (60, 75, 95), (150, 150, 150)], np.float32)[patches]
    share = ellipse()[..., None]
    mixed = cv2.GaussianBlur(wood * (1 - share) + bark * share, (0, 0), 0.8) + rng.normal(0, 3, (*SIZE, 3))
    return np.clip(mixed, 0, 255).astype(np.uint8)


def whole(share):
    cover = cover_of(share, (0, 0))
    assert cover is not None
    return cover


def first_drawn():
    """Return a rim that follows the darker wood's edge for a while and leaves out a pale part of the bark."""
    share = ellipse()
    share[136:146, 130:210] = 1.0
    share[95:120, 225:] = 0.0
    return whole(share)


def overlap(cover: Cover):
    drawn = np.zeros(SIZE, np.uint8)
    cv2.fillPoly(drawn, [np.round(cover.outline_px * 16).astype(np.int32)], 1, shift=4)
    true = ellipse() > 0.5
    return (true & (drawn > 0)).sum() / (true | (drawn > 0)).sum()


def test_the_rim_leaves_a_ring_of_the_wood_and_takes_in_pale_bark():
    first, seen = first_drawn(), np.ones(SIZE, bool)
    again = parted(first, OUTWARD, a_photo(), seen, MM)
    assert overlap(first) < 0.89
    assert overlap(again) > 0.96
    assert again.area_px == pytest.approx(AREA, rel=0.02)
    assert abs(polygon_area(again.outline_px)) == pytest.approx(again.area_px)


def test_the_same_photo_gives_the_same_rim():
    cv2.setRNGSeed(7)
    one = parted(first_drawn(), OUTWARD, a_photo(), np.ones(SIZE, bool), MM)
    two = parted(first_drawn(), OUTWARD, a_photo(), np.ones(SIZE, bool), MM)
    np.testing.assert_array_equal(one.outline_px, two.outline_px)


def test_the_cover_may_lie_anywhere_in_the_picture():
    """Cut out of the whole picture, with its own corner, a cover gives the same rim."""
    first = first_drawn()
    rows, columns = slice(60, 170), slice(80, 250)
    corner = (columns.start, rows.start)
    cut = replace(first, share=first.share[rows, columns], mask=first.mask[rows, columns], corner=corner)
    seen = np.ones(SIZE, bool)
    one, two = (parted(c, OUTWARD, a_photo(), seen, MM) for c in (first, cut))
    assert two.area_px == pytest.approx(one.area_px, rel=0.002)
    assert overlap(two) == pytest.approx(overlap(one), abs=0.005)


def test_a_large_void_is_parted_at_a_coarser_scale(monkeypatch):
    seen = np.ones(SIZE, bool)
    fine = parted(first_drawn(), OUTWARD, a_photo(), seen, MM)
    monkeypatch.setattr(parting, "MOST_PX", SIZE[0] * SIZE[1] // 5)
    coarse = parted(first_drawn(), OUTWARD, a_photo(), seen, MM)
    assert (coarse.outline_px.shape != fine.outline_px.shape) or (coarse.outline_px != fine.outline_px).any()
    assert overlap(coarse) > 0.95
    assert coarse.area_px == pytest.approx(AREA, rel=0.03)


def test_beside_what_is_not_seen_the_rim_stays():
    """Under a board no colour tells anything: the rim that runs along it runs on there."""
    seen = np.ones(SIZE, bool)
    seen[:, :130] = False
    share = np.where(seen, ellipse(), 0.0).astype(np.float32)
    again = parted(whole(share), OUTWARD, a_photo(), seen, MM)
    assert again.outline_px[:, 0].min() == pytest.approx(129.5, abs=0.6)
    mask = np.zeros(SIZE, bool)
    y, x = again.corner[1], again.corner[0]
    mask[y : y + again.mask.shape[0], x : x + again.mask.shape[1]] = again.mask
    np.testing.assert_array_equal(mask[:, 130:134], share[:, 130:134] > 0.5)


def test_what_has_become_another_thing_keeps_its_rim():
    """A small dark core in bark that the cut would take whole is no bark void's rim that was off."""
    core = whole(ellipse((20, 9)))
    again = parted(core, OUTWARD, a_photo(), np.ones(SIZE, bool), MM)
    assert again is core or again.area_px / core.area_px < MOST_CHANGE


def test_where_there_is_no_wood_around_nothing_is_parted():
    everything = whole(np.ones(SIZE, np.float32))
    assert parted(everything, OUTWARD, a_photo(), np.ones(SIZE, bool), MM) is everything


def looked_at(corner):
    """Return the top as it was looked at, cut out of a larger picture at ``corner``."""
    seen = np.ones(SIZE, bool)
    dark, colours = np.zeros(SIZE, np.float32), np.zeros((*SIZE, 3), np.float32)
    slab = SlabFound(seen, ~seen, np.zeros((4, 2)), ("sawn",) * 4, 0.5, False)
    return Looked((), Evened(dark, seen, ~seen, colours, seen, 1, 0.0, MM), 0.8, corner, slab, a_photo())


@pytest.mark.parametrize("kind", [Kind.BARK_VOID, Kind.KNOT_HOLE, Kind.SOUND_KNOT])
def test_wide_voids_alone_are_parted_from_the_wood(kind):
    """A flat thing fades; and a hole's rim is never far from where it was found: the knot has one of its own."""
    looked, first = looked_at((30, 20)), first_drawn()
    item = (moved(Candidate(first, "patch", 0.0), looked.corner), Judgement(kind, 0.9, {}))
    ((found, judgement),) = wide_drawn(looked, [item])
    assert judgement is item[1]
    if kind is Kind.SOUND_KNOT:
        assert found is item[0]
        return
    assert overlap(found.cover.moved((-30, -20))) > (0.96 if kind is Kind.BARK_VOID else overlap(first))


def test_without_the_picture_rims_stay_as_they_are():
    looked = replace(looked_at((0, 0)), pixels=None)
    item = (Candidate(first_drawn(), "patch", 0.0), Judgement(Kind.BARK_VOID, 0.9, {}))
    assert wide_drawn(looked, [item]) == [item]
