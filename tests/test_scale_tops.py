"""Long tops joined, pictures laid square-on, other references, plans of photos, and the commands that print."""

import io
import json
import re
from itertools import pairwise

import numpy as np
import pytest
from scale_scenes import View, board, photo
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.errors import CantTell, ScaleError
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
from voidmap.scale.references import RECTANGLES
from voidmap.simulate.blanks import Blank

BOARDS = [board(0, -580, -60, 4), board(1, -260, -70, -6), board(2, 90, -80, 3), board(3, 440, -70, -3)]


def station(x: float, seed: int) -> View:
    return View((x, 0.0), 560.0, (3.0, -2.0), seed=seed)


@pytest.fixture(scope="module")
def long_top():
    """Three photos along a top, each sharing a board with the next, and their planes."""
    views = [station(-340, 1), station(60, 2), station(360, 3)]
    shown = [BOARDS[:2], BOARDS[1:3], BOARDS[2:]]
    photos = [
        photo(v, *b, name=f"part-{i}.png", length_mm=1500.0) for i, (v, b) in enumerate(zip(views, shown, strict=True))
    ]
    return views, photos, solve_planes(photos)


def test_long_top_is_true_from_end_to_end(long_top):
    views, photos, planes = long_top
    assert is_long_top(planes)
    ends = np.array([[-620.0, 40.0], [640.0, 30.0]])
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
    assert [one.number for one in seen] == [0, 1, 2, 3]
    # In the mosaic a board is true to scale wherever it lies.
    for one in seen:
        spread = [np.linalg.norm(points - points.mean(axis=0)) for points in (one.corners_px, one.board_mm)]
        assert spread[0] / spread[1] == pytest.approx(1.0, rel=0.005)


def test_photo_that_shares_no_board_is_named(long_top):
    views, photos, _ = long_top
    lone = photo(views[2], board(7, 360, -80, 0), name="lone.png")
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


@pytest.mark.parametrize("reference", ["a4", "letter", "id1"])
def test_sheets_and_cards_hold_their_intervals(reference):
    # ISO 216, US Letter, ISO/IEC 7810 (corners of radius 2.88 to 3.48 mm).
    sides, radius, height, colour = {
        "a4": ((297.0, 210.0), 0.0, 560.0, (0.8, 0.8, 0.8)),
        "letter": ((279.4, 215.9), 0.0, 560.0, (0.8, 0.8, 0.8)),
        "id1": ((85.60, 53.98), 3.18, 260.0, (0.05, 0.09, 0.3)),
    }[reference]
    thick = RECTANGLES[reference].height_mm
    view = View((0, 0), height, (5, -4), 3.0)
    lies = Blank(-60.0, -90.0 if reference != "id1" else -20.0, 4.0, sides, thick, radius, colour)
    (plane,) = solve_planes([photo(view, lies)], reference=reference)
    seen = view.camera.project(np.column_stack([lies.corners(), np.full(4, -thick)]))
    assert plane.to_px(plane.patterns_mm[0], depth_mm=-thick) == pytest.approx(seen, abs=1.5)
    far = np.array([[40.0, 40.0], [760.0, 40.0], [760.0, 560.0], [40.0, 560.0]])
    true, got = view.ground(far), plane.to_mm(far)
    off = np.abs(np.linalg.norm(np.diff(got, axis=0), axis=1) / np.linalg.norm(np.diff(true, axis=0), axis=1) - 1)
    stated = length_interval_rel(plane, got)
    assert off.max() < 1.5 * stated
    # The maker's tolerance alone: ±2 mm on A4 is 0.4 % (one sigma).
    assert stated > {"a4": 0.005, "letter": 0.005, "id1": 0.002}[reference]


def test_no_sheet_in_view_is_not_guessed():
    with pytest.raises(CantTell, match="no A4 sheet"):
        solve_planes([photo(View())], reference="a4")


def test_far_end_of_a_small_reference_is_less_sure():
    view = View((0, 0), 560.0, (5, -4), 3.0)
    picked = view.project(np.array([[-300.0, -200], [-180, -200], [-180, -120], [-300, -120]]))
    text = " ".join(f"{x:.2f},{y:.2f}" for x, y in picked) + " 120mm 80mm"
    plane = plane_from_points(photo(view), text)
    near = length_interval_rel(plane, plane.to_mm(picked))
    far = length_interval_rel(plane, plane.to_mm([[640.0, 480.0], [770.0, 480.0], [770.0, 580.0], [640.0, 580.0]]))
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
    last_board = max(drawn.index(f">{chr(65 + board['number'])}</text>") for board in plan["boards"])
    assert all(drawn.index(f">{shot['number']}</text>") > last_board for shot in plan["shots"]), "no board hides one"
    table = run(*words).stdout
    assert "Sharp from" in table
    assert "three pixels across 0.6 mm" in table
    # By READING_SD_MM and RULE_SD on 3.2 m: 1.96 x 3200 x sqrt(0.05² / (200² + 150²) / n + (0.0002 / sqrt(3))²).
    assert "bars read on one board leave ± 1.4 mm, on every board ± 0.8 mm" in table
    wrong = run("shots", "--slab", "big", "--smallest", "0.5mm", "--lens", tmp_path / "l.json")
    assert wrong.exit_code == 2
    picture = run(*words, "--out", tmp_path / "plan.png")
    assert picture.exit_code == 2
    assert "SVG" in picture.stderr
    # All frames lie within what is drawn.
    x0, y0, wide, high = map(float, re.search(r'viewBox="([^"]+)"', drawn)[1].split())
    for shot in plan["shots"]:
        for at, side, low, size in zip(
            (shot["x_mm"], shot["y_mm"]), plan["frame_mm"], (x0, y0), (wide, high), strict=True
        ):
            assert low < at - side / 2
            assert at + side / 2 < low + size


def test_plan_of_many_photos_ties_them_all_with_the_boards_there_are(tmp_path):
    (tmp_path / "l.json").write_text(json.dumps(LENS_FILE))
    done = run("shots", "--slab", "3mx1.1m", "--smallest", "0.5mm", "--lens", tmp_path / "l.json", "--json")
    assert done.exit_code == 0, done.stderr
    plan = json.loads(done.stdout)
    assert len(plan["boards"]) <= 14
    views = [set(shot["boards"]) for shot in plan["shots"]]
    tied = views[0]
    for _ in views:
        tied = set().union(*(view for view in views if view & tied))
    assert all(view & tied for view in views)
