"""Figures that the kind is told by: how uneven a thing is, its step against the wood's scatter, how many are alike."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from voidmap.surface.features import LEAST_SCATTER, STEPS, STEPS_IN_FIGURE, UNEVEN, Candidate, Texture, describe
from voidmap.surface.light import Evened
from voidmap.surface.nested import related
from voidmap.surface.rim import cover_of

SIZE, MM, RADIUS = 240, 0.3, 50
Y, X = np.mgrid[:SIZE, :SIZE] - SIZE / 2


def disc(dark_sigma: float, wood_sigma: float, deep: float = 0.5, fine: float = 1.0) -> dict[str, float]:
    """Return the figures of a disc so much darker than the wood, both of normal scatter (natural log).

    ``fine`` is how uneven the slab's sound wood is from millimetre to millimetre.
    """
    rng = np.random.default_rng(5)
    share = np.clip(RADIUS - np.hypot(X, Y) + 0.5, 0.0, 1.0).astype(np.float32)
    noise = rng.normal(0.0, 1.0, (SIZE, SIZE)).astype(np.float32)
    dark = noise * np.where(share > 0.5, dark_sigma, wood_sigma).astype(np.float32) - deep * share
    seen, blank = np.ones((SIZE, SIZE), bool), np.zeros((SIZE, SIZE), np.float32)
    evened = Evened(dark, seen, ~seen, np.zeros((SIZE, SIZE, 3), np.float32), seen, 1, 0.0, MM)
    texture = Texture(blank, blank, blank, {"along": 1.0, "across": 1.0, "fine": fine})
    cover = cover_of(share, (0, 0))
    assert cover is not None
    return describe(Candidate(cover, "patch", 0.0), evened, blank, texture, 1.0)


def test_unevenness_is_the_spread_within_over_that_around() -> None:
    assert disc(0.2, 0.1)["uneven"] == pytest.approx(np.log(2.0), abs=0.1)
    # A camera that makes all contrast stronger changes nothing.
    assert disc(0.3, 0.15, 0.75)["uneven"] == pytest.approx(disc(0.2, 0.1, 0.5)["uneven"], abs=1e-4)
    assert disc(0.5, 0.0)["uneven"] == pytest.approx(np.log(UNEVEN[1]))
    # Wood without any scatter counts as having the least; 10 to 90 % of a normal distribution are 2.56 sigmas.
    between = float(norm.ppf(0.9) - norm.ppf(0.1))
    assert disc(0.02, 0.0)["uneven"] == pytest.approx(np.log(between * 0.02 / LEAST_SCATTER), abs=0.1)


def test_a_step_is_told_in_scatters_of_the_wood() -> None:
    between = float(norm.ppf(0.9) - norm.ppf(0.1))
    assert disc(0.05, 0.1, 0.5)["step_in_scatters"] == pytest.approx(np.log(0.5 / (between * 0.1)), abs=0.1)
    # What is brighter than the wood has the least of steps.
    assert disc(0.05, 0.1, -0.5)["step_in_scatters"] == pytest.approx(np.log(STEPS[0]))


def test_a_step_is_told_in_the_unevenness_of_the_slabs_own_figure() -> None:
    plain, strong = (disc(0.05, 0.1, 0.5, fine)["step_in_figure"] for fine in (0.02, 0.1))
    assert strong == pytest.approx(np.log(0.5 / 0.1), abs=0.1)
    assert plain - strong == pytest.approx(np.log(5.0))
    assert disc(0.05, 0.1, -0.5)["step_in_figure"] == pytest.approx(np.log(STEPS_IN_FIGURE[0]))


def test_things_of_a_size_and_a_step_are_counted_over_the_whole_slab() -> None:
    def thing(step: float, radius: float = 8.0, source: str = "dot") -> Candidate:
        mask = np.zeros((SIZE, SIZE), np.float32)
        cv2.circle(mask, (120, 120), int(radius), 1.0, -1)
        cover = cover_of(mask, (0, 0))
        assert cover is not None
        figures = {"step": step, "dark_middle": -step, "lean_x": 0.0, "lean_y": 0.0, "log_area": 2 * np.log(radius)}
        figures |= {"is_line": float(source == "line"), "turning": 0.0, "log_length": np.log(2 * radius)}
        return Candidate(cover, source, 0.0, features=figures)

    found = related([thing(1.0), *[thing(0.3)] * 4, thing(0.3, 24.0), thing(0.3, 8.0, "line"), thing(-0.2)], MM)
    counts = np.exp([c.features["alike"] for c in found])
    assert counts == pytest.approx([1, 5, 5, 5, 5, 1, 1, 6])
