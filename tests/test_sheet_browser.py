"""The job sheet in a real browser: offline, tapped, corrected, saved, taken back in, printed."""

import io
import json
import shutil
from pathlib import Path

import pypdf
import pytest
from report_jobs import intake

from voidmap.files import MEASURED, Job, write_bytes, write_json
from voidmap.records import Intake

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: the sheet is not tried in a browser"),
]
SIZES = {"phone": (390, 844), "desktop": (1280, 900)}
NASTY = "<script>document.title='owned'</script> \"quoted\" & 'more'"


def make_job(folder):
    from dataclasses import replace

    import cv2
    import numpy as np

    record = intake(photo="<img src=x onerror=alert(1)>.jpg")
    first = replace(record.defects[0], note=NASTY)
    record = replace(record, defects=(first, *record.defects[1:]), notes=(*record.notes, NASTY))
    job = Job(folder)
    job.write(record, name=MEASURED)
    job.write(record)
    wood = np.full((400, 1000, 3), (120, 165, 200), np.uint8)
    write_bytes(job.path("pictures/intake.jpg"), cv2.imencode(".jpg", wood)[1].tobytes())
    write_json(job.path("pictures/intake.frame.json"), {"x0_mm": -500.0, "y0_mm": -200.0, "mm_per_px": 1.0})
    return job


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(params=SIZES)
def opened(request, browser, tmp_path):
    """The sheet of a made-up job, open with the network off; any request, warning or error is kept."""
    from voidmap.job.sheet import write_sheet

    job = make_job(tmp_path / "desk")
    sheet = write_sheet(job.folder)
    wide, high = SIZES[request.param]
    context = browser.new_context(viewport={"width": wide, "height": high}, has_touch=True, offline=True)
    page = context.new_page()
    trouble = []
    page.on("console", lambda message: trouble.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("request", lambda r: trouble.append(r.url) if r.url.startswith(("http", "ws")) else None)
    page.goto(sheet.as_uri())
    yield job, page, trouble
    context.close()


def test_opens_quietly_and_shows_texts_as_text(opened):
    _, page, trouble = opened
    assert trouble == []
    assert page.title().startswith("desk")
    assert page.locator("body").inner_text().count("<script>document.title") >= 2
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1"), "no sideways scrolling"


def test_tap_correct_save_and_take_in(opened):
    from voidmap.job.correct import Typed, correct
    from voidmap.job.sheet import write_sheet

    job, page, trouble = opened
    page.locator('g.defect[data-id="D06"] path').first.dispatch_event("click")
    page.locator("#card").wait_for(state="visible")
    page.locator("#card [name=kind]").select_option("knot_hole")
    page.locator('#card [data-act="kind"]').click()
    page.locator('g.defect[data-id="D03"] path').first.dispatch_event("click")
    page.locator('#card [data-act="drop"]').click()
    page.locator('g.defect[data-id="D01"] path').first.dispatch_event("click")
    page.locator("#card [name=depth]").fill("18")
    page.locator('#card [data-act="depth"]').click()
    with page.expect_download() as download:
        page.locator("#save").click()
    saved = Path(download.value.path())
    assert json.loads(saved.read_text())["schema"] == "voidmap/corrections/1"
    record = correct(job.folder, saved, Typed())
    kinds = {d.id: d.kind.value for d in record.defects}
    assert kinds["D06"] == "knot_hole"
    assert "D03" not in kinds
    assert next(d for d in record.defects if d.id == "D01").depth.source == "probe"
    assert {d.id for d in job.read(Intake, name=MEASURED).defects} >= {"D03", "D06"}, "measured values stay"
    page.goto(write_sheet(job.folder).as_uri())
    assert "from you: kind" in page.locator('tr[data-id="D06"]').inner_text()
    assert page.locator('tr[data-id="D03"]').count() == 0
    assert trouble == []


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_prints_on_few_pages(opened, paper):
    _, page, _ = opened
    book = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    assert 1 <= len(book.pages) <= 6
    text = " ".join(p.extract_text() for p in book.pages)
    assert "How to photograph a slab" in text
    assert "Save corrections" not in text, "what only works on a screen is not printed"
