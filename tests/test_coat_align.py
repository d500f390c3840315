"""One coat's picture laid onto another's: moved, turned round, another slab."""

import cv2
import numpy as np
import pytest

from voidmap.coat.align import Alignment, Bend, Move, align, laid, ready
from voidmap.coat.bend import TERMS
from voidmap.model import Ortho


def surface(seed):
    """Return a picture of wood with pores and specks, 400 mm x 320 mm at 0.4 mm per px."""
    rng = np.random.default_rng(seed)
    shape = (800, 1000)
    rings = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 60, sigmaY=2)
    pores = cv2.GaussianBlur((rng.random(shape) < 0.002).astype(np.float32), (0, 0), 2.5, sigmaY=0.7)
    grey = 150 + 12 * rings / rings.std() - 25 * pores / pores.max() + rng.normal(0, 1, shape)
    pixels = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Ortho(pixels, np.ones(shape, bool), -10.0, 5.0, 0.4)


@pytest.mark.parametrize(
    ("move", "guessed"),
    [(Move(0.8, -0.6, 0.05), True), (Move(40.0, -25.0, 4.0), False), (Move(380.0, 300.0, 180.0), False)],
)
def test_a_picture_is_laid_back(move, guessed):
    reference = surface(1)
    bend = Bend.plain(move.inverse())
    new = laid(reference, bend)
    found = align(ready(new), ready(reference), guess=Move() if guessed else None)
    assert found.same_wood
    places = np.array([[60.0, 60.0], [300.0, 60.0], [200.0, 250.0]])
    back = found.bend(bend(places))
    assert np.abs(back - places).max() < 0.04
    assert found.rms_mm < 0.04
    assert found.move(bend(places)) == pytest.approx(places, abs=0.1)


def test_a_far_side_two_millimetres_off_is_taken_in():
    # Tilt that one photo's board did not tell: no turn, shift and scale takes it up, and blocks there lie far apart.
    reference, terms = surface(1), np.zeros((len(TERMS), 2))
    terms[TERMS.index((0, 2)), 0] = 2.0
    bend = Bend(Move(), np.array([190.0, 165.0]), 200.0, terms)
    found = align(ready(laid(reference, bend)), ready(reference), guess=Move())
    places = np.array([[x, y] for x in (40.0, 190.0, 340.0) for y in (30.0, 165.0, 300.0)])
    assert np.abs(found.bend(bend(places)) - places).max() < 0.06


def test_faint_likeness_is_the_same_wood_when_its_blocks_agree():
    plain = Bend.plain(Move())
    assert Alignment(plain, 0.08, 0.2).same_wood
    assert not Alignment(plain, 0.08, float("inf")).same_wood
    assert not Alignment(plain, 0.04, 0.2).same_wood


def test_other_wood_is_refused():
    found = align(ready(surface(1)), ready(surface(2)), guess=Move())
    assert not found.same_wood


def test_moves_compose():
    a, b = Move(3.0, -2.0, 30.0), Move(-7.0, 1.0, 200.0)
    place = np.array([[11.0, 4.0]])
    assert a.after(b)(place) == pytest.approx(a(b(place)))
    assert a.inverse()(a(place)) == pytest.approx(place)
