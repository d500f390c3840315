"""Slab and bench told apart at a coarse scale, on drawn pictures of exactly known parts."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho
from voidmap.surface.cut import bench_by_tint, cut_apart
from voidmap.surface.patches import break_up

Bools = NDArray[np.bool_]

WOOD, BENCH = (95.0, 140.0, 200.0), (185.0, 190.0, 195.0)
SIZE = (420, 640)
HEART, BESIDE = (slice(140, 300), slice(120, 520)), (slice(90, 140), slice(120, 520))


def region(part: tuple[slice, slice]) -> Bools:
    mask = np.zeros(SIZE, dtype=bool)
    mask[part] = True
    return mask


def drawn(bench: tuple[float, float, float]) -> Floats:
    """Wood with plain figure on a plain bench, (420, 640, 3) B, G, R; a px is a mm."""
    picture = np.tile(np.array(bench), (*SIZE, 1))
    picture[HEART] = WOOD
    return picture * figure(HEART)


def figure(part: tuple[slice, slice]) -> Floats:
    """The grain's lines in a part of the picture, as a factor (420, 640, 1)."""
    lines = 1 + 0.08 * np.sin(np.arange(SIZE[0]) / 2.0)
    return np.asarray(np.where(region(part), lines[:, None], 1.0)[..., None])


def share_called_slab(
    picture: Floats, *parts: tuple[slice, slice], board_at: tuple[int, int] = (200, 240)
) -> list[float]:
    """What share of each part is called slab, when a board is known to lie in the wood, from ``board_at`` on."""
    noisy = picture + np.random.default_rng(8).normal(0, 1.5, picture.shape)
    valid = np.ones(SIZE, dtype=bool)
    coarse = break_up(Ortho(np.clip(noisy, 0, 255).astype(np.uint8), valid, 0.0, 0.0, 1.0))
    board, ring = np.zeros((2, *coarse.valid.shape), dtype=bool)
    y0, y1, x0, x1 = (round(v * coarse.scale) for v in (board_at[0], board_at[0] + 60, board_at[1], board_at[1] + 90))
    board[y0:y1, x0:x1] = True
    ring[y0 - 8 : y1 + 8, x0 - 8 : x1 + 8] = True
    found, _, _ = cut_apart(coarse, board, ring, board)
    rows, columns = (np.round((np.arange(n) + 0.5) / coarse.scale - 0.5).astype(int) for n in board.shape)
    at = np.ix_(rows.clip(0, SIZE[0] - 1), columns.clip(0, SIZE[1] - 1))
    return [float(found[region(part)[at]].mean()) for part in parts]


@pytest.mark.parametrize("tint", [0.0, 0.02, 0.05, 0.1])
def test_bluish_shade_on_a_grey_bench_is_bench(tint: float) -> None:
    """Shade that the sky lights is bluer than the bench in the light, the wood far redder than both."""
    picture = drawn(BENCH)
    picture[BESIDE] *= 0.7 * np.exp([tint, 0.0, -0.6 * tint])
    wood, shade = share_called_slab(picture, HEART, BESIDE)
    assert wood > 0.98
    assert shade < 0.02


@pytest.mark.parametrize("bench", [BENCH, (150.0, 165.0, 180.0)])
@pytest.mark.parametrize("paler", [1.1, 1.25, 1.4])
def test_pale_sapwood_beside_brown_wood_is_slab(paler: float, bench: tuple[float, float, float]) -> None:
    """Sapwood has neither the heartwood's tone nor the bench's, but leans to the heartwood's tint."""
    picture = drawn(bench)
    picture[BESIDE] = np.array([140.0, 170.0, 205.0]) * paler / 1.1
    wood, sap = share_called_slab(picture * figure(BESIDE), HEART, BESIDE)
    assert wood > 0.98
    assert sap > 0.98


@pytest.mark.parametrize("heart", [(75.0, 125.0, 205.0), (60.0, 110.0, 190.0)])
def test_sapwood_that_outshines_a_bench_of_its_own_tint_and_grain_is_slab(heart: tuple[float, float, float]) -> None:
    """Pale sapwood of orange wood leans to an olive plank's tint, but nothing of the planks is as bright."""
    picture = drawn((100.0, 130.0, 135.0))
    picture[HEART] = heart
    picture[BESIDE] = (150.0, 190.0, 205.0)
    wood, sap = share_called_slab(picture * figure((slice(None), slice(None))), HEART, BESIDE)
    assert wood > 0.98
    assert sap > 0.98


@pytest.mark.parametrize(
    ("heart", "sap", "bench"),
    [((84, 125, 187), (143, 185, 218), (146, 182, 206)), ((88, 140, 196), (141, 186, 220), (142, 179, 215))],
)
def test_pale_sapwood_as_smooth_as_a_bench_nearly_as_pale_is_slab(
    heart: tuple[int, int, int], sap: tuple[int, int, int], bench: tuple[int, int, int]
) -> None:
    """The heartwood's figure is strong, the sapwood's faint, and the bench is planed: but none of it is that pale."""
    picture = drawn(bench)
    picture[HEART], picture[BESIDE] = heart, sap
    wood, beside = share_called_slab(picture * figure(HEART), HEART, BESIDE)
    assert wood > 0.98
    assert beside > 0.98


@pytest.mark.parametrize("dim", [0.25, 0.5, 1.0])
def test_wood_far_from_the_board_is_slab_however_the_light_falls_off(dim: float) -> None:
    """A window at one side: the light at the far end is down to a quarter of that at the near one (sRGB: ^ 1/2.2)."""
    light = np.linspace(dim, 1.0, SIZE[1]) ** (1 / 2.2)
    (wood,) = share_called_slab(drawn((120.0, 125.0, 130.0)) * light[None, :, None], HEART)
    assert wood > 0.98


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2])
def test_shade_that_takes_light_from_the_slabs_side_is_bench(share: float) -> None:
    """Dark wood on a grey bench; its shade is as dark as the wood, and leans to the wood's tint near it."""
    dark, grey = np.array([45.0, 60.0, 88.0]), np.array([150.0, 150.0, 150.0])
    picture = np.tile(grey, (*SIZE, 1))
    picture[HEART] = dark
    picture *= figure(HEART)
    tint = np.log(dark / dark.mean())
    picture[BESIDE] = 65.0 * np.exp(share * tint)
    wood, shade = share_called_slab(picture, HEART, BESIDE)
    assert wood > 0.98
    assert shade < 0.02


@pytest.mark.parametrize("seed", range(3))
def test_bench_around_a_board_at_the_slabs_edge_is_bench(seed: int) -> None:
    """Grey bench, as bright as the wood and cloudy; a part of what lies around the board is bench."""
    clouds = np.random.default_rng(seed).normal(0.0, 1.0, SIZE)
    clouds = cv2.GaussianBlur(clouds, (0, 0), 9.0)
    picture = drawn((145.0, 145.0, 145.0))
    bench = ~region(HEART)
    picture[bench] *= np.exp(0.25 * clouds / clouds.std())[bench][:, None]
    wood, beside = share_called_slab(picture, HEART, BESIDE, board_at=(142, 122))
    assert wood > 0.98
    assert beside < 0.02


def test_bench_in_the_shade_around_a_board_is_known_by_its_tint() -> None:
    """Seventeen patches of a grey bench, in the shade, among a hundred of brown wood; sapwood is no bench."""
    rng = np.random.default_rng(4)
    usual = {
        "wood": (4.9, 0.35, -0.36),
        "bench": (5.0, 0.04, 0.03),
        "shade": (4.7, 0.05, 0.02),
        "sap": (5.2, 0.18, -0.2),
    }
    counts = {"wood": 100, "bench": 300, "shade": 17, "sap": 20}
    stuff = np.repeat(list(counts), list(counts.values()))
    looks = np.zeros((len(stuff), 5))
    looks[:, :3] = [usual[name] for name in stuff] + rng.normal(0.0, (0.05, 0.01, 0.01), (len(stuff), 3))
    told = bench_by_tint(looks, stuff == "bench", np.isin(stuff, ["wood", "shade", "sap"]))
    assert told[stuff == "shade"].all()
    assert not told[np.isin(stuff, ["wood", "sap"])].any()


def test_a_picture_that_is_mostly_beyond_the_photo_has_looks() -> None:
    """Turned and oblique photos leave most of the square-on picture black, without any slope."""
    valid = np.zeros(SIZE, dtype=bool)
    valid[100:330, 150:420] = True
    picture = np.where(valid[..., None], drawn(BENCH), 0.0)
    coarse = break_up(Ortho(picture.astype(np.uint8), valid, 0.0, 0.0, 1.0))
    assert valid.mean() < 0.3
    assert np.isfinite(coarse.looks).all()
