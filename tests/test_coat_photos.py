"""Coat photos end to end: turned round, board moved, in pieces, lamp moved, a coat counted twice, parts blurred."""

import json

import cv2
import numpy as np
import pytest
from scipy.spatial import KDTree

from voidmap import scale
from voidmap.coat import surround
from voidmap.coat.align import align
from voidmap.coat.focus import out_of_focus
from voidmap.coat.join import join
from voidmap.coat.sheets import ready
from voidmap.files import Job, load_photo
from voidmap.job.coat import CoatOptions, inspect
from voidmap.records import CoatRecord
from voidmap.simulate.coat import write_series

SEED = 78
"""A development seed: the same patch photographed three times, board and lamps moved between."""


def look(job, number, *photos):
    return inspect(job, photos, CoatOptions(number=number, region="whole"), lambda step: None)


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shots")
    photos = write_series(folder, "c", SEED, coats=2, megapixels=3.0, count=400)
    truth = [json.loads(p.with_suffix(".json").read_text()) for p in photos]
    return folder, photos, truth


def same_places(truth, record, own):
    """Return (right, seen): true sites found now that were found before, and kept their number."""
    holes = [p for p in truth["pinholes"] if p["in_frame"]]
    found = KDTree([(p.x_px, p.y_px) for p in record.pinholes])
    right = seen = 0
    for hole in holes:
        away, k = found.query((hole["x_px"], hole["y_px"]))
        if away > 4:
            continue
        site = record.pinholes[k].site
        if hole["id"] in own:
            seen += 1
            right += own[hole["id"]] == site
        own.setdefault(hole["id"], site)
    return right, seen


@pytest.mark.slow
def test_sites_survive_a_board_laid_elsewhere_and_a_photo_turned_round(shots, tmp_path):
    _, photos, truth = shots
    own = {}
    same_places(truth[0], look(tmp_path / "job", 1, photos[0]), own)
    second = look(tmp_path / "job", 2, photos[1])
    right, seen = same_places(truth[1], second, own)
    assert seen >= 5
    assert right >= 0.98 * seen
    assert second.align_rms_mm < 0.2
    # The same photo held upside down: another file, the same places and numbers.
    pixels = cv2.rotate(cv2.imread(str(photos[1])), cv2.ROTATE_180)
    cv2.imwrite(str(tmp_path / "turned.jpg"), pixels, [cv2.IMWRITE_JPEG_QUALITY, 95])
    third = look(tmp_path / "job", 3, tmp_path / "turned.jpg")
    before = {p.site: (p.x_mm, p.y_mm) for p in second.pinholes}
    shared = [p for p in third.pinholes if p.site in before]
    assert len(shared) >= 0.85 * len(second.pinholes)
    away = [np.hypot(p.x_mm - before[p.site][0], p.y_mm - before[p.site][1]) for p in shared]
    assert np.median(away) < 0.15


@pytest.mark.slow
def test_a_coat_in_pieces_is_one_coat(shots, tmp_path):
    _, photos, _ = shots
    whole = look(tmp_path / "whole", 1, photos[0])
    pixels = cv2.imread(str(photos[0]))
    wide = pixels.shape[1]
    for name, hidden in (("left", slice(int(0.7 * wide), None)), ("right", slice(0, int(0.3 * wide)))):
        piece = pixels.copy()
        piece[:, hidden] = 255  # glare over a part of each
        cv2.imwrite(str(tmp_path / f"{name}.jpg"), piece, [cv2.IMWRITE_JPEG_QUALITY, 95])
    both = look(tmp_path / "job", 1, tmp_path / "left.jpg", tmp_path / "right.jpg")
    assert both.inspected_area_mm2 == pytest.approx(whole.inspected_area_mm2, rel=0.06)
    assert len(both.pinholes) == pytest.approx(len(whole.pinholes), abs=0.12 * len(whole.pinholes) + 3)
    assert {p.photo for p in both.pinholes} == {0, 1}
    assert any("capture and recapture" in note for note in both.notes)


@pytest.mark.slow
def test_a_coat_counted_again_keeps_the_frame(shots, tmp_path):
    _, photos, _ = shots
    first = look(tmp_path / "job", 1, photos[0])
    again = look(tmp_path / "job", 1, photos[0])
    assert [(p.site, p.state) for p in again.pinholes] == [(p.site, p.state) for p in first.pinholes]
    assert np.allclose([(p.x_mm, p.y_mm) for p in again.pinholes], [(p.x_mm, p.y_mm) for p in first.pinholes], atol=0.1)
    assert Job(tmp_path / "job").read(CoatRecord, number=1).count == again.count


def test_glare_in_one_photo_is_seen_in_another():
    rng = np.random.default_rng(4)
    there = rng.uniform((0, 0), (300, 200), (400, 2))
    shows = (lambda p: p[:, 0] < 200, lambda p: p[:, 0] > 100)
    views, sure = [], []
    for sees in shows:
        found = there[sees(there) & (rng.random(len(there)) < 0.8)]
        views.append(found + rng.normal(0, 0.08, found.shape))
        sure.append(rng.random(len(found)))
    sigma = [np.full(len(v), 0.13) for v in views]
    both = join(views, sure, sigma, shows, area_mm2=6e4)
    found_by_any = sum(min(np.hypot(*(v - t).T).min() for v in views) < 0.6 for t in there)
    assert len(both.chosen) == pytest.approx(found_by_any, abs=3)
    in_both = int((shows[0](there) & shows[1](there)).sum())
    # Only what both look at is reckoned: within two standard errors of what is there.
    assert abs(both.total - in_both) < 2.5 * both.error
    assert both.counts[0] < len(views[0])


def test_few_shared_finds_give_no_total():
    nine = np.arange(18.0).reshape(9, 2)
    everywhere = [lambda p: np.ones(len(p), bool)] * 2
    sigma = [np.full(9, 0.1)] * 2
    both = join([nine, nine + 500], [np.ones(9)] * 2, sigma, everywhere, area_mm2=1e5)
    assert both.total is None
    assert len(both.chosen) == 18


@pytest.mark.slow
def test_blur_over_a_part_is_told_from_focus(shots):
    _, photos, _ = shots
    grey = cv2.cvtColor(load_photo(photos[0]).pixels, cv2.COLOR_BGR2GRAY)
    look_here = np.full(grey.shape, 255, np.uint8)
    size = (grey.shape[1] // 4, grey.shape[0] // 4)
    sharp = out_of_focus(grey, look_here, size) > 0
    assert sharp.mean() < 0.1
    soft = grey.copy()
    half = grey.shape[1] // 2
    soft[:, half:] = cv2.GaussianBlur(grey, (0, 0), 3.5)[:, half:]
    told = out_of_focus(soft, look_here, size) > 0
    assert told[:, size[0] // 2 + 12 :].mean() > 0.7
    assert told[:, : size[0] // 2 - 12].mean() < 0.05
    assert not (out_of_focus(np.full((600, 800), 120, np.uint8), np.full((600, 800), 255, np.uint8), (200, 150))).any()


@pytest.mark.slow
def test_stated_residual_holds_against_the_truth(shots):
    # The true cameras carry places of the patch into both photos; the alignment must carry one onto the other.
    _, photos, truth = shots
    frames, sheets = [], []
    for path in photos:
        photo = load_photo(path)
        plane = scale.solve_planes((photo,))[0]
        ortho = scale.rectify(photo, plane, mm_per_px=0.25)
        sheets.append(ready(ortho, hidden_mm=tuple(plane.to_mm(s) for s in surround.sheets_px(photo.pixels, plane))))
        frames.append(plane)
    found = align(sheets[1], sheets[0], guess=None)
    x, y = np.meshgrid(np.linspace(-150, 150, 25), np.linspace(-110, 110, 19))
    there = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    px = []
    for t in truth:
        camera = {k: np.array(v, dtype=float) for k, v in t["camera"].items() if k in ("K", "dist", "R", "t")}
        turn = cv2.Rodrigues(camera["R"])[0]
        px.append(cv2.projectPoints(there, turn, camera["t"], camera["K"], camera["dist"])[0].reshape(-1, 2))
    inside = np.all(
        [(p > 60).all(1) & (p < np.array(f.size_px) - 60).all(1) for p, f in zip(px, frames, strict=True)], axis=0
    )
    off = found.bend(frames[1].to_mm(px[1][inside])) - frames[0].to_mm(px[0][inside])
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    assert rms < 0.12, rms  # half a pixel of these small photos
    assert rms < 2.0 * found.rms_mm
    assert found.rms_mm < 0.12
