"""Whole scenes and coat series: one seed one picture, truth that adds up and reads as it is documented."""

import json

import cv2
import numpy as np
import pytest
from scipy.spatial import KDTree

from voidmap.photo import decode
from voidmap.simulate import random_scene, write_scene, write_series
from voidmap.simulate.grid import Feature, Grid
from voidmap.simulate.patch import Patch, grow_sites
from voidmap.simulate.slab import random_slab
from voidmap.simulate.truth import polygon_area, scene_truth


@pytest.fixture(scope="module")
def scene():
    return random_scene(21, name="s", views=2, megapixels=0.4, cell_mm=0.8)


@pytest.fixture(scope="module")
def written(scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("scene")
    write_scene(folder, "s", scene, raking=True)
    return folder


def test_same_seed_same_slab():
    first, second = (random_slab(np.random.default_rng(5), cell_mm=1.0) for _ in range(2))
    assert (first.depth == second.depth).all()
    assert (first.albedo == second.albedo).all()
    other = random_slab(np.random.default_rng(6), cell_mm=1.0)
    assert other.depth.shape != first.depth.shape or (other.depth != first.depth).any()


def test_same_seed_same_photo(scene, written, tmp_path):
    write_scene(tmp_path, "s", scene)
    assert (tmp_path / "s-a.jpg").read_bytes() == (written / "s-a.jpg").read_bytes()
    assert (tmp_path / "s-b.json").read_text() == (written / "s-b.json").read_text()


def test_truth_adds_up(scene, written):
    truth = json.loads((written / "s-a.json").read_text())
    voids = [f for f in truth["features"] if f["is_void"]]
    assert truth["totals"]["void_count"] == len(voids)
    assert truth["totals"]["volume_ml"] == pytest.approx(sum(f["volume_ml"] for f in voids))
    for f in voids:
        assert f["volume_ml"] == pytest.approx(f["area_mm2"] * f["mean_depth_mm"] / 1000, rel=1e-6)
        assert 0 < f["mean_depth_mm"] <= f["max_depth_mm"] <= truth["slab"]["thickness_mm"] + 1e-6
    slab = scene.slab
    hollow = (slab.depth > 0) & slab.top
    total = slab.depth[hollow].astype(np.float64).sum() * slab.grid.cell_mm**2 / 1000
    assert truth["totals"]["volume_ml"] == pytest.approx(total, rel=1e-6)
    cells = float(slab.top.sum()) * slab.grid.cell_mm**2
    assert truth["slab"]["area_mm2"] == pytest.approx(cells, rel=2e-4)


def test_every_true_outline_encloses_its_area(scene):
    for feature in scene_truth(scene.slab, (), scene.light)["features"]:
        if feature["area_mm2"] > 100 and feature["kind"] in ("knot_hole", "sound_knot"):
            assert polygon_area(np.array(feature["outline_mm"])) == pytest.approx(feature["area_mm2"], rel=0.05)


def test_every_piece_of_a_crack_has_its_outline(scene):
    truths = scene_truth(scene.slab, (), scene.light)["features"]
    cracks = [pair for pair in zip(scene.slab.features, truths, strict=True) if pair[0].kind == "crack"]
    assert any(truth["pieces_mm"] for _, truth in cracks)
    for feature, truth in cracks:
        outlines = [np.float32(o) for o in (truth["outline_mm"], *truth["pieces_mm"])]
        areas = [polygon_area(o) for o in outlines]
        assert areas[0] == max(areas)
        count, piece = cv2.connectedComponents(feature.mask.astype(np.uint8), connectivity=4)
        for own in (piece == k for k in range(1, count)):
            if own.sum() < 8:  # cells; smaller ones may be left out
                continue
            row, column = (np.median(v) for v in np.nonzero(own))
            nearest = np.argwhere(own)[np.hypot(*(np.argwhere(own) - [row, column]).T).argmin()]
            centre = scene.slab.grid.to_mm(np.array([[nearest[1] + feature.box.left, nearest[0] + feature.box.top]]))
            assert any(cv2.pointPolygonTest(o, tuple(map(float, centre[0])), False) > 0 for o in outlines)


def test_truth_pixels_are_projections(written):
    truth = json.loads((written / "s-b.json").read_text())
    view = {k: np.array(v) for k, v in truth["camera"].items()}
    outline = np.array(truth["slab"]["outline_mm"])
    points = np.c_[outline, np.zeros(len(outline))]
    px, _ = cv2.projectPoints(points, cv2.Rodrigues(view["R"])[0], view["t"], view["K"], view["dist"])
    assert np.abs(px.reshape(-1, 2) - np.array(truth["slab"]["outline_px"])).max() < 0.02
    for f in truth["features"]:
        assert len(f["outline_px"]) == len(f["outline_mm"]) >= 3


def test_raking_photo_names_its_lamp_and_peg(written):
    truth = json.loads((written / "s-r.json").read_text())
    assert 15 < truth["lamp"]["elevation_deg"] < 40
    assert {"x_mm", "y_mm", "side_mm", "height_mm"} <= set(truth["peg"])


def test_program_reads_the_photo_and_its_camera_data(written):
    photo = decode((written / "s-a.jpg").read_bytes(), "s-a.jpg")
    truth = json.loads((written / "s-a.json").read_text())
    assert photo.pixels.shape[:2] == tuple(truth["camera"]["size"][::-1])


def test_boards_lie_on_the_top_and_apart(scene):
    assert scene.sheets
    papers = [np.float32(s.corners()) for s in scene.sheets]
    for paper in papers:
        assert all(
            cv2.pointPolygonTest(np.float32(scene.slab.outline_mm), tuple(map(float, p)), True) > -2 for p in paper
        )
    for i, one in enumerate(papers):
        for two in papers[:i]:
            assert cv2.intersectConvexConvex(one, two)[0] < 1.0


def test_voids_do_not_overlap(scene):
    seen = np.zeros(scene.slab.grid.shape, int)
    for f in scene.slab.features:
        assert isinstance(f, Feature)
        if f.is_void:
            seen[f.box.at] += f.mask
    assert seen.max() <= 1


@pytest.mark.parametrize("surface", ["gloss", "sanded"])
def test_series_is_the_same_patch_with_pinholes_that_close(tmp_path, surface):
    write_series(tmp_path, "c", 31, coats=2, surface=surface, megapixels=0.3, count=60, cell_mm=0.5)
    one, two = (json.loads((tmp_path / f"c-{k}.json").read_text()) for k in (1, 2))
    assert one["surface"] == surface
    assert [one["coat"], two["coat"]] == [1, 2]
    first = {p["id"]: p for p in one["pinholes"]}
    kept = [p for p in two["pinholes"] if p["first_coat"] == 1]
    assert 0 < len(kept) < len(first)
    for p in kept:
        assert (p["x_mm"], p["y_mm"]) == (first[p["id"]]["x_mm"], first[p["id"]]["y_mm"])
    assert all(0.2 <= p["diameter_mm"] <= 2.5 for p in two["pinholes"])
    assert cv2.imread(str(tmp_path / "c-1.jpg")).std() > 10


def test_closing_chance_comes_back():
    grid = Grid(-400, -400, 1.0, 800, 800)
    blank = np.zeros(grid.shape, np.float32)
    patch = Patch(grid, np.zeros((*grid.shape, 3), np.float32), blank, blank)
    closes = {"rim": 0.7, "pore": 0.7, "bubble": 0.7}
    first, second = grow_sites(np.random.default_rng(8), patch, 600, 2, (390, 390), new_share=0.0, closes=closes)
    share = len(second) / len(first)
    spread = np.sqrt(0.7 * 0.3 / len(first))
    assert abs(share - 0.3) < 4 * spread


def test_pinholes_never_touch_however_many():
    grid = Grid(0.0, 0.0, 1.0, 300, 400)
    blank = np.zeros(grid.shape, np.float32)
    patch = Patch(grid, np.zeros((*grid.shape, 3), np.float32), blank, blank)
    for sites in grow_sites(np.random.default_rng(4), patch, 5000, 2, (190, 140)):
        places = np.array([(s.pit.x_mm, s.pit.y_mm) for s in sites])
        radii = np.array([s.pit.diameter_mm / 2 for s in sites])
        i, j = KDTree(places).query_pairs(4.5, output_type="ndarray").T
        assert len(i) > 100
        assert (np.hypot(*(places[i] - places[j]).T) > radii[i] + radii[j]).all()
