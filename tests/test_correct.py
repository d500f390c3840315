"""The user's own corrections: typed, refused when they can't be right, and alive after a new intake."""

import json

import pytest
from fill_jobs import a_desk
from sheet_jobs import a_job, moved
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.corrections import carry_over
from voidmap.files import MEASURED
from voidmap.records import FillPlan, Intake, Kind


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def correct(job, *arguments):
    result = run("correct", job.folder, *arguments)
    assert result.exit_code == 0, result.stderr
    return {d.id: d for d in job.read(Intake).defects}


def refused(result, *says):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (line,) = result.stderr.strip().splitlines()
    assert "Traceback" not in line
    for words in says:
        assert words in line


@pytest.fixture
def job(tmp_path):
    return a_job(tmp_path / "desk")


def test_typed_corrections_change_what_they_name_and_nothing_else(job):
    before = {d.id: d for d in job.read(Intake).defects}
    after = correct(
        job,
        "--drop",
        "D07",
        "--kind",
        "D04=knot_hole",
        "--depth",
        "d01=3/4 in",
        "--through",
        "D02",
        "--note",
        "D05=glue",
    )
    assert set(before) - set(after) == {"D07"}
    assert after["D04"].kind is Kind.KNOT_HOLE
    assert [e.max_mm for e in after["D01"].depth.estimates if e.source == "probe"] == [pytest.approx(19.05)]
    assert after["D02"].through
    assert after["D02"].depth.max_mm == pytest.approx(45.0)
    assert after["D05"].note == "glue"
    assert {i: d.from_user for i, d in after.items() if d.from_user} == {
        "D01": ("depth",),
        "D02": ("through",),
        "D04": ("kind",),
        "D05": ("note",),
    }
    for same in ("D03", "D06"):
        assert after[same].outline_mm == before[same].outline_mm
        assert after[same].volume_ml == pytest.approx(before[same].volume_ml)


def test_what_was_measured_stays_as_it_was(job):
    measured = job.path(MEASURED).read_bytes()
    correct(job, "--drop", "D07", "--kind", "D04=knot_hole")
    assert job.path(MEASURED).read_bytes() == measured


def test_kind_decides_whether_a_thing_holds_resin(job):
    before = job.read(Intake)
    after = correct(job, "--kind", "D01=stain", "--kind", "D06=knot_hole")
    assert after["D01"].volume_ml == 0.0
    assert after["D01"].depth is None
    assert after["D06"].volume_ml > 0.0
    totals = job.read(Intake).totals
    assert totals.void_count == before.totals.void_count
    assert totals.volume_ml == pytest.approx(sum(d.volume_ml for d in after.values()))


def test_totals_follow_a_dropped_void(job):
    whole = job.read(Intake).totals
    gone = next(d for d in job.read(Intake).defects if d.id == "D01")
    correct(job, "--drop", "D01")
    left = job.read(Intake).totals
    assert left.void_count == whole.void_count - 1
    assert left.volume_ml == pytest.approx(whole.volume_ml - gone.volume_ml)


def test_thickness_is_the_bottom_of_what_goes_through(job):
    after = correct(job, "--thickness", "1 1/2 in", "--through", "D01")
    assert job.read(Intake).slab.thickness_mm == pytest.approx(38.1)
    assert after["D01"].depth.max_mm == pytest.approx(38.1)


def test_the_result_is_json_when_asked_for(job):
    result = run("correct", job.folder, "--drop", "D07", "--json")
    assert [d["id"] for d in json.loads(result.stdout)["defects"]] == ["D01", "D02", "D03", "D04", "D05", "D06"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), ["nothing was given"]),
        (("--drop", "D99"), ["no defect D99", "D01"]),
        (("--kind", "D01=dent"), ["no kind dent", "crack"]),
        (("--kind", "D01"), ["D01", "D03=crack"]),
        (("--depth", "D01=deep"), ["deep"]),
        (("--depth", "D01=0mm"), ["0"]),
        (("--depth", "D01=60mm"), ["60", "45"]),
        (("--thickness", "2m"), ["2000", "400"]),
        (("--note", "D01=" + "x" * 2001), ["too long"]),
    ],
)
def test_what_cannot_be_right_is_refused_and_changes_nothing(job, arguments, says):
    before = job.path("intake.json").read_bytes()
    refused(run("correct", job.folder, *arguments), *says)
    assert job.path("intake.json").read_bytes() == before
    assert not job.path("corrections.json").exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{", ["not valid JSON"]),
        ("[]", ["voidmap/corrections/1"]),
        ('{"schema": "voidmap/corrections/1", "groups": [{"items": [{"action": "polish"}]}]}', ["damaged at groups"]),
    ],
)
def test_a_damaged_file_is_refused(job, tmp_path, text, says):
    file = tmp_path / "c.json"
    file.write_text(text)
    refused(run("correct", job.folder, file), *says)


def test_no_job_no_correction(tmp_path):
    refused(run("correct", tmp_path / "none", "--drop", "D01"), "no job folder")


@pytest.mark.parametrize("angle_deg", [0.0, 4.0, 180.0, -95.0])
def test_corrections_survive_a_new_intake_that_lies_otherwise(job, angle_deg):
    correct(job, "--drop", "D07", "--kind", "D04=knot_hole", "--note", "D02=opens in winter")
    again = moved(job.read(Intake, name=MEASURED), angle_deg=angle_deg, shift_mm=(37.0, -210.0))
    renumbered = again.defects[::-1]
    again = Intake(again.photos, again.scale, again.slab, renumbered, again.totals, again.notes)
    job.write(again, name=MEASURED)
    carried = carry_over(job, again)
    assert carried.notes == again.notes, "every correction found its place"
    after = {d.id: d for d in carried.defects}
    assert "D07" not in after
    assert after["D04"].kind is Kind.KNOT_HOLE
    assert after["D02"].note == "opens in winter"
    assert {i for i, d in after.items() if d.from_user} == {"D02", "D04"}


def test_a_correction_of_another_slab_is_kept_and_said(job):
    correct(job, "--kind", "D04=knot_hole")
    other = a_desk()
    carried = carry_over(job, other)
    assert not any(d.from_user for d in carried.defects)
    (note,) = set(carried.notes) - set(other.notes)
    assert "kind of D04" in note
    assert json.loads(job.path("corrections.json").read_text())["groups"]


def test_the_same_file_twice_counts_once(job, tmp_path):
    correct(job, "--kind", "D04=knot_hole", "--depth", "D01=12mm")
    once = job.path("intake.json").read_bytes()
    file = tmp_path / "again.json"
    file.write_bytes(job.path("corrections.json").read_bytes())
    correct(job, file)
    assert job.path("intake.json").read_bytes() == once


def test_the_plan_is_made_again_only_when_there_is_one(job):
    correct(job, "--drop", "D04")
    assert not job.has(FillPlan)
    asked = ("--overfill", "2mm", "--temperature", "18C", "--scale-step", "0.1g", "--method", "D01=tinted_resin")
    assert run("fill", job.folder, *asked).exit_code == 0
    before = job.read(FillPlan)
    correct(job, "--drop", "D01")
    after = job.read(FillPlan)
    assert "D01" in {m.defect for m in before.methods}
    assert "D01" not in {m.defect for m in after.methods}
    assert after.mix_ml < before.mix_ml
    assert {**before.inputs, "methods": {}} == after.inputs, "planned again as it was asked for"
