"""The job folder: atomic writes, records there and back, one sentence when something is off."""

import json
import os

import jsonschema
import pytest

from voidmap.errors import InputError, JobError, ValueRefused
from voidmap.files import Job, open_job, read_json, write_bytes, write_text
from voidmap.records import Expected, Interval, Pattern, SiteAdvice, Verdict
from voidmap.schemas import RECORDS, from_json, json_schema, to_json

VERDICT = Verdict(
    decision="spot_fill",
    confidence=0.97,
    reasons=("few left",),
    sites=(SiteAdvice("S001", 1.5, 2.5, 2, "pick it open"),),
    expected_after_next=Expected(2.0, Interval(0.0, 5.0)),
    closure_rate=None,
    closure_interval=Interval(0.4, 0.9),
    pattern=Pattern(True, False, False, 3.5),
    coat=2,
)


def test_records_come_back_as_they_were(tmp_path):
    job = Job(tmp_path / "desk")
    assert not job.has(Verdict)
    job.write(VERDICT)
    assert job.has(Verdict)
    assert job.read(Verdict) == VERDICT


def test_written_json_is_valid_against_the_published_schema(tmp_path):
    path = Job(tmp_path).write(VERDICT)
    jsonschema.validate(read_json(path), json_schema("verdict"))
    assert next(iter(read_json(path))) == "schema"


@pytest.mark.parametrize("name", RECORDS)
def test_every_schema_is_a_schema_and_refuses_another_version(name):
    schema = json_schema(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"schema": f"voidmap/{name}/0"}, schema)


def test_fields_say_what_they_are():
    defect = json_schema("intake")["$defs"]["PhotoRecord"]["properties"]
    assert "ISO 8601" in defect["taken"]["description"]


def test_unknown_schema():
    with pytest.raises(ValueRefused, match="no result called sheet"):
        json_schema("sheet")


def test_damaged_records_are_named(tmp_path):
    values = to_json(VERDICT)
    values["confidence"] = "high"
    with pytest.raises(JobError, match=r"verdict\.json is damaged at confidence"):
        from_json(Verdict, values, "verdict.json")
    with pytest.raises(JobError, match="not a voidmap/verdict/1 file"):
        from_json(Verdict, {"schema": "other"}, "verdict.json")


def test_missing_step_is_named(tmp_path):
    with pytest.raises(JobError, match="no job folder"):
        Job(tmp_path / "none").read(Verdict)
    with pytest.raises(JobError, match="run voidmap verdict first"):
        Job(tmp_path).read(Verdict)


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.json"
    write_text(path, "old")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(InputError, match="No space left"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_a_file_is_no_job_folder(tmp_path):
    write_bytes(tmp_path / "x", b"1")
    with pytest.raises(JobError, match="is a file, not a job folder"):
        open_job(tmp_path / "x")


def test_broken_json_names_its_line(tmp_path):
    (tmp_path / "a.json").write_text('{\n"a": 1,\n}')
    with pytest.raises(InputError, match="line 3"):
        read_json(tmp_path / "a.json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="not a text file"):
        read_json(tmp_path / "b.json")


def test_numbers_of_coats_are_read_off_the_folder(tmp_path):
    for n in (10, 2, 1):
        (tmp_path / f"coat-{n}.json").write_text(json.dumps({}))
    assert Job(tmp_path).coat_numbers() == (1, 2, 10)
