"""What the grain tells: its direction however loud the marks across it, and that only a branch crosses it."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from voidmap.model import Ortho, SlabFound
from voidmap.records import Kind
from voidmap.surface import grain_direction_deg
from voidmap.surface.explained import without_explained
from voidmap.surface.features import Candidate
from voidmap.surface.form import by_form
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import even_light
from voidmap.surface.rim import cover_of

MM = 0.5


def top(light: np.ndarray, edge_blur_mm: float = 0.1) -> tuple[Ortho, SlabFound]:
    """Return a top that fills the picture."""
    grey = np.clip(light * 255, 0, 255).astype(np.uint8)
    whole = np.ones(light.shape, bool)
    h, w = light.shape
    outline = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]]) * MM
    ortho = Ortho(cv2.merge([grey] * 3), whole, 0.0, 0.0, MM)
    return ortho, SlabFound(whole, np.zeros_like(whole), outline, ("sawn",) * 4, edge_blur_mm, False)


def test_loud_saw_marks_on_a_third_of_the_top_do_not_turn_its_grain() -> None:
    y, x = np.mgrid[:500, :600].astype(float)
    rings = 0.6 + 0.02 * np.sin(y / 3.0)
    marks = np.where(x > 400, 0.1 * np.sin(x / 3.0), 0.0)
    noise = np.random.default_rng(1).normal(0, 0.004, y.shape)
    assert abs(grain_direction_deg(*top(rings + marks + noise))) < 3.0


def thing(
    length_mm: float,
    width_mm: float,
    off_grain: float,
    source: str = "patch",
    *,
    dark: float = -0.5,
    at_border: float = 0.0,
) -> Candidate:
    """Return an ellipse; its angle to the grain is told, whatever way it is drawn."""
    a, b = length_mm / 2 / MM, width_mm / 2 / MM
    y, x = np.mgrid[: int(2 * b) + 9, : int(2 * a) + 9]
    cover = cover_of((((x - a - 4) / a) ** 2 + ((y - b - 4) / b) ** 2 < 1).astype(np.float32), (0, 0))
    assert cover is not None
    area = cover.area_px * MM * MM
    return Candidate(cover, source, 5.0, features={
        "log_length": math.log(length_mm), "log_area": math.log(area), "log_area_px": math.log(cover.area_px),
        "log_slender": math.log(length_mm**2 / area), "log_axes": math.log(length_mm / width_mm),
        "off_grain": off_grain, "at_border": at_border, "dark_middle": dark, "step": 0.3, "solidity": 1.0,
    })  # fmt: skip


@pytest.mark.parametrize(
    ("length_mm", "width_mm", "off_grain", "kind"),
    [(30, 12, 85, Kind.SOUND_KNOT), (30, 12, 5, Kind.STAIN), (30, 12, 45, Kind.STAIN), (14, 12, 85, Kind.STAIN)],
    ids=["across", "along", "aslant", "round"],
)
def test_what_lies_flat_across_the_grain_is_a_knot(
    length_mm: float, width_mm: float, off_grain: float, kind: Kind
) -> None:
    # Common practice, no source: stains and streaks follow the wood's vessels, a branch crosses them.
    judged = Judgement(Kind.STAIN, 0.05, {Kind.STAIN: 0.8, Kind.SOUND_KNOT: 0.1, Kind.HOLE: 0.1})
    told = by_form(thing(length_mm, width_mm, off_grain), judged)
    assert told.kind is kind
    assert told.kind_chances[Kind.STAIN] == pytest.approx(0.8 if kind is Kind.STAIN else 0.0)
    assert sum(told.kind_chances.values()) == pytest.approx(1.0)
    assert told.void_probability == judged.void_probability


def test_shade_along_a_sawn_end_is_no_knot() -> None:
    judged = Judgement(Kind.STAIN, 0.05, {Kind.STAIN: 1.0})
    assert by_form(thing(30, 12, 85, at_border=0.45), judged).kind is Kind.STAIN
    assert by_form(thing(30, 12, 85, at_border=0.15), judged).kind is Kind.SOUND_KNOT, "a branch that comes out there"


@pytest.mark.parametrize(
    ("length_mm", "width_mm", "off_grain", "kind"),
    [(15, 4, 85, Kind.KNOT_HOLE), (15, 4, 5, Kind.CRACK), (60, 4, 85, Kind.CRACK), (12, 1.5, 85, Kind.CRACK)],
    ids=["a lens across", "along", "a long tear", "a fine check"],
)
def test_a_short_wide_gap_across_the_grain_is_a_knot_s(
    length_mm: float, width_mm: float, off_grain: float, kind: Kind
) -> None:
    told = by_form(thing(length_mm, width_mm, off_grain), Judgement(Kind.CRACK, 0.9, {Kind.CRACK: 1.0}))
    assert told.kind is kind


@pytest.mark.parametrize(("width_mm", "stays"), [(1.2, True), (4.0, False)])
def test_a_fine_dark_line_is_no_band_of_the_faintly_darker_wood_around_it(width_mm: float, stays: bool) -> None:
    wood = thing(80, 40, 0, dark=-0.18), Judgement(Kind.STAIN, 0.1, {Kind.STAIN: 1.0})
    line = thing(40, width_mm, 0, "line", dark=-0.35)
    crack = replace(line, cover=replace(line.cover, corner=(40, 40))), Judgement(Kind.CRACK, 0.8, {Kind.CRACK: 1.0})
    assert (crack in without_explained([wood, crack], MM)) == stays


def test_as_far_from_the_edge_as_the_edge_is_in_doubt_nothing_is_judged() -> None:
    seen = even_light(*top(np.full((120, 160), 0.6), edge_blur_mm=2.5), 0.0).seen
    rows, columns = np.nonzero(seen)
    assert (rows.min(), columns.min()) == (0, 0), "the picture's own border is no edge of the slab"
    ortho, slab = top(np.full((120, 160), 0.6), edge_blur_mm=2.5)
    slab.mask[:20] = False
    rows, _ = np.nonzero(even_light(ortho, slab, 0.0).seen)
    assert rows.min() == 25
