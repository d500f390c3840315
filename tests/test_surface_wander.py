"""How lines run: straight ones and arcs of known turn, and what wanders on a slab besides."""

from __future__ import annotations

import math

import numpy as np
import pytest

from voidmap.surface.wander import CHORD_MM, LIKE_DARK, UNIT_MM, WANDERS, run_of, wandering


def test_a_straight_line_turns_nowhere_and_ends_as_far_as_it_is_long() -> None:
    turning, reach = run_of(np.column_stack([np.linspace(0, 60, 200), np.linspace(0, 25, 200)]))
    assert turning == pytest.approx(0.0, abs=1e-9)
    assert reach == pytest.approx(1.0)


@pytest.mark.parametrize("radius_mm", [5.0, 20.0])
def test_an_arc_turns_by_its_chord_over_its_radius(radius_mm: float) -> None:
    # Geometry: half a circle is pi r long and ends 2 r away; a chord that spans the arc s turns by s / r.
    angle = np.linspace(0, np.pi, 2000)
    turning, reach = run_of(radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]))
    arc_mm = np.pi * radius_mm / int(np.pi * radius_mm / CHORD_MM)
    assert turning == pytest.approx(arc_mm / radius_mm, rel=0.01)
    assert reach == pytest.approx(2 / np.pi, rel=1e-3)


def test_a_turn_past_half_a_circle_is_no_jump() -> None:
    # Round twice, from a way at which the angle's name changes sign.
    angle = np.linspace(np.pi / 2, np.pi / 2 + 4 * np.pi, 4000)
    assert run_of(12.0 * np.column_stack([np.cos(angle), np.sin(angle)]))[0] == pytest.approx(CHORD_MM / 12, rel=0.02)


def test_too_short_to_tell_is_straight() -> None:
    assert run_of(np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]]))[0] == 0.0


def line(turning: float, length_mm: float, step: float, is_line: float = 1.0) -> dict[str, float]:
    return {"is_line": is_line, "turning": turning, "log_length": math.log(length_mm), "step": step}


def test_others_that_wander_and_are_as_dark_are_told_by_their_length() -> None:
    crack = line(0.1, 300.0, 0.5)
    drawn = [line(2 * WANDERS, 150.0, 0.5), line(2 * WANDERS, 50.0, 0.5 * math.exp(0.9 * LIKE_DARK))]
    others = [line(2 * WANDERS, 900.0, 0.5 * math.exp(1.1 * LIKE_DARK)), line(2 * WANDERS, 900.0, 0.5, is_line=0.0)]
    told = wandering([crack, *drawn, *others])
    assert told[0] == pytest.approx(math.log1p(200.0 / UNIT_MM))
    # Itself it does not count.
    assert told[1] == pytest.approx(math.log1p(50.0 / UNIT_MM))
    assert wandering([crack]) == [0.0]
    assert wandering([]) == []
