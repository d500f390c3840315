"""``voidmap coat`` from the command line: what it refuses, what it writes, and that its JSON keeps its schema."""

import json
import shutil
from dataclasses import replace

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.coat.again import shown_share, why_again
from voidmap.coat.ground import along_grain, grain_of
from voidmap.coat.ratings import rate
from voidmap.files import Job
from voidmap.records import CoatRecord, Interval, PhotoRecord, Pinhole, Power, Quality
from voidmap.simulate.coat import write_series

SEED = 77
"""A development seed: a series of two gloss coats."""


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def refused(result, *says):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1, result.stderr
    for words in says:
        assert words in result.stderr


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    """Two small photos of known truth, and the first coat's job and printed result."""
    folder = tmp_path_factory.mktemp("coat")
    photos = write_series(folder, "c", SEED, coats=2, megapixels=2.0, count=60)
    first = run("coat", folder / "job", photos[0], "--number", 1, "--json")
    return folder / "job", photos, first


@pytest.mark.slow
def test_json_of_a_coat_keeps_its_schema(series):
    jsonschema = pytest.importorskip("jsonschema")
    job, _, first = series
    assert first.exit_code in (0, 3), first.output
    shown = json.loads(first.stdout)
    schema = run("schema", "coat")
    assert schema.exit_code == 0
    jsonschema.validate(shown, json.loads(schema.stdout))
    record = Job(job).read(CoatRecord, number=1)
    assert [p["site"] for p in shown["pinholes"]] == [p.site for p in record.pinholes]
    assert record.power.planted >= 120
    assert record.inspected_mm
    assert record.grain_deg is not None
    assert -90 <= record.grain_deg < 90
    assert (first.exit_code == 3) == bool(why_again(record, 0.5))


@pytest.mark.slow
def test_grain_runs_along_the_simulated_board(series):
    # The simulator's slabs lie with their grain within some 20 degrees of their length, x.
    assert abs(json.loads(series[2].stdout)["grain_deg"]) < 25


@pytest.mark.slow
def test_coats_out_of_order_and_photos_used_twice_are_refused(series, tmp_path):
    job, photos, _ = series
    refused(run("coat", job, photos[0], "--number", 2), "the very photo of coat 1")
    copy = tmp_path / "other-name.jpg"
    shutil.copy(photos[0], copy)
    refused(run("coat", job, copy, "--number", 2, "--json"), "the very photo of coat 1")
    assert Job(job).coat_numbers() == (1,)
    second = run("coat", job, photos[1], "--number", 2)
    assert second.exit_code in (0, 3), second.output
    assert second.stdout.startswith("Coat 2 (gloss)")
    refused(run("coat", job, photos[0], "--number", 1), "comes before coat 2", "the next one is 3")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--number", 0), "no coat number 0"),
        (("--number", 1, "--smallest", "20 mm"), "20 mm"),
        (("--number", 1, "--smallest", "tiny"), "tiny"),
        (("--number", 1, "--region", "half"), "half"),
        (("--number", 1, "--mm-per-px", "0"), "per pixel"),
    ],
)
def test_options_that_can_not_be_right_are_refused(tmp_path, options, says):
    refused(run("coat", tmp_path / "job", tmp_path / "no.jpg", *options), says)


def test_grain_is_found_along_drawn_stripes():
    for degrees in (-60, 0, 30):
        y, x = np.mgrid[0:480, 0:640]
        turn = np.radians(degrees)
        rings = np.sin((y * np.cos(turn) - x * np.sin(turn)) / 4)
        grey = np.asarray(130 + 40 * rings, dtype=np.uint8)
        (x0, y0), (x1, y1) = along_grain(grain_of(grey), np.full(grey.shape, 255, np.uint8))
        away = np.degrees(np.arctan2(y1 - y0, x1 - x0)) - degrees
        assert abs((away + 90) % 180 - 90) < 2


def test_no_grain_where_nothing_is_seen_or_all_is_noise():
    rng = np.random.default_rng(2)
    noise = cv2.GaussianBlur(rng.normal(130, 30, (960, 1280)), (0, 0), 4).astype(np.uint8)
    assert along_grain(grain_of(noise), np.zeros_like(noise)) is None
    assert along_grain(grain_of(noise), np.full_like(noise, 255)) is None


def _record(curve, sizes):
    photo = PhotoRecord("a.jpg", "0" * 64, 4032, 3024, None, Quality(0.3, 0.0, 0.0, "good"))
    holes = tuple(
        Pinhole(f"P{i:03d}", f"S{i:03d}", 10.0 * i, 5.0, 50.0 * i, 25.0, d, Interval(d, d), 9.0, "new")
        for i, d in enumerate(sizes)
    )
    return CoatRecord(
        number=1,
        photo=photo,
        surface="gloss",
        inspected_area_mm2=1e5,
        hidden_area_mm2=0.0,
        pinholes=holes,
        closed=(),
        count=len(holes),
        count_interval=Interval(len(holes), len(holes) + 2),
        power=Power(0.5, 0.9, 1.0, 120, 60, curve),
        false_calls_per_m2=0.0,
        density_per_m2=len(holes) / 0.1,
        ratings=rate(sizes),
        mm_per_px=0.1,
    )


def test_count_outside_its_interval_is_explained():
    from voidmap.cli.coat import coat_text

    record = _record(((0.25, 0.1), (1.5, 1.0)), (0.6, 0.7, 0.8))
    assert "not the number found" not in coat_text(record)
    assert "too small or faint" in coat_text(replace(record, count_interval=Interval(5, 9)))
    assert "likely false" in coat_text(replace(record, count_interval=Interval(0, 2)))


def test_share_shown_is_that_of_the_sizes_there():
    record = _record(curve=((0.25, 0.1), (0.5, 0.5), (1.0, 1.0), (1.5, 1.0)), sizes=())
    # None found: that of 1.25 times the smallest size, 0.625 mm, a quarter of the way from 0.5 to 1.
    assert shown_share(record, 0.5) == pytest.approx(0.625)
    assert "62%" in why_again(record, 0.5)[0]
    many = _record(curve=record.power.curve, sizes=(1.2,) * 20)
    assert shown_share(many, 0.5) == pytest.approx(21 / (20 + 1 / 0.625))
    # Most are large and shown, so that the share is well over 0.9; the size that matters is shown to half only.
    assert shown_share(many, 0.5) > 0.95
    assert "1.8 times nearer" in why_again(many, 0.5)[0]
    sharp = replace(many, power=replace(many.power, curve=((0.2, 0.5), (0.5, 0.9), (1.0, 1.0)), d90_mm=0.5))
    assert why_again(sharp, 0.5) == ()
    # Where the curve's ceiling lies under nine of ten, going nearer is no cure.
    lamp = replace(many, power=replace(many.power, curve=((0.2, 0.5), (0.5, 0.7), (2.0, 0.7)), d90_mm=None))
    assert "low side" in why_again(lamp, 0.5)[0]
    far = replace(sharp, mm_per_px=0.25)
    assert "1.5 times nearer" in why_again(far, 0.5)[0]
    assert "Nothing" in why_again(replace(sharp, inspected_area_mm2=0.0), 0.5)[0]
