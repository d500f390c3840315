"""Lens files: fitted, chosen, refused, turned with the photo; OpenCV's own chessboards."""

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scale_scenes import View, board, photo
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.errors import CantTell, ScaleError
from voidmap.model import Photo
from voidmap.records import Lens
from voidmap.scale import lens_for_photo
from voidmap.scale.boards import corners_mm
from voidmap.scale.calibrate import _gaps, calibrate, fit_lens_terms, refuse_weak, with_covariance
from voidmap.scale.camera import lens_values, project
from voidmap.scale.looks import point_look
from voidmap.scale.turn import turn_lens, turn_points

SIZE = (4000, 3000)
TRUE = np.array([2900.0, 2900.0, 2010.0, 1490.0, -0.08, 0.03, 4e-4, -3e-4, 0.0])


def views(rng, lens, count=12, noise=0.05, lean_deg=30.0, reach=0.36):
    """Looks of one board in photos that lean in all directions."""
    looks = []
    while len(looks) < count:
        lean = np.radians(lean_deg) * rng.uniform(0.5, 1)
        way = rng.uniform(0, 2 * np.pi)
        vector = np.array([lean * np.cos(way), lean * np.sin(way), rng.normal(0, 0.2)])
        shift = np.array([*(rng.uniform(-1, 1, 2) * reach * np.array([450, 340])), 450.0])
        world = np.column_stack([corners_mm() - [105, 75], np.zeros(24)])
        image, _ = project(world, vector, shift, lens)
        if np.all((image > 5) & (image < np.array(SIZE) - 5)):
            seen = image + noise * rng.standard_normal(image.shape)
            looks.append(point_look(len(looks), 0, corners_mm(), seen))
    return looks


def test_lens_is_found_within_its_own_doubt():
    away = []
    for seed in range(4):
        fit, best, _ = fit_lens_terms(
            views(np.random.default_rng(seed), TRUE), SIZE, 2700.0, [f"{i}" for i in range(12)]
        )
        values, covariance = with_covariance(fit)
        free = np.diag(covariance) > 1e-12
        away.append(((values - TRUE) / np.sqrt(np.diag(covariance)))[free])
        assert best in ("k1 k2 p1 p2", "k1 k2 p1 p2 k3")
        assert values[0] == pytest.approx(TRUE[0], rel=0.002)
    assert np.sqrt(np.mean(np.concatenate(away) ** 2)) < 2.0


def test_terms_are_chosen_by_what_the_photos_support():
    plain = np.array([2900.0, 2900.0, 1999.5, 1499.5, 0.05, 0.0, 0.0, 0.0, 0.0])
    _, best, bic = fit_lens_terms(views(np.random.default_rng(8), plain), SIZE, 2900.0, [f"{i}" for i in range(12)])
    assert best == "k1"
    assert bic["k1"] == min(bic.values())


def test_quarter_turns_of_a_lens_follow_the_picture():
    rng = np.random.default_rng(3)
    lens = Lens(*TRUE, covariance=tuple(map(tuple, np.diag(np.arange(1.0, 10.0)))))
    world = np.column_stack([rng.uniform(-300, 300, (20, 2)), np.zeros(20)])
    image, _ = project(world, np.zeros(3), np.array([0, 0, 900.0]), TRUE)
    for degrees in (90, 180, 270):
        turn = np.array([0, 0, np.radians(degrees)])
        turned, _ = project(world, turn, np.array([0, 0, 900.0]), lens_values(turn_lens(lens, SIZE, degrees)))
        assert turned == pytest.approx(turn_points(image, SIZE, degrees), abs=1e-6)
    assert lens_values(turn_lens(lens, SIZE, 360)) == pytest.approx(lens_values(lens))


SERVED = (1200.0, 1200.0, 803.0, 596.0, -0.03, 0.01, 2e-4, -1e-4, 0.0)


def lens_json(tmp_path: Path, **changes) -> dict:
    values = {
        "schema": "voidmap/lens/1",
        "camera": "Test",
        "width_px": 1600,
        "height_px": 1200,
        "focal_mm": 4.25,
        "lens": dict(zip(("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"), SERVED, strict=True)),
        "covariance": np.diag(np.full(9, 1e-8)).tolist(),
    }
    return {**values, **changes}


def blank(width, height, **more):
    return Photo("b.jpg", "", np.zeros((height, width, 3), np.uint8), camera="Test", focal_mm=4.25, **more)


def test_landscape_lens_file_serves_a_portrait_photo(tmp_path):
    values = lens_json(tmp_path)
    upright = lens_for_photo(values, blank(1200, 1600, turned_deg=90), "l.json")
    assert (upright.cx, upright.cy) == pytest.approx((1199 - 596.0, 803.0))
    over = lens_for_photo(values, blank(1600, 1200, turned_deg=180), "l.json")
    assert (over.cx, over.cy) == pytest.approx((1599 - 803.0, 1199 - 596.0))
    # A picture that lost its turn: the centre is known to within the two ways it may have been turned.
    lost = lens_for_photo(values, blank(1200, 1600), "l.json")
    assert lost.cx == pytest.approx(599.5)
    assert np.sqrt(lost.covariance[2][2]) == pytest.approx(abs(596.0 - 599.5), rel=0.01)
    with pytest.raises(ScaleError, match="focal length of 4"):
        lens_for_photo(lens_json(tmp_path, focal_mm=4.0), blank(1600, 1200), "l.json")
    with pytest.raises(ScaleError, match="damaged"):
        lens_for_photo(lens_json(tmp_path, covariance=None), blank(1600, 1200), "l.json")


LENS = (620.0, 620.0, 403.0, 296.0, -0.03, 0.0, 0.0, 0.0, 0.0)


def board_photos(count: int, lean: float, targets: float = 1.0) -> list[Photo]:
    rng = np.random.default_rng(11)
    drawn = []
    for i in range(count):
        way = 2 * np.pi * i / count
        aim = targets * np.array([150 * np.cos(3 * way + 0.4), 105 * np.sin(2 * way + 0.2)])
        view = View(
            target=(aim[0], aim[1]),
            height=float(rng.uniform(330, 380)),
            lean=(lean * np.cos(way), lean * np.sin(way)),
            lens=LENS,
            seed=i,
        )
        drawn.append(photo(view, board(2, -105, -75, 0), name=f"view-{i:02d}.png"))
    return drawn


@pytest.fixture(scope="module")
def tilted() -> list[Photo]:
    return board_photos(8, 24.0)


def test_lens_file_from_photos(tilted, tmp_path):
    for drawn in tilted:
        cv2.imwrite(str(tmp_path / drawn.file), drawn.pixels)
    out = tmp_path / "phone.lens.json"
    files = [str(tmp_path / drawn.file) for drawn in tilted]
    run = CliRunner().invoke(app, ["lens", *files, "--out", str(out), "--json"])
    assert run.exit_code == 0, run.stderr
    made = json.loads(out.read_text())
    assert made["schema"] == "voidmap/lens/1"
    assert made["lens"]["fx"] == pytest.approx(620.0, rel=0.004)
    assert abs(made["lens"]["fx"] - 620.0) < 4 * made["covariance"][0][0] ** 0.5
    assert made["rms_px"] < 0.2
    # The same file as text, with the coverage of the frame.
    text = CliRunner().invoke(app, ["lens", *files, "--out", str(out)]).stdout
    assert "Corners seen over the frame" in text


def test_empty_parts_of_the_frame_are_named():
    assert _gaps(
        ((5, 3, 2, 0), (1, 0, 4, 2), (0, 1, 1, 1))
    ) == "at the top right, middle, bottom left of the frame " + ("(held level)")


def test_photos_turned_by_the_phone_make_the_same_lens(tilted):
    turned = [
        p
        if i % 2
        else replace(p, pixels=np.ascontiguousarray(np.rot90(p.pixels, -1)), turned_deg=90, file=f"turned-{i}.png")
        for i, p in enumerate(tilted)
    ]
    plain, mixed = calibrate(tilted), calibrate(turned)
    assert mixed.width_px == plain.width_px
    assert mixed.lens.fx == pytest.approx(plain.lens.fx, rel=5e-4)
    assert (mixed.lens.cx, mixed.lens.cy) == pytest.approx((plain.lens.cx, plain.lens.cy), abs=0.5)


def test_photos_that_cannot_determine_a_lens_are_refused(tilted):
    with pytest.raises(ScaleError, match="only 7 photos show board C"):
        calibrate(tilted[:7])
    with pytest.raises(CantTell, match="in only"):
        calibrate(board_photos(8, 20.0, targets=0.0))
    # Photos from straight above can't tell a longer lens from a higher camera.
    flat = views(np.random.default_rng(2), TRUE, lean_deg=0.5)
    fit, _, _ = fit_lens_terms(flat, SIZE, 2900.0, [f"{i}" for i in range(12)])
    with pytest.raises(CantTell, match="focal length uncertain"):
        refuse_weak(1.0, float(np.sqrt(with_covariance(fit)[1][0, 0]) / 2900.0))
    with pytest.raises(ScaleError, match="different cameras"):
        calibrate([*tilted[:-1], replace(tilted[-1], camera="Another")])


CHESSBOARDS = [
    Path("/usr/share/doc/opencv-doc/examples/data"),
    Path(__file__).parents[2] / "shared" / "data",
]


@pytest.mark.parametrize(
    ("side", "published"),
    [
        # OpenCV modules/python/test/test_calibration.py (left camera), and the same call on the right one.
        ("left", (532.81, 342.50, 233.89, 0.196)),
        ("right", (537.2, 327.6, 248.9, 0.208)),
    ],
)
def test_opencv_chessboards(side, published):
    files = next((f for folder in CHESSBOARDS if (f := sorted(folder.glob(f"{side}[0-9][0-9].jpg")))), [])
    if not files:
        pytest.skip("the chessboard photos are not installed: apt-get install opencv-doc")
    # 9 x 6 corners; any size of square gives the same lens.
    corners = np.array([[5 + 25 * c, 10 + 25 * r] for r in range(6) for c in range(9)], dtype=float)
    looks = []
    for file in files:
        grey = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
        found, rough = cv2.findChessboardCorners(grey, (9, 6))
        assert found
        fine = cv2.cornerSubPix(grey, rough.reshape(-1, 1, 2), (5, 5), (-1, -1), (3, 30, 0.1)).reshape(-1, 2)
        looks.append(point_look(len(looks), 0, corners, fine.astype(float)))
    fit, _, _ = fit_lens_terms(looks, (640, 480), 500.0, [f.name for f in files])
    values, covariance = with_covariance(fit)
    focal, cx, cy, rms = published
    doubt = np.sqrt(np.diag(covariance))
    assert values[0] == pytest.approx(focal, abs=1.0)
    assert abs(values[0] - focal) < 3 * doubt[0]
    assert abs(values[2] - cx) < 3 * doubt[2]
    assert abs(values[3] - cy) < 3 * doubt[3]
    assert fit.rms_px == pytest.approx(rms, abs=0.03)
