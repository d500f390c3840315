"""The job sheet used by hand in a real browser: real taps at places on the slab, at phone and computer size."""

import json

import pytest
from conftest import SIZES
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.job.sheet import write_sheet
from voidmap.records import Intake, Kind

pytestmark = pytest.mark.browser
NASTY = "</script><script>alert(1)</script> \"double\" 'single' & <b>bold</b>"


def tap(page, x_mm, y_mm):
    """Tap a place on the slab."""
    x, y = page.evaluate(
        """([x, y]) => { const map = document.getElementById("map");
        map.scrollIntoView({ block: "center" });
        const at = new DOMPoint(x + 470, y + 170).matrixTransform(map.getScreenCTM());
        return [at.x, at.y]; }""",
        [x_mm, y_mm],
    )
    page.mouse.click(x, y)


def saved(page, place):
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save corrections.json").click()
    assert caught.value.suggested_filename == "corrections.json"
    caught.value.save_as(place)
    return place


def corrected(job, file):
    result = CliRunner().invoke(app, ["correct", str(job.folder), str(file)])
    assert result.exit_code == 0, result.stderr
    return {d.id: d for d in job.read(Intake).defects}


@pytest.mark.parametrize("size", SIZES)
def test_tap_a_defect_correct_it_save_and_see_the_change(opened, tmp_path, size):
    job = a_job(tmp_path / "desk")
    page = opened(write_sheet(job.folder), size)
    assert page.get_by_role("heading", level=1).inner_text() == "desk"
    assert page.locator("#card").is_hidden()
    tap(page, 20, -80)
    assert page.locator("#card .figures").inner_text().startswith("D04: bark void")
    page.locator("#card").get_by_label("Kind").select_option("knot_hole")
    page.get_by_role("button", name="Set kind").click()
    page.get_by_label("Greatest depth").fill("12,5 mm")
    page.get_by_role("button", name="Set depth").click()
    page.get_by_role("button", name="Not a defect").click()
    page.get_by_role("button", name="Undo").click()
    defects = corrected(job, saved(page, tmp_path / "corrections.json"))
    assert defects["D04"].kind is Kind.KNOT_HOLE
    assert defects["D04"].depth.source == "probe"
    assert [e.max_mm for e in defects["D04"].depth.estimates if e.source == "probe"] == [12.5]
    assert set(defects["D04"].from_user) == {"kind", "depth"}
    row = opened(write_sheet(job.folder), size).locator('tr[data-id="D04"]').inner_text()
    assert "knot hole" in row
    assert "from you: kind, depth" in row


def test_a_layer_can_be_hidden(opened, tmp_path):
    page = opened(write_sheet(a_job(tmp_path / "desk").folder))
    stain, crack = page.locator('.defect[data-id="D07"]'), page.locator('.defect[data-id="D02"]')
    page.get_by_label("flat things").uncheck()
    assert stain.is_hidden()
    assert crack.is_visible()


def test_a_note_comes_through_unharmed(opened, tmp_path):
    job = a_job(tmp_path / "desk")
    page = opened(write_sheet(job.folder))
    tap(page, -210, -40)
    page.get_by_label("Note").fill(NASTY)
    page.get_by_role("button", name="Set note").click()
    assert corrected(job, saved(page, tmp_path / "c.json"))["D01"].note == NASTY
    assert json.loads((tmp_path / "c.json").read_text())["schema"] == "voidmap/corrections/1"


def where(page, x_mm, y_mm):
    """The place on the screen of a place on the slab."""
    return page.evaluate(
        """([x, y]) => { const map = document.getElementById("map");
        const at = new DOMPoint(x + 470, y + 170).matrixTransform(map.getScreenCTM());
        return [at.x, at.y]; }""",
        [x_mm, y_mm],
    )


def bring(page, x_mm, y_mm):
    """Scroll a larger map so that a place on the slab stands in the middle of its view."""
    page.evaluate(
        """([x, y]) => { const map = document.getElementById("map"), view = document.getElementById("view");
        const at = new DOMPoint(x + 470, y + 170).matrixTransform(map.getScreenCTM());
        const box = view.getBoundingClientRect();
        view.scrollBy(at.x - box.left - box.width / 2, at.y - box.top - box.height / 2); }""",
        [x_mm, y_mm],
    )


@pytest.mark.parametrize("size", SIZES)
def test_one_that_was_missed_is_drawn(opened, tmp_path, size):
    job = a_job(tmp_path / "desk")
    page = opened(write_sheet(job.folder), size)
    page.get_by_role("button", name="Draw one that was missed").click()
    page.get_by_label("Kind of the new one").select_option("bark_void")
    done = page.get_by_role("button", name="Done")
    corners = [(250, 60), (330, 60), (330, 110), (250, 110)]
    for corner in [*corners, (0, 0)]:
        assert done.is_disabled() == (corner in corners[:3])
        tap(page, *corner)
    page.get_by_role("button", name="Take the last point away").click()
    done.click()
    drawn = corrected(job, saved(page, tmp_path / "c.json"))["U01"]
    assert drawn.kind is Kind.BARK_VOID
    assert drawn.area_mm2 == pytest.approx(80 * 50, rel=0.05), "a tap is good to a pixel of the screen"
    assert drawn.area_interval_mm2.lo < 80 * 50 < drawn.area_interval_mm2.hi
    assert drawn.volume_ml > 0


def test_an_outline_is_dragged_to_where_the_rim_is(opened, tmp_path):
    job = a_job(tmp_path / "desk")
    page = opened(write_sheet(job.folder))
    before = next(d for d in job.read(Intake).defects if d.id == "D02")
    tap(page, 120, 60)
    page.get_by_role("button", name="Redraw").click()
    assert page.get_by_label("Kind of the new one").is_hidden()
    tap(page, 120, 62)
    corner = max(before.outline_mm, key=lambda p: p[0] + p[1])
    for _ in range(3):
        page.get_by_role("button", name="Map larger").click()
    bring(page, *corner)
    page.mouse.move(*where(page, *corner))
    page.mouse.down()
    page.mouse.move(*where(page, corner[0] - 20, corner[1] - 12), steps=4)
    assert "crosses itself" in page.locator("#pen .say").inner_text()
    assert page.get_by_role("button", name="Done").is_disabled()
    page.mouse.move(*where(page, corner[0] + 20, corner[1] + 12), steps=4)
    page.mouse.up()
    page.get_by_role("button", name="Done").click()
    after = corrected(job, saved(page, tmp_path / "c.json"))["D02"]
    assert len(after.outline_mm) == len(before.outline_mm) + 1
    assert max(x for x, _ in after.outline_mm) == pytest.approx(corner[0] + 20, abs=2)
    assert after.area_mm2 > before.area_mm2 * 1.3
    assert "outline" in after.from_user


def test_redrawing_can_be_left_without_a_trace(opened, tmp_path):
    page = opened(write_sheet(a_job(tmp_path / "desk").folder))
    tap(page, 20, -80)
    page.get_by_role("button", name="Redraw").click()
    page.get_by_role("button", name="Leave as it was").click()
    assert page.locator("#tray").is_hidden()
    assert page.locator(".reach, .grip, .pen").count() == 0


def test_a_finger_beside_a_small_hole_finds_it(opened, tmp_path):
    page = opened(write_sheet(a_job(tmp_path / "desk").folder), "phone")
    page.locator('tr[data-id="D07"]').click()
    assert page.locator("#card .figures").inner_text().startswith("D07")
    assert page.evaluate("document.getElementById('card').getBoundingClientRect().top < innerHeight"), "it is in view"
    tap(page, 300 + 25, -90)
    assert page.locator("#card .figures").inner_text().startswith("D03")


def test_the_map_grows_for_a_thumb(opened, tmp_path):
    page = opened(write_sheet(a_job(tmp_path / "desk").folder), "phone")
    before = page.locator("#map").bounding_box()["width"]
    page.get_by_role("button", name="Map larger").click()
    assert page.locator("#map").bounding_box()["width"] == pytest.approx(2 * before, rel=0.01)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), "only the map scrolls"
