"""``voidmap probe`` from the command line: readings are kept, bound the void, narrow the total, and can disagree."""

import json

import pytest
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.records import Intake


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def job(tmp_path):
    return a_job(tmp_path / "desk")


def advice(job, *readings):
    result = run("probe", job.folder, *readings, "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def deepest(job):
    voids = [d for d in job.read(Intake).defects if d.is_void and not d.through]
    return max(voids, key=lambda d: d.volume_ml)


def test_advice_alone_records_nothing_and_is_ordered(job):
    before = job.read(Intake)
    told = advice(job)
    assert job.read(Intake) == before
    assert told["recorded"] == []
    widths = [r["total_interval_ml"][1] - r["total_interval_ml"][0] for r in told["readings"]]
    lo, hi = told["total_interval_ml"]
    assert widths == sorted(widths, reverse=True)
    assert all(w < hi - lo for w in widths)


def test_greatest_depth_bounds_the_void(job):
    void = deepest(job)
    advice(job, f"{void.id}=6mm", "--gauge-error", "0.3mm")
    after = next(d for d in job.read(Intake).defects if d.id == void.id)
    assert after.depth.max_mm == pytest.approx(6.0)
    assert after.depth.mean_mm <= 6.0
    assert after.depth.estimates[-1].greatest_read


def test_a_dot_is_no_bound_and_a_worse_gauge_tells_less(job):
    void = deepest(job)
    advice(job, f"{void.id}@1=6mm", "--gauge-error", "0.2mm")
    fine = next(d for d in job.read(Intake).defects if d.id == void.id).depth.estimates[-1]
    assert not fine.greatest_read
    advice(job, f"{void.id}@1=6mm", "--gauge-error", "3mm")
    coarse = next(d for d in job.read(Intake).defects if d.id == void.id).depth.estimates[-1]
    assert coarse.own_rel > fine.own_rel


def test_a_reading_that_is_taken_is_not_asked_for_again(job):
    first = advice(job)["readings"][0]
    told = advice(job, f"{first['defect']}={first['expected_mm']:.1f}mm")
    assert first["defect"] not in [r["defect"] for r in told["readings"]]
    assert len(told["recorded"]) == 1


def test_disagreement_is_said(job):
    void = deepest(job)
    near = advice(job, f"{void.id}@1={void.depth.mean_mm:.1f}mm")
    assert not any(void.id in sentence for sentence in near["disagreements"])
    far = advice(job, f"{void.id}=1mm", f"{void.id}@1=30mm", "--gauge-error", "0.1mm")
    assert any(void.id in sentence for sentence in far["disagreements"])


@pytest.mark.parametrize("extra", [["D01@99=4mm"], ["D01=4mm", "--gauge-error", "-1mm"]])
def test_what_cannot_be_is_refused_and_nothing_is_recorded(job, extra):
    before = job.read(Intake)
    result = run("probe", job.folder, *extra)
    assert result.exit_code == 2
    assert "Traceback" not in result.stderr
    assert job.read(Intake) == before
