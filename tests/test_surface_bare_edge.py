"""How much of an outline shows no edge: rectangles of which so many sides stand out from their bench."""

from __future__ import annotations

import numpy as np
import pytest
from slab_scenes import Look, draw_scene, pattern_at, rectangle

from voidmap.errors import CantTell
from voidmap.model import Ortho
from voidmap.surface import find_slab, outline
from voidmap.surface.bare_edge import LEAST_STEP, bare_share

WOOD = 150.0


def picture(right: float, left: float) -> Ortho:
    """Return wood 400 by 200 mm on a bench of two values, to the right and to the left of its middle; 1 mm a px."""
    rng = np.random.default_rng(3)
    values = np.full((400, 600), left)
    values[:, 300:] = right
    values[100:300, 100:500] = WOOD
    pixels = np.clip(np.round(values[..., None] + rng.normal(0, 2, (400, 600, 3))), 0, 255).astype(np.uint8)
    return Ortho(pixels, np.ones((400, 600), bool), 0.0, 0.0, 1.0)


BOARD = rectangle(400, 200) + np.array([299.5, 199.5])


@pytest.mark.parametrize(("right", "left", "share"), [(90, 90, 0.0), (WOOD, 90, 0.5), (WOOD, WOOD, 1.0)])
def test_share_is_that_of_the_sides_that_do_not_stand_out(right: float, left: float, share: float) -> None:
    assert bare_share(picture(right, left), BOARD) == (pytest.approx(share, abs=0.03), 1.0)


@pytest.mark.parametrize(("steps", "share"), [(0.6, 1.0), (1.5, 0.0)])
def test_an_edge_is_what_exceeds_the_least_step(steps: float, share: float) -> None:
    bench = WOOD * np.exp(-steps * LEAST_STEP)
    assert bare_share(picture(bench, bench), BOARD)[0] == pytest.approx(share, abs=0.05)


def test_the_photo_s_border_is_no_bare_edge() -> None:
    # All of the outline is the border of what the photo shows; then all but one side of 400 of its 1,800 mm.
    whole = picture(WOOD, WOOD)
    assert bare_share(whole, rectangle(600, 400) + np.array([299.5, 199.5])) == (0.0, 0.0)
    bare, in_view = bare_share(whole, rectangle(500, 400) + np.array([349.5, 199.5]))
    assert bare == 1.0
    assert in_view == pytest.approx(400 / 1800, abs=0.02)


def on_nothing(monkeypatch: pytest.MonkeyPatch, in_view: float) -> None:
    """Let every outline stand on nothing, with so much of it in view."""
    monkeypatch.setattr(outline, "bare_share", lambda _ortho, _line_mm: (outline.MOST_BARE + 0.01, in_view))


def test_an_outline_that_stands_on_nothing_is_refused_unless_parallax_tells_it(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = draw_scene(rectangle(700, 420), (pattern_at(-120, 30),), np.random.default_rng(6))
    on_nothing(monkeypatch, 1.0)
    with pytest.raises(CantTell, match="bench"):
        find_slab(scene.ortho, scene.patterns_mm)
    found = find_slab(scene.ortho, scene.patterns_mm, lambda o: np.zeros(o.valid.shape, np.float32))
    assert found.mask.any()


def test_one_that_runs_out_of_the_photo_is_that_of_a_slab_that_fills_it(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = draw_scene(rectangle(1600, 1400), (pattern_at(-100, 50, 8),), np.random.default_rng(8), look=Look(sap_mm=0))
    on_nothing(monkeypatch, 0.4)
    found = find_slab(scene.ortho, scene.patterns_mm)
    assert (found.mask == scene.ortho.valid).all()
    assert found.leaves_frame
    assert found.covered.any()
    # One that crosses the photo shows more of its outline.
    on_nothing(monkeypatch, 0.6)
    with pytest.raises(CantTell, match="bench"):
        find_slab(scene.ortho, scene.patterns_mm)


@pytest.mark.parametrize(("in_view", "filled"), [(0.4, True), (0.6, False)])
def test_an_outline_that_leaves_out_a_board_is_wrong(
    monkeypatch: pytest.MonkeyPatch, in_view: float, filled: bool
) -> None:
    # A board's pattern lies on the slab: what crosses it is no outline, however clear an edge it stands on.
    scene = draw_scene(rectangle(1600, 1400), (pattern_at(-100, 50, 8),), np.random.default_rng(8), look=Look(sap_mm=0))
    monkeypatch.setattr(outline, "bare_share", lambda _ortho, _line_mm: (0.0, in_view))
    monkeypatch.setattr(outline, "_share_outside", lambda _known, _slab: outline.MOST_OUTSIDE + 0.01)
    if filled:
        assert (find_slab(scene.ortho, scene.patterns_mm).mask == scene.ortho.valid).all()
    else:
        with pytest.raises(CantTell, match="bench"):
            find_slab(scene.ortho, scene.patterns_mm)


def test_share_of_a_board_outside_the_outline() -> None:
    board, slab = np.zeros((40, 60), bool), np.zeros((40, 60), bool)
    board[10:20, 10:30] = True
    slab[:, 15:] = True
    assert outline._share_outside(board, slab) == pytest.approx(0.25)
    assert outline._share_outside(np.zeros_like(board), slab) == 0.0
