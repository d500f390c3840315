"""Bays of a sawn edge on outlines of known form (plane geometry), and what is told of the voids in them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from slab_scenes import rectangle
from test_surface_bays import painted, slab

from voidmap.model import Floats, Ortho, SlabFound
from voidmap.records import Kind
from voidmap.surface import find_slab
from voidmap.surface.band import ALONG_MM
from voidmap.surface.covered import fill_polygons
from voidmap.surface.edges import resample
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.rim import cover_of
from voidmap.surface.sawn import LEAST_DEPTH_MM, sawn_bays
from voidmap.surface.sawn_mouths import ODDS, mouths_of, with_sawn_mouths, with_whole_mouths

HALF_MM, DEEP_MM, LENGTH_MM = 30.0, 12.0, 720.0


def band_around(long_mm: float, short_mm: float, bent_mm: Floats | None = None) -> Any:
    """Return a band around a rectangle that starts with a long side; its middle line is bent inward by (rows,) mm."""
    line = resample(rectangle(long_mm, short_mm), ALONG_MM)
    side = np.round(line / [long_mm, short_mm] * 2, 6)
    outward = np.where(np.abs(side) >= np.abs(side).max(axis=1, keepdims=True), np.sign(side), 0.0)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    if bent_mm is not None:
        line = line - bent_mm[:, None] * outward
    return SimpleNamespace(
        middle_px=line, outward=outward, mm_per_px=1.0, points_px=lambda offsets: line + offsets[:, None] * outward
    )


def bay(band: Any, half_mm: float, deep_mm: float) -> Floats:
    """Return the depth (rows,) of a bay, half an ellipse in the middle of the first side."""
    along = band.middle_px[:, 0]
    first = band.outward[:, 1] == band.outward[round(LENGTH_MM / 2 / ALONG_MM), 1]
    return np.where(first, deep_mm * np.sqrt(np.maximum(1.0 - (along / half_mm) ** 2, 0.0)), 0.0)


def read_to_a_mm(offsets_mm: Floats, seed: int) -> Floats:
    return np.round(offsets_mm + np.random.default_rng(seed).uniform(-0.3, 0.3, len(offsets_mm)))


def test_the_saws_line_runs_over_a_bay_whatever_is_seen_in_it() -> None:
    """What lies between the wood's end and the line has the area of half an ellipse, also where the band is bent."""
    band = band_around(LENGTH_MM, 420.0)
    depth = bay(band, HALF_MM, DEEP_MM)
    for bent in (None, 0.4 * depth):
        band = band_around(LENGTH_MM, 420.0, bent)
        top = read_to_a_mm((0.0 if bent is None else bent) - depth, 1)
        (found,) = sawn_bays(band, top)
        area = float(np.maximum(found.sawn_mm - found.top_mm, 0.0).sum()) * ALONG_MM
        assert area == pytest.approx(np.pi / 2 * HALF_MM * DEEP_MM, rel=0.08)
        assert found.is_wide


def test_a_mouth_wider_than_the_short_chords_is_bridged_over_its_whole_width() -> None:
    """Half an ellipse of 260 mm by 60 mm: one bay on a sawn edge, none on a live one."""
    long_mm, half_mm = 1200.0, 130.0
    band = band_around(long_mm, 420.0)
    along = band.middle_px[:, 0]
    first = band.outward[:, 1] == band.outward[round(long_mm / 2 / ALONG_MM), 1]
    inside = first & (np.abs(along) < half_mm)
    void = np.where(inside, 60.0 * np.sqrt(np.maximum(1.0 - (along / half_mm) ** 2, 0.0)), 0.0)
    (found,) = sawn_bays(band, read_to_a_mm(-void, 5))
    area = float(np.maximum(found.sawn_mm - found.top_mm, 0.0).sum()) * ALONG_MM
    assert area == pytest.approx(np.pi / 2 * half_mm * 60.0, rel=0.03)
    walk = np.arange(len(along)) * ALONG_MM
    live = 6.0 * np.sin(walk / 40.0) + 3.0 * np.sin(walk / 17.0 + 1.0)
    assert sawn_bays(band, read_to_a_mm(live - void, 6)) == []


def test_the_same_bay_of_a_live_edge_is_none() -> None:
    band = band_around(LENGTH_MM, 420.0)
    along = np.arange(len(band.middle_px)) * ALONG_MM
    live = 6.0 * np.sin(along / 40.0) + 3.0 * np.sin(along / 17.0 + 1.0)
    assert sawn_bays(band, read_to_a_mm(live - bay(band, HALF_MM, DEEP_MM), 2)) == []


def test_a_crack_is_bridged_but_no_mouth_and_less_than_the_least_is_nothing() -> None:
    band = band_around(LENGTH_MM, 420.0)
    (crack,) = sawn_bays(band, read_to_a_mm(-bay(band, 6.0, 30.0), 3))
    assert not crack.is_wide
    assert sawn_bays(band, read_to_a_mm(-bay(band, HALF_MM, LEAST_DEPTH_MM - 1.2), 4)) == []


def test_bench_seen_in_a_bay_of_a_sawn_edge_lies_within_the_outline() -> None:
    angle = np.linspace(0, np.pi, 200)
    void = np.array([150.0, 210.5]) + np.column_stack([40 * np.cos(angle), -14 * np.sin(angle)])
    scene = painted(slab(25), void, (90, 90, 95), rough=0.03)
    found = find_slab(scene.ortho, scene.patterns_mm)
    inside = fill_polygons(scene.ortho, [void]) & fill_polygons(scene.ortho, [scene.outline_mm])
    assert (inside & found.mask).sum() > 0.9 * inside.sum()
    (mouth,) = found.mouths_mm
    drawn = fill_polygons(scene.ortho, [mouth])
    assert (drawn & inside).sum() > 0.8 * max(drawn.sum(), inside.sum())


def slab_with(ortho: Ortho, mouth_mm: Floats) -> SlabFound:
    """Return a slab that fills a picture below its first 20 rows, with the mouth of a void."""
    top = np.zeros(ortho.valid.shape, bool)
    top[20:] = True
    outline = ortho.to_mm(np.array([[0.0, 20.0], [199.0, 20.0], [199.0, 59.0], [0.0, 59.0]]))
    return SlabFound(top, np.zeros_like(top), outline, ("sawn",) * 4, 0.0, False, mouths_mm=(mouth_mm,))


def test_a_void_takes_all_of_its_mouth_up_to_the_saws_line() -> None:
    """The floor was found in one half of the mouth; beyond it the bench is seen up to the line."""
    ortho = Ortho(np.zeros((60, 200, 3), np.uint8), np.ones((60, 200), bool), 0.0, 0.0, 0.5)
    mouth = ortho.to_mm(np.array([[40.0, 20.0], [159.0, 20.0], [159.0, 40.0], [40.0, 40.0]]))
    floor = np.zeros(ortho.valid.shape, np.float32)
    floor[20:41, 100:160] = floor[41:50, 60:160] = 1.0
    cover = cover_of(floor, (0, 0))
    assert cover is not None
    slab_found = slab_with(ortho, mouth)
    void = Candidate(cover, "patch", 0.0), Judgement(Kind.BARK_VOID, 0.9, {Kind.BARK_VOID: 0.9, Kind.STAIN: 0.1})
    stain = Candidate(cover, "patch", 0.0), Judgement(Kind.STAIN, 0.1, {Kind.BARK_VOID: 0.1, Kind.STAIN: 0.9})
    drawn = mouths_of(slab_found, ortho)
    ((whole, _),) = with_whole_mouths([void], drawn, slab_found, ortho.mm_per_px)
    grain = 2 + 1  # px of a millimetre beside the wood, and the row at the border
    assert 60 * 21 - 3 * grain * 60 <= whole.cover.area_px - cover.area_px <= 60 * 21
    assert with_whole_mouths([stain], drawn, slab_found, ortho.mm_per_px)[0][0].cover is cover


def test_a_patch_over_a_mouth_is_likelier_a_void_and_no_crack() -> None:
    ortho = Ortho(np.zeros((60, 200, 3), np.uint8), np.ones((60, 200), bool), 0.0, 0.0, 0.5)
    mouth = np.array([[20.0, 0.0], [60.0, 0.0], [50.0, 10.0], [30.0, 10.0]])
    share = fill_polygons(ortho, [mouth]).astype(np.float32)

    def candidate(columns: slice, source: str) -> Candidate:
        cut = np.zeros_like(share)
        cut[:, columns] = share[:, columns]
        cover = cover_of(cut, (0, 0))
        assert cover is not None
        return Candidate(cover, source, 0.0)

    chances = {Kind.CRACK: 0.5, Kind.BARK_VOID: 0.3, Kind.KNOT_HOLE: 0.1, Kind.STAIN: 0.1}
    by_look = [Judgement(Kind.CRACK, 0.4, chances), Judgement(None, 0.02, chances)]
    drawn = mouths_of(slab_with(ortho, mouth), ortho)
    whole, part, line = candidate(np.s_[:], "patch"), candidate(np.s_[:65], "patch"), candidate(np.s_[:], "line")
    sure, doubtful = with_sawn_mouths([whole, whole], by_look, drawn)
    assert sure.kind is Kind.BARK_VOID
    odds = [j.void_probability / (1.0 - j.void_probability) for j in (sure, doubtful)]
    assert odds == pytest.approx([ODDS * 0.4 / 0.6, ODDS * 0.02 / 0.98])
    assert doubtful.kind is None
    # Of what it may be the flat thing loses as much: 9 of 10 were voids, now 9 ODDS of 9 ODDS + 1.
    assert sure.kind_chances[Kind.STAIN] == pytest.approx(1.0 / (9.0 * ODDS + 1.0))
    assert sum(sure.kind_chances.values()) == pytest.approx(1.0)
    assert with_sawn_mouths([part, line], by_look, drawn) == by_look
