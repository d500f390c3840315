"""Slab and bench told apart at a coarse scale, on drawn pictures of exactly known parts."""

from __future__ import annotations

import numpy as np
import pytest

from voidmap.model import Ortho
from voidmap.surface.cut import cut_apart
from voidmap.surface.patches import break_up

WOOD, BENCH = (95.0, 140.0, 200.0), (185.0, 190.0, 195.0)


@pytest.mark.parametrize("tint", [0.0, 0.02, 0.05, 0.1])
def test_bluish_shade_on_a_grey_bench_is_bench(tint: float) -> None:
    """Shade that the sky lights is bluer than the bench in the light, the wood far redder than both."""
    rng = np.random.default_rng(8)
    picture = np.tile(np.array(BENCH), (420, 640, 1))
    slab, shade = np.zeros((2, 420, 640), dtype=bool)
    slab[140:300, 120:520] = True
    shade[90:140, 130:530] = True
    picture[slab] = np.array(WOOD) * (1 + 0.08 * np.sin(np.arange(420) / 2.0))[:, None, None].repeat(640, 1)[slab]
    picture[shade] *= 0.7 * np.exp([tint, 0.0, -0.6 * tint])
    picture += rng.normal(0, 1.5, picture.shape)
    valid = np.ones(slab.shape, dtype=bool)
    coarse = break_up(Ortho(np.clip(picture, 0, 255).astype(np.uint8), valid, 0.0, 0.0, 1.0))
    board = np.zeros_like(coarse.valid)
    y, x = (round(v * coarse.scale) for v in (200, 240))
    board[y : y + round(60 * coarse.scale), x : x + round(90 * coarse.scale)] = True
    ring = np.zeros_like(board)
    ring[y - 8 : y + round(60 * coarse.scale) + 8, x - 8 : x + round(90 * coarse.scale) + 8] = True
    found, _ = cut_apart(coarse, board, ring, board)
    rows, columns = (np.round((np.arange(n) + 0.5) / coarse.scale - 0.5).astype(int) for n in board.shape)
    at = np.ix_(rows.clip(0, 419), columns.clip(0, 639))
    assert found[slab[at]].mean() > 0.98
    assert found[shade[at]].mean() < 0.02
