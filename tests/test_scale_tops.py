"""Long tops joined, pictures laid square-on, other references, plans of photos, and the commands that print."""

import io
import json
from itertools import pairwise

import cv2
import numpy as np
import pytest
from scale_scenes import Board, View, photo
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.errors import CantTell, ScaleError
from voidmap.model import Photo
from voidmap.scale import (
    footprint_mm,
    is_long_top,
    length_interval_rel,
    mosaic,
    plane_from_points,
    plane_notes,
    rectify,
    solve_planes,
)
from voidmap.scale.rectify import coarse_map, fine_map

LENS = (900.0, 900.0, 503.0, 371.0, -0.03, 0.01, 2e-4, -1e-4, 0.0)
BOARDS = [Board(0, -340, -60, 4), Board(1, -20, -70, -6), Board(2, 330, -80, 3), Board(3, 680, -70, -3)]


def station(x: float, seed: int) -> View:
    return View((x, 0.0), 620.0, (3.0, -2.0), 1.0, LENS, size=(1000, 750), seed=seed)


@pytest.fixture(scope="module")
def long_top():
    """Three photos along a top, each sharing a board with the next, and their planes."""
    views = [station(-100, 1), station(300, 2), station(600, 3)]
    shown = [BOARDS[:2], BOARDS[1:3], BOARDS[2:]]
    photos = [photo(v, *b, name=f"part-{i}.png") for i, (v, b) in enumerate(zip(views, shown, strict=True))]
    return views, photos, solve_planes(photos)


def test_long_top_is_true_from_end_to_end(long_top):
    views, photos, planes = long_top
    assert is_long_top(planes)
    ends = np.array([[-380.0, 40.0], [880.0, 30.0]])
    got = [planes[i].to_mm(views[i].project(ends[j : j + 1]))[0] for i, j in ((0, 0), (2, 1))]
    error = np.linalg.norm(got[1] - got[0]) - np.linalg.norm(ends[1] - ends[0])
    assert abs(error) < 0.002 * 1260
    assert any("joined into one top; its drift" in note for note in plane_notes(photos, planes))
    assert all(len(p.draws) == len(planes[0].draws) for p in planes)


def test_mosaic_shows_every_board_once_and_straight(long_top):
    _, photos, planes = long_top
    joined = mosaic(photos, planes, mm_per_px=1.0)
    from voidmap.scale.detect import find_boards

    seen = find_boards(joined.pixels[:, :, 0])
    assert [board.number for board in seen] == [0, 1, 2, 3]
    # In the mosaic a board is true to scale wherever it lies.
    for board in seen:
        homography, _ = cv2.findHomography(board.board_mm, board.corners_px, 0)
        assert np.sqrt(abs(np.linalg.det(homography[:2, :2]))) == pytest.approx(1.0, rel=0.01)


def test_photo_that_shares_no_board_is_named(long_top):
    views, photos, _ = long_top
    lone = photo(views[2], Board(7, 600, -80, 0), name="lone.png")
    with pytest.raises(ScaleError, match=r"lone\.png shares no board"):
        solve_planes([*photos[:2], lone])


def test_square_on_picture_keeps_places_and_its_map_is_fine(long_top):
    _, photos, planes = long_top
    ortho = rectify(photos[0], planes[0], mm_per_px=0.7)
    x0, y0, x1, _ = footprint_mm(planes[0])
    assert (ortho.x0_mm, ortho.y0_mm) == (x0, y0)
    assert ortho.pixels.shape[1] == int((x1 - x0) / 0.7) + 1
    # Interpolating every 16th pixel costs less than a hundredth of a pixel of the photo.
    coarse = coarse_map(planes[0], x0, y0, 0.7, 400, 300)
    at_x, at_y = fine_map(coarse, 100, 50, 400)
    rows, columns = np.mgrid[100:150, 0:400]
    exact = planes[0].to_px(np.column_stack([x0 + 0.7 * columns.ravel(), y0 + 0.7 * rows.ravel()]))
    off = np.column_stack([at_x.ravel(), at_y.ravel()]) - exact
    assert np.abs(off).max() < 0.02
    assert np.sqrt(np.mean(off**2)) < 0.01
    with pytest.raises(ScaleError, match="too large"):
        rectify(photos[0], planes[0], mm_per_px=0.01)


def sheet_photo(view: View, corners_mm: np.ndarray, radius_mm: float = 0.0) -> Photo:
    """A white rectangle, its corners round, on the drawn top; antialiased by drawing it four times as large."""
    bare = photo(view)
    zoom = 4
    if radius_mm:
        inner = []
        middle = corners_mm.mean(axis=0)
        for corner in corners_mm:
            centre = corner + radius_mm * np.sign(middle - corner)
            out = np.arctan2(*(corner - centre)[::-1])
            arc = out + np.linspace(-np.pi / 4, np.pi / 4, 9)
            inner.append(centre + radius_mm * np.column_stack([np.cos(arc), np.sin(arc)]))
        ring = np.concatenate(inner)
    else:
        ahead = np.roll(corners_mm, -1, axis=0)
        steps = np.linspace(0, 1, 40)[:-1, None]
        ring = np.concatenate([a + steps * (b - a) for a, b in zip(corners_mm, ahead, strict=True)])
    image = (view.project(ring) + 0.5) * zoom - 0.5
    mask = np.zeros((view.size[1] * zoom, view.size[0] * zoom), np.uint8)
    cv2.fillPoly(mask, [np.round(image * 16).astype(np.int32)], 255, shift=4)
    share = cv2.GaussianBlur(cv2.resize(mask, view.size, interpolation=cv2.INTER_AREA) / 255.0, (0, 0), 0.7)
    lit = bare.pixels[:, :, 0] * (1 - share) + 225 * share
    return Photo("sheet.jpg", "", np.repeat(np.uint8(lit + 0.5)[:, :, None], 3, axis=2), focal_35mm_mm=26.0)


def rectangle(x, y, width, height):
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]], dtype=float)


@pytest.mark.parametrize(
    ("reference", "sides", "radius"),
    [("a4", (297.0, 210.0), 0.0), ("letter", (279.4, 215.9), 0.0), ("id1", (85.60, 53.98), 3.18)],
)
def test_sheets_and_cards_hold_their_intervals(reference, sides, radius):
    # ISO 216, US Letter, ISO/IEC 7810 (corners of radius 2.88 to 3.48 mm).
    height = 620.0 if reference != "id1" else 330.0
    view = View((0, 0), height, (5, -4), 3.0, LENS, size=(1000, 750))
    (plane,) = solve_planes([sheet_photo(view, rectangle(-60, -90, *sides), radius)], reference=reference)
    near = view.project(rectangle(-60, -90, *sides))
    side = np.linalg.norm(np.diff(plane.to_mm(near[:2]), axis=0))
    assert side == pytest.approx(sides[0], rel=0.01)
    far = np.array([[40.0, 40.0], [960.0, 40.0], [960.0, 710.0], [40.0, 710.0]])
    true, got = view.ground(far), plane.to_mm(far)
    off = np.abs(np.linalg.norm(np.diff(got, axis=0), axis=1) / np.linalg.norm(np.diff(true, axis=0), axis=1) - 1)
    stated = length_interval_rel(plane, got)
    assert off.max() < 1.5 * stated
    # The maker's tolerance alone: ±2 mm on A4 is 0.4 % (one sigma).
    assert stated > {"a4": 0.005, "letter": 0.005, "id1": 0.002}[reference]


def test_no_sheet_in_view_is_not_guessed():
    with pytest.raises(CantTell, match="no A4 sheet"):
        solve_planes([photo(View(size=(1000, 750), lens=LENS))], reference="a4")


def test_far_end_of_a_small_reference_is_less_sure():
    view = View((0, 0), 620.0, (5, -4), 3.0, LENS, size=(1000, 750))
    picked = view.project(rectangle(-300, -200, 120, 80))
    text = " ".join(f"{x:.2f},{y:.2f}" for x, y in picked) + " 120mm 80mm"
    plane = plane_from_points(photo(view), text)
    near = length_interval_rel(plane, plane.to_mm(picked))
    far = length_interval_rel(plane, plane.to_mm([[800.0, 600.0], [960.0, 600.0], [960.0, 720.0], [800.0, 720.0]]))
    assert far > 2 * near


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_boards_command_prints_a_pdf(tmp_path):
    from pypdf import PdfReader

    done = run("boards", "--paper", "a4", "--out", tmp_path / "b.pdf", "--json")
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["paper"] == "a4"
    assert len(PdfReader(io.BytesIO((tmp_path / "b.pdf").read_bytes())).pages) == 4
    refused = run("boards", "--paper", "a3", "--out", tmp_path / "c.pdf")
    assert refused.exit_code == 2
    assert "no paper a3" in refused.stderr


LENS_FILE = {
    "schema": "voidmap/lens/1",
    "camera": "Test",
    "width_px": 4032,
    "height_px": 3024,
    "focal_mm": 4.25,
    "focal_35mm_mm": 26.0,
    "lens": {"fx": 2900.0, "fy": 2900.0, "cx": 2015.5, "cy": 1511.5, "source": "file"},
    "covariance": np.eye(9).tolist(),
    "terms": ["k1"],
    "bic": {"k1": 0.0},
    "rms_px": 0.1,
    "corner_sigma_px": 0.1,
    "photos": ["a.jpg"],
    "coverage": [[1]],
    "coverage_fraction": 1.0,
}


def test_shots_command_plans_and_draws(tmp_path):
    (tmp_path / "l.json").write_text(json.dumps(LENS_FILE))
    words = ("shots", "--slab", "3.2mx0.6m", "--smallest", "0.6mm", "--lens", tmp_path / "l.json", "--aperture", "1.8")
    done = run(*words, "--out", tmp_path / "plan.svg", "--json")
    assert done.exit_code == 0, done.stderr
    plan = json.loads(done.stdout)
    assert plan["smallest_mm"] / plan["mm_per_px"] == pytest.approx(3.0)
    near, far = plan["depth_of_field_mm"]
    assert near < plan["height_mm"] < far
    # Neighbours share a board, and every letter of the plan is drawn.
    boards = np.array([set(shot["boards"]) for shot in plan["shots"]]).reshape(plan["rows"], plan["columns"])
    assert all(a & b for row in boards for a, b in pairwise(row))
    assert all(a & b for column in boards.T for a, b in pairwise(column))
    drawn = (tmp_path / "plan.svg").read_text()
    assert all(f">{chr(65 + board['number'])}</text>" in drawn for board in plan["boards"])
    table = run(*words).stdout
    assert "Sharp from" in table
    assert "three pixels across 0.6 mm" in table
    wrong = run("shots", "--slab", "big", "--smallest", "0.5mm", "--lens", tmp_path / "l.json")
    assert wrong.exit_code == 2
