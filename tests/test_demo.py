"""The whole job on the demo photos, as a new user runs it, held against the demo's own truth."""

import json
import shutil

import jsonschema
import pytest
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.files import read_json
from voidmap.job.demo import PHOTOS
from voidmap.schemas import json_schema

TRUTH = json.loads((PHOTOS / "desk-a.json").read_text())


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def job(demo_job):
    return demo_job


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "schema"),
    [
        ("measured.json", "intake"),
        ("intake.json", "intake"),
        ("fill.json", "fill"),
        ("coat-1.json", "coat"),
        ("coat-3.json", "coat"),
        ("verdict.json", "verdict"),
    ],
)
def test_every_result_file_is_valid_against_its_schema(job, name, schema):
    jsonschema.validate(read_json(job / name), json_schema(schema))


@pytest.mark.slow
def test_the_slab_comes_out_as_it_was_made(job):
    record = read_json(job / "intake.json")
    area = TRUTH["slab"]["area_mm2"]
    assert record["slab"]["area_mm2"] == pytest.approx(area, rel=0.02)


@pytest.mark.slow
def test_the_voids_hold_what_they_were_made_to_hold(job):
    record = read_json(job / "intake.json")
    true_ml = TRUTH["totals"]["volume_ml"]
    lo, hi = record["totals"]["volume_interval_ml"]
    assert lo < true_ml < hi
    assert 0.6 * true_ml < record["totals"]["volume_ml"] < 1.5 * true_ml


@pytest.mark.slow
def test_pinholes_thin_out_from_coat_to_coat(job):
    counts = [read_json(job / f"coat-{n}.json")["count"] for n in (1, 2, 3)]
    assert counts[0] > counts[1] > counts[2]


@pytest.mark.slow
def test_commands_print_the_result_and_nothing_else(job):
    for command, schema in (("fill", "fill"), ("verdict", "verdict"), ("probe", "probe")):
        result = run(command, job, "--json")
        assert result.exit_code in (0, 3), result.stderr
        jsonschema.validate(json.loads(result.stdout), json_schema(schema))


@pytest.mark.slow
def test_a_demo_never_overwrites(job):
    result = run("demo", "--out", job)
    assert result.exit_code == 2
    assert "holds something already" in result.stderr


@pytest.mark.slow
def test_a_probed_depth_narrows_the_total(demo_job, tmp_path):
    job = shutil.copytree(demo_job, tmp_path / "desk")
    before = read_json(job / "intake.json")
    deepest = max(before["defects"], key=lambda d: d["volume_interval_ml"][1] - d["volume_interval_ml"][0])
    assert run("probe", job, f"{deepest['id']}=20mm").exit_code == 0
    after = next(d for d in read_json(job / "intake.json")["defects"] if d["id"] == deepest["id"])
    assert after["depth"]["estimates"] != deepest["depth"]["estimates"]
    assert run("probe", job, f"{deepest['id']}=-3mm").exit_code == 2
    assert run("probe", job, "D99=3mm").exit_code == 2
