"""The board drawn and found again; printed at true size."""

import io
import re

import cv2
import numpy as np
import pytest

from voidmap.errors import ScaleError, ValueRefused
from voidmap.model import Photo
from voidmap.scale import rectify, solve_planes
from voidmap.scale.boards import corners_mm, draw_board
from voidmap.scale.detect import find_boards
from voidmap.scale.sheet_pdf import PAPERS_MM, boards_pdf

PX_PER_MM = 4.0


def photo_of(*boards: tuple[int, int, int], size=(1500, 2000), flip=False) -> Photo:
    """A square-on photo at 4 px/mm with boards' outer corners at (x, y) px, slightly blurred as by a lens."""
    picture = np.full(size, 235, np.uint8)
    for number, x, y in boards:
        drawn = draw_board(number, PX_PER_MM)
        picture[y : y + drawn.shape[0], x : x + drawn.shape[1]] = np.maximum(drawn, 25)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    pixels = np.repeat(picture[:, ::-1, None] if flip else picture[:, :, None], 3, axis=2)
    return Photo("drawn.png", "", np.ascontiguousarray(pixels), focal_35mm_mm=26)


def test_pattern_is_the_opencv_board():
    # An outside check: OpenCV's own drawing of the same board, cell for cell.
    board = cv2.aruco.CharucoBoard(
        (7, 5), 30, 22, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250), np.arange(51, 68)
    )
    theirs = board.generateImage((2100, 1500))
    ours = draw_board(3, 10.0)
    assert ours.shape == theirs.shape
    # Marker cells are 22/7 mm: a rounded edge may differ by one pixel.
    assert np.mean(ours != theirs) < 0.01


def test_corners_found_without_bias():
    photo = photo_of((2, 311, 207))
    (board,) = find_boards(photo.pixels[:, :, 0])
    assert board.number == 2
    assert len(board.corners_px) == 24
    # Pixel c of the drawing covers c ... c+1, so an edge at e px lies at e - 0.5 in the photo frame.
    expected = board.board_mm * PX_PER_MM + [311 - 0.5, 207 - 0.5]
    error = board.corners_px - expected
    assert np.abs(error.mean(axis=0)).max() < 0.02
    assert np.sqrt(np.mean(error**2)) < 0.05


@pytest.mark.parametrize("axis", [0, 1])
def test_board_that_the_frame_cuts_anywhere_serves_or_is_left_out(axis: int) -> None:
    """A single row of corners tells no plane: no board is made of it, wherever the photo ends."""
    whole = np.moveaxis(photo_of((0, 700, 500)).pixels[:, :, 0], axis, 0)
    seen = []
    for end in range(500, len(whole), 20):
        boards = find_boards(np.ascontiguousarray(np.moveaxis(whole[:end], 0, axis)))
        assert all(np.ptp(b.board_mm, axis=0).min() > 20.0 for b in boards)
        seen.append(sum(len(b.board_mm) for b in boards))
    assert seen[0] == 0
    assert seen[-1] == 24


def test_lengths_on_a_square_on_photo_of_two_boards():
    photo = photo_of((0, 100, 120), (1, 1100, 800))
    (plane,) = solve_planes([photo])
    assert [b.number for b in plane.boards] == [0, 1]
    ground = plane.to_mm([[100 - 0.5, 120 - 0.5], [1100 - 0.5, 800 - 0.5]])
    assert np.linalg.norm(ground[1] - ground[0]) == pytest.approx(np.hypot(250, 170), rel=1e-3)
    assert np.abs(ground[0]).max() < 0.1
    ortho = rectify(photo, plane, mm_per_px=0.5)
    assert ortho.valid.mean() > 0.9


def test_measured_bars_stretch_lengths():
    photo = photo_of((0, 400, 400))
    (plain,) = solve_planes([photo])
    points = [[500, 500], [1100, 800]]
    # Bars of this sheet, and the 100 mm ones of sheets printed before.
    for bars in ((202, 151.5), (101, 101)):
        (longer,) = solve_planes([photo], bar_x_mm=bars[0], bar_y_mm=bars[1])
        a, b = (np.linalg.norm(np.diff(p.to_mm(points), axis=0)) for p in (plain, longer))
        assert b / a == pytest.approx(1.01, abs=2e-4)


@pytest.mark.parametrize(
    ("photo", "words"),
    [
        (photo_of((0, 100, 100), (0, 1100, 800)), "twice"),
        (photo_of((0, 300, 300), flip=True), "mirrored"),
        (photo_of(), "no scale board"),
    ],
)
def test_faults_have_their_own_sentence(photo, words):
    with pytest.raises(ScaleError, match=words):
        solve_planes([photo])


def test_photo_that_shares_no_board_is_named():
    other = photo_of((5, 300, 300))
    with pytest.raises(ScaleError, match="shares no board"):
        solve_planes([photo_of((0, 300, 300)), other])


@pytest.mark.parametrize("bars", [(94.0, 94.0), (107.0, 100.0)])
def test_bars_of_a_sheet_fitted_to_the_page_are_refused(bars):
    with pytest.raises(ValueRefused, match="check bar"):
        solve_planes([photo_of((0, 300, 300))], bar_x_mm=bars[0] - 1, bar_y_mm=bars[1])


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_printed_sheet_is_true_to_size(paper):
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(boards_pdf(paper))).pages
    assert len(pages) == 4
    mm = 25.4 / 72
    # ISO 216 A4 and US Letter (8.5 x 11 in).
    assert float(pages[0].mediabox.width) * mm == pytest.approx(PAPERS_MM[paper][0], abs=0.05)
    text = pages[1].extract_text()
    assert "BOARD B" in text
    # Rectangles' corners in points: the pattern is 210 mm wide, 150 mm high.
    data = pages[0].get_contents().get_data().decode("latin1")
    numbers = np.array(re.findall(r"([-\d.]+) ([-\d.]+) [ml]\n", data), dtype=float) * mm
    squares = [numbers[i : i + 4] for i in range(0, len(numbers) - 3)]
    sides = np.array([np.ptp(s, axis=0) for s in squares])
    assert np.any(np.all(np.abs(sides - 30.0) < 0.01, axis=1))
    # The check bars' ticks, 0.3 by 5 mm: their left edges are 100 and 200 mm on along x, their upper ones 100 and 150
    # along y.
    corners = np.array([s.min(axis=0) for s in squares])
    for axis, length in ((0, 200.0), (1, 150.0)):
        tick = np.array([0.3, 5.0])[:: 1 if axis == 0 else -1]
        ticks = corners[np.all(np.abs(sides - tick) < 0.01, axis=1)]
        places = ticks[:, axis] if axis == 0 else -ticks[:, axis]
        assert np.unique(np.round(places - places.min(), 1)).tolist() == [0.0, 100.0, length]


def test_as_many_boards_as_a_long_top_takes_are_printed():
    from pypdf import PdfReader

    pages = PdfReader(io.BytesIO(boards_pdf("a4", 14))).pages
    assert [page.extract_text().count("BOARD") for page in pages] == [1] * 14
    assert "BOARD N" in pages[13].extract_text()
    for count in (0, 15):
        with pytest.raises(ValueRefused, match="1 to 14"):
            boards_pdf("a4", count)


def test_corner_table():
    assert corners_mm().shape == (24, 2)
    assert corners_mm().max(axis=0).tolist() == [180.0, 120.0]
