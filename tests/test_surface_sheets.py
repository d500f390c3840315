"""A patch that runs together with a strip of tape is two things: what the picture shows of the tape tells."""

import cv2
import numpy as np
import pytest

from voidmap.model import SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.explained import without_explained
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.merge import Judged
from voidmap.surface.rim import cover_of

SIZE, CORNER, MM = (200, 260), (7, 4), 0.5


def bark_with(bright: np.ndarray, light: float, rest: float = -0.7) -> tuple[Looked, Judged]:
    """Return the picture, cut out at ``CORNER``, of a dark patch with something else in it, and the patch.

    What was bitten out of the strip has the tone ``rest``.
    """
    rows, columns = np.indices(SIZE)
    patch = (np.abs(rows - 100) < 60) & (np.abs(columns - 130) < 100)
    tone = np.where(patch, -0.7, 0.0)
    tone[bright & patch] = light
    tone[strip(70) & ~bright & patch] = rest
    dark = cv2.GaussianBlur(tone, (0, 0), 1.0).astype(np.float32)
    dark += np.random.default_rng(2).normal(0, 0.05, SIZE).astype(np.float32)
    seen, colours = np.ones(SIZE, bool), np.zeros((*SIZE, 3), np.float32)
    cover = cover_of(patch.astype(np.float32), CORNER)
    assert cover is not None
    found = Candidate(cover, "patch", 0.0, features={"dark_middle": -0.7, "step": 0.3})
    judgement = Judgement(Kind.BARK_VOID, 0.9, {Kind.BARK_VOID: 1.0})
    slab = SlabFound(seen, ~seen, np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)
    return Looked((), Evened(dark, seen, ~seen, colours, seen, 1, 0.0, MM), 1.0, CORNER, slab), (found, judgement)


def strip(width_px: float) -> np.ndarray:
    """Return a strip that runs across at a slant."""
    rows, columns = np.indices(SIZE)
    return np.asarray(np.abs(columns - 130 + 0.3 * (rows - 100)) < width_px / 2)


def lobes() -> np.ndarray:
    """Return pale lobes of bark: as much in all, and round."""
    rows, columns = np.indices(SIZE)
    return np.asarray(np.sin(rows / 7.0) * np.sin(columns / 7.0) > 0.1)


def bitten() -> np.ndarray:
    """Return the wide strip without a bite from one side to its middle."""
    rows, columns = np.indices(SIZE)
    return strip(70) & ~((np.abs(rows - 100) < 30) & (columns > 130))


@pytest.mark.parametrize(("rest", "stays"), [(0.0, False), (-0.7, True)], ids=["as the wood", "bark"])
def test_a_sheet_of_which_a_part_reads_as_the_wood_is_one(rest: float, stays: bool) -> None:
    """Around the middle of a wide sheet the wood's colour is taken from the sheet itself."""
    looked, patch = bark_with(bitten(), 0.4, rest)
    assert without_explained([patch], MM, looked) == ([patch] if stays else [])


@pytest.mark.parametrize(
    ("bright", "light", "stays"),
    [(strip(70), 0.4, False), (strip(70), -0.3, True), (strip(12), 0.4, True), (lobes(), 0.4, True)],
    ids=["tape", "no brighter than the wood", "a narrow strip", "pale bark"],
)
def test_a_patch_with_tape_in_it_is_no_void(bright: np.ndarray, light: float, stays: bool) -> None:
    looked, patch = bark_with(bright, light)
    assert without_explained([patch], MM, looked) == ([patch] if stays else [])
    assert without_explained([patch], MM) == [patch]


@pytest.mark.parametrize(
    ("light", "bitten", "stays"),
    [(0.4, False, False), (0.4, True, False), (-0.4, False, True)],
    ids=["on paper", "print to the rim of the paper", "in a dark patch"],
)
def test_print_on_a_sheet_of_paper_is_no_void(light: float, bitten: bool, stays: bool) -> None:
    rows, columns = np.indices(SIZE)
    strips = [(np.abs(rows - 100) < h) & (np.abs(columns - 130) < 40) for h in (30, 2)]
    if bitten:
        strips[0] &= (np.abs(rows - 100) > 2) | (columns < 155)
    sheet, line = (cover_of(mask.astype(np.float32), CORNER) for mask in strips)
    assert sheet is not None
    assert line is not None
    paper = Candidate(sheet, "patch", 0.0, features={"dark_middle": light, "step": 0.5})
    figures = {"dark_middle": -0.9, "step": 0.8, "log_length": 3.0, "log_area": 4.0}
    printed = Candidate(line, "line", 9.0, features=figures)
    flat, void = Judgement(Kind.STAIN, 0.45, {Kind.STAIN: 1.0}), Judgement(Kind.CRACK, 0.6, {Kind.CRACK: 1.0})
    kept = without_explained([(paper, flat), (printed, void)], MM)
    assert [c for c, _ in kept] == ([paper, printed] if stays else [paper])
