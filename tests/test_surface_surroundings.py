"""A patch that is a void and sound wood around it gives way to the void: what is left around it is hardly dark."""

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.merge import Judged
from voidmap.surface.regions import select
from voidmap.surface.rim import cover_of
from voidmap.surface.surroundings import without_surroundings

SIZE, CORNER, MM, DARK = (220, 300), (7, 4), 0.5, -1.6
ROWS, COLUMNS = np.indices(SIZE)
FIELD = (np.abs(ROWS - 110) < 90) & (np.abs(COLUMNS - 150) < 130)
VOID = ((ROWS - 110) / 38.0) ** 2 + ((COLUMNS - 150) / 60.0) ** 2 < 1
SHADE = np.sin(ROWS / 7.0) * np.sin(COLUMNS / 7.0) > 0.5


def judged(mask: np.ndarray, chance: float, kind: Kind, dark: float) -> Judged:
    cover = cover_of(mask.astype(np.float32), CORNER)
    assert cover is not None
    features = {"dark_middle": dark, "step": 0.3, "solidity": 1.0}
    features |= {"log_length": 4.0, "log_slender": 0.5, "log_axes": 0.3}
    return Candidate(cover, "patch", 0.0, features=features), Judgement(kind, chance, {kind: 1.0}, 0.6)


def looked_at(tone: np.ndarray) -> Looked:
    """Return a photo of darkness ``tone``, blurred and with noise."""
    dark = cv2.GaussianBlur(tone, (0, 0), 1.0).astype(np.float32)
    dark += np.random.default_rng(3).normal(0, 0.05, SIZE).astype(np.float32)
    seen = np.ones(SIZE, bool)
    slab = SlabFound(seen, ~seen, np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)
    colours = np.zeros((*SIZE, 3), np.float32)
    return Looked((), Evened(dark, seen, ~seen, colours, seen, 1, 0.0, MM), 1.0, CORNER, slab)


@pytest.mark.parametrize(
    ("around", "chance", "inner", "kind", "alone"),
    [
        (np.full(SIZE, -0.1), 0.96, VOID, Kind.BARK_VOID, True),
        (np.full(SIZE, -0.6), 0.96, VOID, Kind.KNOT_HOLE, True),
        (np.where(SHADE, -1.3, -0.1), 0.96, VOID, Kind.BARK_VOID, False),
        (np.full(SIZE, 0.9), 0.96, VOID, Kind.BARK_VOID, False),
        (np.full(SIZE, -0.1), 0.90, VOID, Kind.BARK_VOID, False),
        (np.full(SIZE, -0.1), 0.96, VOID, Kind.CRACK, False),
        (np.full(SIZE, -0.1), 0.96, VOID & (np.abs(COLUMNS - 150) < 12), Kind.BARK_VOID, False),
    ],
    ids=["wood", "a knot", "a lit floor in shade", "pale bark", "a doubtful core", "the dark of a crack", "one shade"],
)
def test_a_void_and_wood_around_it_is_the_void(
    around: np.ndarray, chance: float, inner: np.ndarray, kind: Kind, alone: bool
) -> None:
    """The step at both rims is one and the same, and the fits as well: only the picture tells."""
    looked = looked_at(np.where(inner, DARK, np.where(FIELD, around, 0.0)))
    whole, core = judged(FIELD, 0.95, Kind.BARK_VOID, -0.15), judged(inner, chance, kind, DARK)
    assert without_surroundings(looked, [whole, core]) == ([core] if alone else [whole, core])
    if inner is VOID and kind is Kind.BARK_VOID and alone:
        ((found, _),) = select(*zip(whole, core, strict=True), MM, looked)
        assert found.cover.area_px == pytest.approx(core[0].cover.area_px, rel=0.1)


@pytest.mark.parametrize(
    ("around", "chance", "alone"),
    [
        (np.full(SIZE, -0.2), 0.6, True),  # heartwood around a check in it
        (np.full(SIZE, -0.2), 0.9, False),  # as surely a void itself
        (np.where(SHADE, -0.6, 0.2), 0.6, False),  # a lit floor: in its shade not as plain as wood
    ],
    ids=["wood", "a sure void", "a lit floor"],
)
def test_a_doubtful_field_gives_way_to_a_much_surer_crack_however_small_in_it(
    around: np.ndarray, chance: float, alone: bool
) -> None:
    check = (np.abs(ROWS - 110) < 4) & (np.abs(COLUMNS - 150) < 70)
    looked = looked_at(np.where(check, -0.9, np.where(FIELD, around, 0.0)))
    whole, core = judged(FIELD, chance, Kind.BARK_VOID, -0.15), judged(check, 0.96, Kind.CRACK, -0.9)
    assert without_surroundings(looked, [whole, core]) == ([core] if alone else [whole, core])
