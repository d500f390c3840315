"""Checks in drawn knots: found along their rays, not made up by rings, and joined with the hole at the pith."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.knot_checks import with_checks
from voidmap.surface.light import Evened
from voidmap.surface.merge import Judged
from voidmap.surface.rim import Cover, cover_of

MM_PER_PX = 0.3
CORNER = (9, 6)
"""The evened picture is cut out of one that is so much wider on the left and the top."""
SIDE, PITH = 160, (80.0, 76.0)
AXES = (62.0, 48.0)
WHOLE = SlabFound(
    np.ones((SIDE, SIDE), bool), np.zeros((SIDE, SIDE), bool), np.zeros((4, 2)), ("sawn",) * 4, 0.1, False
)
SOUND = Judgement(Kind.SOUND_KNOT, 0.04, {Kind.SOUND_KNOT: 0.96, Kind.CRACK: 0.04})

Ray = tuple[float, float]
"""A check's direction, degrees, and its length from the pith, mm."""


def tip(ray: Ray) -> tuple[float, float]:
    turn, length = np.deg2rad(ray[0]), ray[1] / MM_PER_PX
    return PITH[0] + length * float(np.cos(turn)), PITH[1] + length * float(np.sin(turn))


def a_knot(rays: list[Ray], *, wide_px: float = 2.0, blur_px: float = 0.9, light_of: float = 0.12) -> np.ndarray:
    """Log brightness of a dark knot with rings, a darker rim and dark rays, blurred, with grain and noise."""
    rng = np.random.default_rng(5)
    fine = 4
    rows, columns = (np.indices((SIDE * fine, SIDE * fine)) + 0.5) / fine - 0.5
    share = np.hypot((columns - PITH[0]) / AXES[0], (rows - PITH[1]) / AXES[1])
    light = np.where(share < 1.0, 0.45 * (1.0 + 0.15 * np.sin(2 * np.pi * 5 * share)), 1.0)
    light *= 1.0 - 0.4 * np.exp(-(((share - 1.0) / 0.05) ** 2))
    for ray in rays:
        ends = [tuple(round((v + 0.5) * fine) for v in end) for end in (PITH, tip(ray))]
        light = cv2.line(light, ends[0], ends[1], light_of, round(wide_px * fine))
    small = cv2.resize(light, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), blur_px)
    return np.log(soft * (1.0 + rng.normal(0, 0.02, soft.shape))).astype(np.float32)


def cover(shape: np.ndarray) -> Cover:
    made = cover_of(shape.astype(np.float32), CORNER)
    assert made is not None
    return made


def looked_through(dark: np.ndarray, holes: list[Judged] | None = None, mm_per_px: float = MM_PER_PX) -> list[Judged]:
    disc = cv2.ellipse(np.zeros((SIDE, SIDE), np.uint8), (80, 76), (62, 48), 0, 0, 360, 1, -1)
    figures = {"solidity": 0.98, "dark_middle": -0.8, "log_length": 3.6, "log_area": 6.7, "log_slender": 0.5}
    knot = Candidate(cover(disc), "patch", 0.0, features=figures)
    seen = np.ones(dark.shape, bool)
    evened = Evened(dark, seen, ~seen, np.zeros((1, 1, 3), np.float32), np.ones((1, 1), bool), 1, 0.0, mm_per_px)
    return with_checks(Looked((knot,), evened, 0.9, CORNER, WHOLE), [(knot, SOUND), *(holes or [])])


def a_hole(radius: int, kind: Kind) -> Judged:
    area = np.pi * (radius * MM_PER_PX) ** 2
    figures = {"log_length": np.log(2 * radius * MM_PER_PX), "log_area": np.log(area), "log_slender": np.log(4 / np.pi)}
    figures |= {"log_axes": 0.0, "off_grain": 45.0, "at_border": 0.0}
    disc = cv2.circle(np.zeros((SIDE, SIDE), np.uint8), (80, 76), radius, 1, -1)
    return Candidate(cover(disc), "dot", 8.0, features=figures), Judgement(kind, 0.95, {kind: 0.95, Kind.HOLE: 0.05})


def test_a_check_across_the_rings_is_found_with_its_length_and_the_knot_stays() -> None:
    (knot, _), (check, judgement) = looked_through(a_knot([(35.0, 11.0)]))
    assert knot.source == "patch"
    assert judgement.kind is Kind.CRACK
    assert sum(judgement.kind_chances.values()) == pytest.approx(1.0)
    # Next to the pith, where all rays meet, a millimetre of it is not looked at.
    assert np.exp(check.features["log_length"]) == pytest.approx(10.5, abs=1.2)
    last = np.hypot(*(check.cover.outline_px - CORNER - tip((35.0, 11.0))).T).min()
    assert last < 1.0 / MM_PER_PX
    # 11 mm by 2 px, and nothing of the rings that it crosses.
    assert check.cover.area_px * MM_PER_PX**2 == pytest.approx(11.0 * 2.0 * MM_PER_PX, rel=0.35)


def test_the_rays_of_a_star_are_one_check() -> None:
    rays = [(20.0, 10.0), (140.0, 9.0), (265.0, 8.0)]
    _, (check, _) = looked_through(a_knot(rays))
    for ray in rays:
        assert np.hypot(*(check.cover.outline_px - CORNER - tip(ray)).T).min() < 1.5 / MM_PER_PX


def test_a_close_view_shows_no_more_checks_than_there_are() -> None:
    """At 0.07 mm a px, a scanner's scale, what lies a millimetre to the side of a place is far around the pith."""
    found = looked_through(a_knot([(35.0, 11.0)]), mm_per_px=0.07)
    assert [j.kind for _, j in found] in ([Kind.SOUND_KNOT, Kind.CRACK], [Kind.SOUND_KNOT])


def test_rings_and_noise_alone_make_no_check() -> None:
    assert len(looked_through(a_knot([]))) == 1


def test_a_closed_check_is_no_void() -> None:
    assert len(looked_through(a_knot([(35.0, 11.0), (210.0, 11.0)], light_of=0.36))) == 1


def test_a_dark_line_that_begins_far_from_the_pith_is_no_check() -> None:
    dark = a_knot([])
    start, end = (np.array(tip((70.0, far))) for far in (8.0, 13.0))
    cv2.line(dark, tuple(int(v) for v in start), tuple(int(v) for v in end), -2.0, 2)
    assert len(looked_through(dark)) == 1


def test_the_small_hole_at_the_pith_is_part_of_its_check_and_a_knots_hole_is_not() -> None:
    dark = a_knot([(200.0, 11.0)])
    _, (check, judgement) = looked_through(dark, [a_hole(5, Kind.KNOT_HOLE)])
    assert judgement.kind is Kind.CRACK
    assert check.cover.area_px > np.pi * 25
    assert [j.kind for _, j in looked_through(dark, [a_hole(20, Kind.KNOT_HOLE)])] == [Kind.SOUND_KNOT, Kind.KNOT_HOLE]
