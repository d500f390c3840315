"""Shared by test files: a real browser for the job sheet, and one run of the demo."""

import json
import shutil
from pathlib import Path

import pytest

SIZES = {
    "phone": {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True},
    "computer": {"viewport": {"width": 1280, "height": 900}},
}


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium; tests that ask for it are skipped where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="the playwright package is not installed")
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        pytest.skip("there is no Chromium on this machine (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser):
    """Open sheets offline; at the end, nothing may have been said on the console, asked for, or have sprung up."""
    contexts, said = [], []

    def open_sheet(place, size="computer", context=None):
        if context is None:
            context = browser.new_context(accept_downloads=True, **SIZES[size])
            context.set_offline(True)
            contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda box: (said.append(box.message), box.dismiss()))
        page.on("request", lambda r: r.url.startswith(("file:", "data:", "blob:")) or said.append(r.url))
        page.goto(place.resolve().as_uri())
        return page

    yield open_sheet
    for context in contexts:
        context.close()
    assert said == []


@pytest.fixture(scope="session")
def demo_job(tmp_path_factory):
    """The demo's job folder, as ``voidmap demo`` leaves it; its photos were only read."""
    from typer.testing import CliRunner

    from voidmap.cli import app
    from voidmap.job.demo import PHOTOS

    folder = tmp_path_factory.mktemp("demo") / "desk"
    before = {path.name: path.read_bytes() for path in PHOTOS.glob("*.jpg")}
    result = CliRunner().invoke(app, ["demo", "--out", str(folder), "--json"])
    assert result.exit_code == 0, result.stderr
    said = json.loads(result.stdout)
    assert Path(said["sheet"]).is_file()
    assert {path.name: path.read_bytes() for path in PHOTOS.glob("*.jpg")} == before, "photos are read-only"
    return folder
