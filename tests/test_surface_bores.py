"""A knot's hole is found with its whole rim, also where the lamp lights its wall or the bench shows through."""

import math

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.bores import bored
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.merge import Judged
from voidmap.surface.rim import cover_of

MM = 0.25
SIZE = (240, 280)
MIDDLE, KNOT = (140.0, 120.0), (100.0, 80.0)


def ellipse(half_axes: tuple[float, float], turn_deg: float = 0.0) -> np.ndarray:
    """Return which pixels lie in an ellipse about the middle."""
    rows, columns = np.indices(SIZE)
    right, down, turn = columns - MIDDLE[0], rows - MIDDLE[1], math.radians(turn_deg)
    u, v = right * math.cos(turn) + down * math.sin(turn), down * math.cos(turn) - right * math.sin(turn)
    return np.hypot(u / half_axes[0], v / half_axes[1]) <= 1.0


def half_plane(past: float) -> np.ndarray:
    """Return which pixels lie to the right of the middle by more than so many px."""
    return np.indices(SIZE)[1] > MIDDLE[0] + past


def candidate(mask: np.ndarray, dark: float) -> Candidate:
    cover = cover_of(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.5), (0, 0))
    assert cover is not None
    return Candidate(cover, "patch", 0.0, features={"solidity": 0.95, "dark_middle": dark})


def judged(found: Candidate, kind: Kind, chance: float) -> Judged:
    return found, Judgement(kind, chance, {kind: 1.0})


def looked_at(tone: np.ndarray) -> Looked:
    """Return the picture of a knot of natural-log darkness ``tone``, with the blur and noise of a photo."""
    noise = np.random.default_rng(3).normal(0, 0.02, SIZE)
    dark = cv2.GaussianBlur(tone, (0, 0), 1.2).astype(np.float32) + noise.astype(np.float32)
    seen, patch = np.ones(SIZE, bool), np.zeros((*SIZE, 3), np.float32)
    slab = SlabFound(seen, ~seen, np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)
    return Looked((), Evened(dark, seen, ~seen, patch, seen, 1, 0.0, MM), 1.2, (0, 0), slab)


def picture(hole: np.ndarray, lit: float, past: float) -> tuple[Looked, Judged, Candidate]:
    """Return a knot with a hole that is lit to the right of a shadow's edge, and its shaded part as it was called."""
    knot = ellipse(KNOT)
    tone = np.where(knot, -0.8, 0.0)
    tone[hole] = -2.5
    tone[hole & half_plane(past)] = lit
    return (
        looked_at(tone),
        judged(candidate(hole & ~half_plane(past), -2.5), Kind.BARK_VOID, 0.95),
        candidate(knot, -0.8),
    )


@pytest.mark.parametrize(
    ("half_axes", "turn", "past"), [((40.0, 40.0), 0.0, -4.0), ((40.0, 40.0), 0.0, 10.0), ((52.0, 36.0), 30.0, 10.0)]
)
@pytest.mark.parametrize("lit", [-1.1, -0.55, 0.3])
def test_the_rim_is_closed_over_what_the_lamp_lights(
    half_axes: tuple[float, float], turn: float, past: float, lit: float
) -> None:
    """The area of an ellipse is pi a b (Euclidean geometry); of it less than 0.7 is shaded."""
    looked, called, knot = picture(ellipse(half_axes, turn), lit, past)
    (found, judgement), *rest = bored(looked, [called], [knot, called[0]])
    true = math.pi * half_axes[0] * half_axes[1]
    assert not rest
    assert called[0].cover.area_px < 0.7 * true
    assert found.cover.area_px == pytest.approx(true, rel=0.08)
    assert judgement.kind is Kind.KNOT_HOLE
    assert judgement.void_probability == 0.95
    assert math.exp(found.features["log_area"]) == pytest.approx(found.cover.area_px * MM * MM)


def test_pieces_of_one_hole_become_one() -> None:
    hole = ellipse((40.0, 36.0))
    looked, _, knot = picture(hole, -0.6, 0.0)
    columns = np.indices(SIZE)[1] - MIDDLE[0]
    pieces = [candidate(hole & side, -2.5) for side in (columns < -15.0, np.abs(columns + 2.0) < 6.0)]
    drawn = [judged(piece, Kind.KNOT_HOLE, chance) for piece, chance in zip(pieces, (0.8, 0.9), strict=True)]
    stain = judged(candidate(ellipse(KNOT), -0.8), Kind.SOUND_KNOT, 0.1)
    flat, (found, judgement) = bored(looked, [*drawn, stain], [knot, *pieces])
    assert flat is stain
    assert judgement.void_probability == 0.9
    assert found.cover.area_px == pytest.approx(math.pi * 40.0 * 36.0, rel=0.08)


def test_a_slit_in_a_knot_is_no_bore() -> None:
    """A slit is far longer for its width than any branch's section."""
    slit = ellipse((60.0, 6.0))
    tone = np.where(ellipse(KNOT), -0.8, 0.0)
    tone[slit] = -2.5
    called = judged(candidate(slit, -2.5), Kind.BARK_VOID, 0.95)
    kept = bored(looked_at(tone), [called], [candidate(ellipse(KNOT), -0.8)])
    assert kept == [called]


def test_without_a_knot_all_stays() -> None:
    looked, called, _ = picture(ellipse((40.0, 36.0)), -0.6, 0.0)
    assert bored(looked, [called], [called[0]]) == [called]
    assert bored(looked, [], []) == []
