"""Pinholes that kept open set right where the wood laid a photo wrongly, and leave alone what it laid well."""

from dataclasses import replace

import numpy as np
import pytest

from voidmap.coat.align import Alignment
from voidmap.coat.bend import Bend, Move
from voidmap.coat.by_sites import LEAST_ON, laid_by_sites

SIZE_MM = np.array([360.0, 260.0])
MIDDLE = SIZE_MM / 2


def wood_says(first: np.ndarray) -> Alignment:
    """An alignment whose bending is off by an affine map, terms (3, 2) mm at 200 mm from the middle."""
    terms = np.zeros((15, 2))
    terms[:3] = first
    return Alignment(Bend(Move(12.0, -7.0, 5.0), MIDDLE, 200.0, terms), 0.2, 0.15)


def coats(rng: np.random.Generator, kept: int, new: int, gone: int) -> tuple[np.ndarray, np.ndarray]:
    """Pinholes in their own frame, and the earlier sites in the reference's: ``kept`` of them are the same."""
    same = rng.uniform((0, 0), SIZE_MM, (kept, 2))
    sites = np.concatenate([same, rng.uniform((0, 0), SIZE_MM, (gone, 2))])
    here = np.concatenate([same + rng.normal(0, 0.08, same.shape), rng.uniform((0, 0), SIZE_MM, (new, 2))])
    return wood_says(np.zeros((3, 2))).bend.back(here), sites


def off(found: Alignment) -> float:
    """Greatest distance by which an alignment is wrong over the surface, mm."""
    grid = np.stack(np.meshgrid(np.linspace(0, 360, 7), np.linspace(0, 260, 5)), axis=-1).reshape(-1, 2)
    own = wood_says(np.zeros((3, 2))).bend.back(grid)
    return float(np.hypot(*(found.bend(own) - grid).T).max())


WRONG = np.array([[0.5, -0.2], [1.3, -0.3], [0.9, 0.2]])


@pytest.mark.parametrize("seed", range(5))
def test_a_photo_laid_askew_by_the_wood_is_set_right(seed: int) -> None:
    places, sites = coats(np.random.default_rng(seed), kept=12, new=20, gone=200)
    askew = wood_says(WRONG)
    found = laid_by_sites(askew, places, sites)
    assert off(askew) > 1.5
    assert off(found) < 0.35
    assert off(found) / 3 < found.rms_mm < 0.3


@pytest.mark.parametrize("seed", range(5))
def test_what_the_wood_laid_well_stays(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for kept, new, gone in ((40, 20, 200), (0, 60, 250), (4, 30, 250)):
        places, sites = coats(rng, kept, new, gone)
        right = wood_says(np.array([[0.1, -0.05], [0.05, 0.0], [0.0, 0.05]]))
        assert laid_by_sites(right, places, sites) is right


@pytest.mark.parametrize("seed", range(40))
def test_new_pinholes_alone_do_not_move_it(seed: int) -> None:
    places, sites = coats(np.random.default_rng(100 + seed), kept=0, new=240, gone=300)
    askew = wood_says(WRONG)
    assert laid_by_sites(askew, places, sites) is askew


def test_too_few_or_nothing_to_lay_onto_changes_nothing() -> None:
    rng = np.random.default_rng(7)
    places, sites = coats(rng, kept=LEAST_ON - 1, new=0, gone=50)
    askew = wood_says(WRONG)
    assert laid_by_sites(askew, places, sites) is askew
    places, sites = coats(rng, kept=30, new=0, gone=0)
    unknown = replace(askew, rms_mm=float("inf"))
    assert laid_by_sites(unknown, places, sites) is unknown
