"""The colour of a thin dark line on drawn wood: shade stays a crack, graphite hardly is one, a short or dim line says
nothing."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.model import Ortho, SlabFound
from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.grey import less_likely_grey
from voidmap.surface.kinds import Judgement
from voidmap.surface.light import Evened
from voidmap.surface.rim import cover_of

MM_PER_PX = 0.5
SIZE = (120, 300)
WOOD = np.array([90.0, 130.0, 180.0])
# Graphite covers half of the fibres, with an albedo that is as good as grey; light in a crack has met wood once more.
GRAPHITE = 0.5 * WOOD + 0.5 * np.array([70.0, 68.0, 70.0])
SHADE = 0.4 * WOOD * (WOOD / 255.0) ** 0.5
CALLED = Judgement(Kind.CRACK, 0.9, {Kind.CRACK: 0.8, Kind.STAIN: 0.2})


def a_line(columns: tuple[int, int]) -> Candidate:
    """A line of 3 px that runs from column to column."""
    share = np.zeros(SIZE, np.float32)
    share[58:61, slice(*columns)] = 1.0
    cover = cover_of(share, (0, 0))
    assert cover is not None
    path = np.column_stack([np.arange(*columns), np.full(columns[1] - columns[0], 59.0)]).astype(float)
    length_mm = MM_PER_PX * (columns[1] - columns[0])
    figures = {"log_length": np.log(length_mm), "log_area": np.log(1.5 * length_mm), "is_line": 1.0}
    return Candidate(cover, "line", 9.0, path, 3.0, bones_px=path, features=figures)


def judged(colour: np.ndarray, *lines: tuple[int, int], hidden: slice | None = None) -> list[Judgement]:
    """Judge lines of this colour from column to column, all of them called cracks by their looks."""
    rng = np.random.default_rng(4)
    share = np.zeros(SIZE, np.float32)
    for columns in lines:
        share[58:61, slice(*columns)] = 1.0
    light = np.where(share[..., None] > 0, colour, WOOD) * np.exp(rng.normal(0, 0.05, (*SIZE, 1)))
    pixels = np.clip(light + rng.normal(0, 2, light.shape), 0, 255).astype(np.uint8)
    every = np.ones(SIZE, bool)
    seen = every.copy()
    if hidden is not None:
        seen[:, hidden] = False
    ortho = Ortho(pixels, every, 0.0, 0.0, MM_PER_PX)
    evened = Evened(
        np.zeros(SIZE, np.float32), seen, ~seen, np.zeros((1, 1, 3), np.float32), every[:1, :1], 1, 0.0, MM_PER_PX
    )
    slab = SlabFound(every, ~every, np.zeros((4, 2)), ("sawn",) * 4, 0.1, leaves_frame=False)
    looked = Looked(tuple(map(a_line, lines)), evened, 0.8, (0, 0), slab)
    return less_likely_grey(looked, [CALLED] * len(lines), ortho)


def test_graphite_is_no_crack_and_shade_stays_one() -> None:
    assert judged(SHADE, (40, 240)) == [CALLED]
    (drawn,) = judged(GRAPHITE, (40, 240))
    assert not drawn.is_void
    assert drawn.void_probability < 0.2


@pytest.mark.parametrize(
    ("columns", "hidden", "colour"),
    [((40, 60), None, GRAPHITE), ((40, 240), slice(60, 240), GRAPHITE), ((40, 240), None, WOOD)],
    ids=["short", "out of view", "as bright as the wood"],
)
def test_what_tells_no_colour_stays_as_it_was(
    columns: tuple[int, int], hidden: slice | None, colour: np.ndarray
) -> None:
    assert judged(colour, columns, hidden=hidden) == [CALLED]


def test_a_line_out_of_view_altogether_stays_as_it_was() -> None:
    assert judged(GRAPHITE, (40, 240), hidden=slice(None)) == [CALLED]


def test_a_short_piece_of_what_is_drawn_is_drawn() -> None:
    whole, piece = judged(GRAPHITE, (40, 240), (100, 115))
    assert piece.void_probability == pytest.approx(whole.void_probability)
    assert not piece.is_void
    assert judged(GRAPHITE, (40, 60), (100, 115)) == [CALLED, CALLED]
