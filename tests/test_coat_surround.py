"""What is in view beside the coat: the paper around a board, though lamps are mirrored by its edge."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from voidmap.coat import surround
from voidmap.coat.surround import sheets_px, surface_px
from voidmap.model import Photo
from voidmap.scale.boards import PATTERN_MM
from voidmap.scale.given import plane_from_mm_per_px

MM_PER_PX = 0.25
MARGIN_MM = 12.0
CORNER_MM = np.array([70.0, 60.0])


def laid_board() -> np.ndarray:
    """Paper of known margin on brown wood, its pattern grey, (H, W, 3) uint8."""
    picture = np.full((1200, 1400, 3), (60, 90, 130), np.uint8)
    low, high = (np.round(at / MM_PER_PX).astype(int) for at in (CORNER_MM, CORNER_MM + PATTERN_MM))
    edge = round(MARGIN_MM / MM_PER_PX)
    cv2.rectangle(picture, tuple(low - edge), tuple(high + edge), (225, 225, 225), -1)
    cv2.rectangle(picture, tuple(low), tuple(high), (120, 120, 120), -1)
    noise = np.random.default_rng(5).normal(0, 2, picture.shape)
    return np.clip(cv2.GaussianBlur(picture, (0, 0), 1.0) + noise, 0, 255).astype(np.uint8)


def margins_mm(picture: np.ndarray) -> np.ndarray:
    """Margins found: left, top, right, bottom."""
    photo = Photo("board.jpg", "", picture)
    pattern = CORNER_MM + np.array([(0, 0), (PATTERN_MM[0], 0), PATTERN_MM, (0, PATTERN_MM[1])], float)
    plane = replace(plane_from_mm_per_px(photo, MM_PER_PX), patterns_mm=(pattern,))
    (sheet,) = (plane.to_mm(s) for s in sheets_px(picture, plane))
    return np.abs(np.concatenate([sheet[0] - pattern[0], sheet[2] - pattern[2]]))


def test_paper_ends_at_its_margin() -> None:
    assert margins_mm(laid_board()) == pytest.approx(np.full(4, MARGIN_MM), abs=2.5)


def test_a_lamp_over_most_of_an_edge_does_not_widen_the_paper() -> None:
    picture = laid_board()
    left = round((CORNER_MM[0] - MARGIN_MM) / MM_PER_PX)
    picture[300:660, left - 120 : left + 20] = 250
    assert margins_mm(picture)[0] == pytest.approx(MARGIN_MM, abs=2.5)


def test_paper_cut_by_the_frame_is_paper_up_to_there() -> None:
    picture = laid_board()
    right = round((CORNER_MM[0] + PATTERN_MM[0] + 6.0) / MM_PER_PX)
    assert margins_mm(picture[:, :right].copy())[2] >= 5.0


def test_a_printed_bar_is_no_edge_of_the_paper() -> None:
    picture = laid_board()
    top = round((CORNER_MM[1] - 5.0) / MM_PER_PX)
    first = round(CORNER_MM[0] / MM_PER_PX)
    picture[top - 6 : top + 6, first : first + 800] = 30
    assert margins_mm(picture)[1] == pytest.approx(MARGIN_MM, abs=2.5)


def close_up(seed: int, figure: float = 0.10) -> np.ndarray:
    """Wood with pores and rings aslant, at the size in which it is looked at for a bench, (500, 700, 3) float."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[0:500, 0:700]
    across = cv2.GaussianBlur(rng.normal(0, 2, (560, 1)), (0, 0), 2.0).ravel()
    rings = np.interp(rows + 0.05 * columns, np.arange(560), across)
    wood = np.array([120.0, 155.0, 190.0]) * np.exp(figure * rings + rng.normal(0, 0.01, (500, 700)))[..., None]
    return np.asarray(wood)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("soft", [1.0, 6.0])
def test_a_shadows_edge_is_no_bench(seed: int, soft: float) -> None:
    """Half of the light is gone at one side, the sky's blue part less so (the 8-bit code goes with its 2.2nd root)."""
    shadow = np.zeros((500, 700), np.float32)
    cv2.fillPoly(shadow, [np.array([[90, 0], [210, 0], [240, 499], [120, 499]])], 1.0)
    dark = cv2.GaussianBlur(shadow, (0, 0), soft)[..., None] * np.array([0.48, 0.53, 0.58])
    lit = close_up(seed) * (1 - dark) ** (1 / 2.2)
    assert surface_px(np.clip(lit, 0, 255).astype(np.uint8), []) is None


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("bench", [(130.0, 130.0, 130.0), (75.0, 80.0, 95.0)])
def test_a_bench_beside_the_coat_is_left_out_also_beyond_a_shadow(seed: int, bench: tuple[float, ...]) -> None:
    picture = close_up(seed)
    picture[:, 180:260] *= 0.5 ** (1 / 2.2)
    picture[:, :60] = np.array(bench) * np.random.default_rng(seed).normal(1.0, 0.03, (500, 60, 1))
    outline = surface_px(np.clip(picture, 0, 255).astype(np.uint8), [])
    assert outline is not None
    assert outline[:, 0].min() == pytest.approx(60 * 4, abs=12)


@pytest.mark.parametrize("seed", range(4))
def test_a_lamps_streak_is_no_bench(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tube mirrored from side to side, sharp on one side: the wood whitens along it, and its figure runs on."""
    picture = close_up(seed)
    share = np.zeros(700)
    share[150:190] = np.linspace(0.0, 0.45, 40)
    picture += share[None, :, None] * (np.array([250.0, 248.0, 245.0]) - picture)
    streaked = np.clip(picture, 0, 255).astype(np.uint8)
    assert surface_px(streaked, []) is None
    monkeypatch.setattr(surround, "SURE_FIGURE", 2.0)
    assert surface_px(streaked, []) is not None


CALM = 0.03


def glued(seed: int, beside: np.ndarray) -> np.ndarray:
    """A close-up whose left side is another piece, (500, 160, 3) float, its grain upright as the picture's."""
    picture = np.ascontiguousarray(np.rot90(close_up(seed, CALM))[:500, :500])
    picture[:, :160] = beside
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("seed", range(4))
def test_a_board_glued_on_is_no_bench(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    across = close_up(seed + 50, CALM)
    along = np.rot90(across)[:500, :160]
    boards = [glued(seed, tone * along) for tone in (0.75, 0.85)]
    # Wood of another tint, or across the grain, is no board of the same top.
    others = [glued(seed, along * np.array([0.7, 0.8, 0.95])), glued(seed, 0.8 * across[:500, :160])]
    assert all(surface_px(board, []) is None for board in boards)
    monkeypatch.setattr(surround, "_glued", lambda *_: False)
    without = [surface_px(board, []) for board in boards]
    monkeypatch.undo()
    for outline in (*without, *(surface_px(other, []) for other in others)):
        assert outline is not None
        assert outline[:, 0].min() == pytest.approx(160 * 4, abs=24)
