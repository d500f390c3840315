"""Marks on a coat: lint taken out, a missed pinhole put in; the count, the sites and the verdict follow."""

import json

import pytest
from coat_jobs import coat, shifted, two_coats, write_coats
from report_jobs import slab_outline
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.corrections import Action, Correction, Corrections, Group, apply_to_coat, merged
from voidmap.corrections.keep import frame_of
from voidmap.files import Job
from voidmap.job.marks import carry_over, measured_name
from voidmap.job.verdict import decide
from voidmap.records import CoatRecord, FillPlan, Intake, Verdict


def lint(x, y, number=1, note="lint"):
    return Correction(Action.NOT_PINHOLE, (x, y), coat=number, note=note)


def missed(x, y, number=1, mm=0.9):
    return Correction(Action.PINHOLE, (x, y), coat=number, diameter_mm=mm)


def marks(*items, frame=()):
    return Corrections((Group(frame, tuple(items)),))


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def test_without_a_mark_the_record_is_the_measured_one():
    first, second = two_coats()
    assert apply_to_coat(first, Corrections()) is first
    assert apply_to_coat(second, marks(lint(-50, -20, 1)), (first,)) is second, "a mark of another coat"


def test_lint_goes_and_the_count_with_it():
    first, _ = two_coats()
    after = apply_to_coat(first, marks(lint(-49.8, -20.1)))
    assert after.count == 3
    assert {p.site for p in after.pinholes} == {"S002", "S003", "S004"}, "the others keep their numbers"
    assert after.count_interval.lo < first.count_interval.lo
    assert after.false_calls_per_m2 == pytest.approx(0.75 * first.false_calls_per_m2)
    assert after.density_per_m2 == pytest.approx(first.density_per_m2 * 3 / 4)
    assert after.from_user == ("S001 at (-50, -20) mm taken out: lint.",)
    assert after.power == first.power, "nothing is measured again"
    assert after.inspected_mm == first.inspected_mm


def test_a_missed_one_is_one_of_those_that_were_reckoned_in():
    first, _ = two_coats()
    after = apply_to_coat(first, marks(missed(0, -50)))
    added = after.pinholes[-1]
    assert (added.site, added.state, added.from_user, added.diameter_mm) == ("S005", "new", True, 0.9)
    assert added.diameter_interval_mm.lo < 0.9 < added.diameter_interval_mm.hi
    assert after.count == 5
    assert first.count_interval.hi <= after.count_interval.hi <= first.count_interval.hi + 1
    many = apply_to_coat(first, marks(*(missed(x, -50) for x in range(-80, 80, 8))))
    assert many.count == 24
    assert many.count_interval.lo >= 20, "what the user saw is there, whatever the photo could show"


def test_adding_one_that_is_there_confirms_it():
    first, _ = two_coats()
    after = apply_to_coat(first, marks(missed(-50.2, -19.9)))
    assert after.count == first.count
    assert next(p for p in after.pinholes if p.site == "S001").from_user


def test_sites_are_followed_again_from_the_marked_coat_on():
    first, second = two_coats()
    states = {p.site: p.state for p in second.pinholes}
    assert states == {"S001": "kept", "S003": "kept", "S005": "new", "S006": "new"}
    marked = apply_to_coat(first, marks(lint(-50, -20), missed(0.1, 39.9)))
    after = apply_to_coat(second, Corrections(), (marked,), retrack=True)
    at = {(round(p.x_mm), round(p.y_mm)): (p.site, p.state) for p in after.pinholes}
    assert at[(-50, -20)] == ("S001", "new"), "the place keeps its number"
    assert at[(0, 40)][1] == "kept"
    assert at[(30, 10)] == ("S003", "kept")
    assert len({p.site for p in after.pinholes}) == 4
    assert {c.site for c in after.closed} == {"S002", "S004"}


def test_a_mark_goes_with_the_slab_when_the_frame_lies_otherwise():
    frame = slab_outline()
    first, _ = two_coats(frame=frame)
    again = shifted(first, 37.0, -12.0)
    after = apply_to_coat(again, marks(lint(-50, -20), frame=frame))
    assert after.count == 3
    assert after.from_user == ("S001 at (-13, -32) mm taken out: lint.",)


def test_a_mark_of_another_slab_is_kept_and_said():
    first, _ = two_coats(frame=slab_outline())
    other = tuple((3 * x, y) for x, y in slab_outline())
    after = apply_to_coat(first, marks(lint(-50, -20), frame=other))
    assert after.count == first.count
    assert "kept but not applied" in after.notes[-1]


@pytest.fixture
def job(tmp_path):
    job = Job(tmp_path / "coats")
    job.folder.mkdir()
    write_coats(job, two_coats())
    decide(job.folder, finish="shop", by_hand=30)
    return job


def file_of(tmp_path, *items):
    place = tmp_path / "corrections.json"
    groups = [{"slab_outline_mm": [], "items": list(items)}]
    place.write_text(json.dumps({"schema": "voidmap/corrections/1", "groups": groups}))
    return place


def test_the_command_works_out_the_count_and_the_verdict_and_nothing_else(job, tmp_path):
    before = {p.name: p.read_bytes() for p in job.folder.glob("*.json")}
    asked = job.read(Verdict)
    given = file_of(tmp_path, {"action": "not_pinhole", "place_mm": [0, 40], "coat": 2, "note": "lint"})
    result = run("correct", job.folder, given)
    assert result.exit_code == 0, result.stderr
    assert "Worked out again: coat 2, verdict." in result.stdout
    changed = {p.name for p in job.folder.glob("*.json") if p.read_bytes() != before.get(p.name)}
    assert changed == {"coat-2.json", "verdict.json", "corrections.json"}
    assert job.read(CoatRecord, number=2).count == 3
    after = job.read(Verdict)
    assert (after.finish, after.inputs) == (asked.finish, asked.inputs) == ("shop", {"by_hand": 30})
    assert json.loads(run("correct", job.folder, given, "--json").stdout)["count"] == 3, "twice counts once"


def test_a_mark_on_the_first_coat_reaches_the_second(job):
    result = run("correct", job.folder, "--lint", "s001@1")
    assert result.exit_code == 0, result.stderr
    assert "coat 1, coat 2, verdict" in result.stdout
    assert {p.site: p.state for p in job.read(CoatRecord, number=2).pinholes}["S001"] == "new"
    assert job.read(CoatRecord, name=measured_name(1)).count == 4


def test_a_mark_survives_a_new_count_of_the_same_coat(job):
    assert run("correct", job.folder, "--lint", "S005").exit_code == 0
    first = job.read(CoatRecord, number=1)
    again = coat(2, [(-50.2, -20.0), (30.2, 9.8), (0.3, 40.2), (-80.2, 30.1), (10, -30)], (first,))
    record = carry_over(job, again, (first,))
    assert record.count == 4
    assert not any(abs(p.x_mm) < 1 and abs(p.y_mm - 40) < 1 for p in record.pinholes)
    assert job.read(CoatRecord, number=2) == record
    assert job.read(CoatRecord, name=measured_name(2)).count == 5


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--lint", "S099"), ["no pinhole at S099"]),
        (("--lint", "S001@7"), ["no coat 7", "1, 2"]),
        (("--drop", "D01"), ["intake"]),
    ],
)
def test_what_is_not_there_is_refused(job, arguments, says):
    result = run("correct", job.folder, *arguments)
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.strip().splitlines()
    assert all(words in line for words in says)


def test_marks_and_corrections_of_one_frame_keep_the_places_that_tell_its_ends_apart():
    frame, places = slab_outline(), ((10.0, 0.0), (20.0, 5.0))
    note = Correction(Action.NOTE, (10.0, 0.0), note="seen")
    both = merged(marks(lint(1, 2), frame=frame), Group(frame, (note,), places))
    (group,) = both.groups
    assert len(group.items) == 2
    assert group.marks_mm == places


def test_a_file_without_a_frame_is_taken_and_said(tmp_path):
    job = a_job(tmp_path / "desk")
    place = file_of(tmp_path, {"action": "kind", "place_mm": [20, -80], "kind": "hole"})
    assert run("correct", job.folder, place).exit_code == 0
    assert "kept but not applied" in job.read(Intake).notes[-1]


def test_a_correction_of_the_map_reaches_plan_and_verdict(tmp_path):
    job = a_job(tmp_path / "desk")
    write_coats(job, two_coats(frame=frame_of(job.read(Intake))))
    assert run("fill", job.folder).exit_code == 0
    decide(job.folder)
    coats = [job.path(f"coat-{n}.json").read_bytes() for n in (1, 2)]
    plan = job.read(FillPlan)
    result = run("correct", job.folder, "--drop", "D01")
    assert "Worked out again: map, fill plan, verdict." in result.stdout
    assert job.read(FillPlan) != plan
    assert coats == [job.path(f"coat-{n}.json").read_bytes() for n in (1, 2)]
    noted = run("correct", job.folder, "--note", "D02=opens in winter")
    assert "Worked out again: notes." in noted.stdout, "a remark changes no figure"


@pytest.mark.slow
def test_a_mark_stays_on_its_place_when_the_coat_is_photographed_again(tmp_path):
    """Through the real count, on a drawn coat; the second photo is smaller and shifted, the job's frame stays."""
    import cv2

    from voidmap.simulate.coat import write_series

    (photo,) = write_series(tmp_path, "c", 77, coats=1, megapixels=2.0, count=40)
    job = Job(tmp_path / "job")
    assert run("coat", job.folder, photo, "--number", "1", "--json").exit_code in (0, 3)
    first = job.read(CoatRecord, number=1)
    gone = max(first.pinholes, key=lambda p: p.score)
    assert run("correct", job.folder, "--lint", gone.site).exit_code == 0
    again = cv2.resize(cv2.imread(str(photo))[12:, 20:], None, fx=0.95, fy=0.95, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(tmp_path / "again.jpg"), again)
    result = run("coat", job.folder, tmp_path / "again.jpg", "--number", "1")
    assert result.exit_code in (0, 3), result.stderr
    after, measured = job.read(CoatRecord, number=1), job.read(CoatRecord, name=measured_name(1))
    assert f"From you: {gone_at(measured, gone)}" in result.stdout
    assert after.count == measured.count - 1
    assert not any(abs(p.x_mm - gone.x_mm) + abs(p.y_mm - gone.y_mm) < 1 for p in after.pinholes)


def gone_at(measured, spot):
    """The site that stands at a spot's place in a new count."""
    near = min(measured.pinholes, key=lambda p: abs(p.x_mm - spot.x_mm) + abs(p.y_mm - spot.y_mm))
    return near.site
