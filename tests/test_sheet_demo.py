"""The demo's own sheet: small enough to send, quickly there, and through the whole round of correcting."""

import io
import shutil

import pypdf
import pytest
from conftest import SIZES
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.files import Job
from voidmap.records import Intake, Kind

MOST_MB = 12
FIRST_VIEW_S = 2.0
PAINTED = "performance.getEntriesByName('first-contentful-paint')"

pytestmark = [pytest.mark.slow, pytest.mark.browser]


def run(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.stderr
    return result.stdout


@pytest.mark.parametrize("size", SIZES)
def test_it_is_small_quickly_there_and_open_to_everybody(opened, demo_job, size):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    place = demo_job / "sheet.html"
    assert place.stat().st_size <= MOST_MB * 1e6
    page = opened(place, size)
    page.wait_for_function(f"{PAINTED}.length > 0")  # loaded may come before painted
    painted_ms = page.evaluate(f"{PAINTED}[0].startTime")
    assert painted_ms < 1000 * FIRST_VIEW_S
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    for name in ("slab", "fill", "coats", "verdict", "record"):
        assert page.locator(f"#{name}").count() == 1
    bad = [v["id"] for v in axe.Axe().run(page).response["violations"] if v["impact"] in ("serious", "critical")]
    assert bad == []


@pytest.mark.parametrize("size", SIZES)
def test_it_is_corrected_saved_taken_in_and_shown(opened, demo_job, tmp_path, size):
    job = Job(tmp_path / "desk")
    shutil.copytree(demo_job, job.folder)
    run("sheet", job.folder)
    first = next(d for d in job.read(Intake).defects if d.is_void)
    page = opened(job.path("sheet.html"), size)
    page.locator(f'.defect[data-id="{first.id}"] .tag >> visible=true').click()
    assert page.locator("#card .figures").inner_text().startswith(f"{first.id}: ")
    page.locator("#card").get_by_label("Kind").select_option("knot_hole" if first.kind != Kind.KNOT_HOLE else "crack")
    page.get_by_role("button", name="Set kind").click()
    page.get_by_role("button", name="Redraw").click()
    drag_outward(page)
    page.get_by_role("button", name="Done").click()
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save corrections.json").click()
    caught.value.save_as(tmp_path / "corrections.json")
    said = run("correct", job.folder, tmp_path / "corrections.json")
    assert "Worked out again: map, fill plan, verdict." in said
    after = next(d for d in job.read(Intake).defects if d.id == first.id)
    assert set(after.from_user) >= {"kind", "outline"}
    assert after.kind != first.kind
    assert after.area_mm2 != first.area_mm2
    run("sheet", job.folder)
    page = opened(job.path("sheet.html"), size)
    assert "from you: kind, outline" in page.locator(f'tr[data-id="{first.id}"]').inner_text()
    assert f"{first.id} kind, outline" in page.locator("#record").inner_text()


def drag_outward(page):
    """Pull the grip that lies farthest up 8 px up: away from a void's middle no side is crossed."""
    boxes = [grip.bounding_box() for grip in page.locator(".reach").all()]
    box = min(boxes, key=lambda b: b["y"])
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 8, steps=4)
    page.mouse.up()


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_it_prints_on_few_pages(opened, demo_job, paper):
    page = opened(demo_job / "sheet.html")
    book = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    assert 6 <= len(book.pages) <= 10
