"""``voidmap`` alone, or with a job folder alone, says the next sensible step; the shell completes names."""

import os
import subprocess
import sys

import pytest
from coat_jobs import two_coats, write_coats
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.job.verdict import decide
from voidmap.records import Verdict


def run(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.stderr
    return result.stdout


def test_each_stage_names_the_command_that_comes_next(tmp_path, monkeypatch):
    from dataclasses import replace

    monkeypatch.chdir(tmp_path)
    assert "voidmap intake JOB PHOTO" in run()
    job = a_job(tmp_path / "desk")
    mapped = run("desk")
    assert "voidmap probe desk" in mapped
    assert "5 of 5 voids" in mapped
    assert mapped == run("next", "desk")
    run("fill", "desk")
    assert "voidmap coat desk PHOTO --number 1" in run("desk")
    write_coats(job, two_coats())
    assert "voidmap verdict desk" in run("desk")
    decide(job.folder)
    verdict = job.read(Verdict)
    for decision, words in [
        ("seal_again", "voidmap coat desk PHOTO --number 3"),
        ("spot_fill", "voidmap sheet desk"),
        ("reshoot", "voidmap coat desk PHOTO --number 2"),
        ("flood", "voidmap sheet desk --no-costs"),
    ]:
        job.write(replace(verdict, decision=decision))
        assert words in run("desk")
    monkeypatch.chdir(job.folder)
    assert "voidmap sheet . --no-costs" in run()


def test_a_name_that_is_neither_command_nor_folder_is_refused():
    result = CliRunner().invoke(app, ["polish"])
    assert result.exit_code == 2
    assert "polish" in result.stderr


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("voidmap ver", "verdict"),
        ("voidmap fill desk --units m", "metric"),
        ("voidmap sheet desk --no-c", "--no-costs"),
    ],
)
def test_the_shell_completes(typed, offered):
    words = {"_VOIDMAP_COMPLETE": "complete_bash", "COMP_WORDS": typed, "COMP_CWORD": str(typed.count(" "))}
    code = "from voidmap.cli import app; app(prog_name='voidmap')"
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **words}, capture_output=True, text=True, check=False
    )
    assert offered in done.stdout.split()
