"""Every wrong thing a user would do ends in one sentence on standard error and exit code 2."""

import io
import json

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from voidmap.cli import COMMANDS, app


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def refused(result, *says):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    lines = result.stderr.strip().splitlines()
    assert len(lines) == 1, result.stderr
    assert "Traceback" not in lines[0]
    for words in says:
        assert words in lines[0]


@pytest.fixture
def bare_photo(tmp_path):
    """A photo of bare wood: no board in view."""
    grain = np.random.default_rng(1).normal(150, 12, (600, 1)) + np.zeros((600, 800))
    out = io.BytesIO()
    Image.fromarray(np.clip(grain, 0, 255).astype(np.uint8)).convert("RGB").save(out, "JPEG")
    path = tmp_path / "bare.jpg"
    path.write_bytes(out.getvalue())
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_with_an_example(command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example: voidmap {command}" in result.stdout


def test_alone_it_says_the_next_step(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    result = run()
    assert result.exit_code == 0
    assert "voidmap intake" in result.stdout


def test_unknown_words_are_refused(tmp_path):
    refused(run("polish"), "polish")
    refused(run("intake", tmp_path / "job"), "PHOTO")
    refused(run("intake", tmp_path / "job", "a.jpg", "--thick", "3"), "--thick")
    refused(run("schema", "sheet"), "no result called sheet")


def test_bad_photos_are_refused(tmp_path, bare_photo):
    job = tmp_path / "job"
    empty, text = tmp_path / "empty.jpg", tmp_path / "notes.jpg"
    empty.write_bytes(b"")
    text.write_text("ash, 2 m")
    half = tmp_path / "half.jpg"
    half.write_bytes(bare_photo.read_bytes()[:9000])
    for command in (["intake", job], ["coat", job, "--number", "1"]):
        refused(run(*command, tmp_path / "none.jpg"), "there is no photo")
        refused(run(*command, tmp_path), "is a folder, not a photo")
        refused(run(*command, empty), "is empty")
        refused(run(*command, text), "is not a photo")
        refused(run(*command, half), "is broken")
        refused(run(*command, bare_photo), "board")
        refused(run(*command, bare_photo, bare_photo), "same photo")
    assert not job.exists() or not list(job.glob("*.json"))


def test_photos_are_never_written_to(tmp_path, bare_photo):
    before = bare_photo.read_bytes(), bare_photo.stat().st_mtime_ns
    run("intake", tmp_path / "job", bare_photo)
    assert (bare_photo.read_bytes(), bare_photo.stat().st_mtime_ns) == before


def test_bad_figures_are_refused(tmp_path, bare_photo):
    job = tmp_path / "job"
    refused(run("intake", job, bare_photo, "--slab-thickness", "45"), "45")
    refused(run("intake", job, bare_photo, "--slab-thickness", "-45mm"))
    refused(run("intake", job, bare_photo, "--slab-thickness", "45m"), "can't be right")
    refused(run("intake", job, bare_photo, "--mm-per-px", "0"), "can't be right")
    refused(run("intake", job, bare_photo, "--mm-per-px", "0.5", "--reference", "a4"), "a scale of its own")
    refused(run("intake", job, bare_photo, "--points", "1,2 300,4 50mm"), "go together")
    refused(run("intake", job, bare_photo, "--reference", "points"), "go together")
    refused(run("intake", job, bare_photo, "--region", "left"), "auto or whole")
    refused(run("intake", job, bare_photo, "--reference", "ruler"), "ruler")
    refused(run("intake", job, bare_photo, "--lens", tmp_path / "none.json"), "none.json")
    refused(run("coat", job, bare_photo, "--number", "0"), "count coats from 1")


def test_steps_out_of_order_are_refused(tmp_path):
    for command in ("probe", "fill", "sheet"):
        refused(run(command, tmp_path / "none"), "none")
    refused(run("verdict", tmp_path / "none"), "no coat yet")
    (tmp_path / "job").mkdir()
    refused(run("fill", tmp_path / "job"), "run voidmap intake first")
    refused(run("probe", tmp_path / "job"), "run voidmap intake first")
    refused(run("verdict", tmp_path / "job"), "coat")


def test_a_file_is_no_job(tmp_path, bare_photo):
    refused(run("intake", bare_photo, bare_photo), "is a file, not a job folder")


def test_schema_is_json():
    assert json.loads(run("schema", "intake").stdout)["$id"] == "voidmap/intake/1"


def test_the_version_is_that_of_the_package():
    from importlib.metadata import version

    assert run("--version").stdout == f"voidmap {version('voidmap')}\n"
