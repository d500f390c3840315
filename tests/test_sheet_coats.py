"""Coats in the sheet, used by hand: pinholes marked, two coats compared, the plan ticked off, all kept till saved."""

import pytest
from coat_jobs import two_coats, write_coats
from conftest import SIZES
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.corrections.keep import frame_of
from voidmap.job.sheet import write_sheet
from voidmap.job.verdict import decide
from voidmap.records import CoatRecord, Intake, Verdict

pytestmark = pytest.mark.browser


@pytest.fixture
def job(tmp_path):
    job = a_job(tmp_path / "desk")
    write_coats(job, two_coats(frame=frame_of(job.read(Intake))))
    decide(job.folder)
    return job


def tap(page, number, x_mm, y_mm):
    """Tap a place on a coat's picture."""
    x, y = page.evaluate(
        """([name, x, y]) => { const svg = document.getElementById(name);
        svg.scrollIntoView({ block: "center" });
        const at = new DOMPoint((x + 110) / 0.25, (y + 70) / 0.25).matrixTransform(svg.getScreenCTM());
        return [at.x, at.y]; }""",
        [f"coat-{number}", x_mm, y_mm],
    )
    page.mouse.click(x, y)


def saved(page, place):
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save corrections.json").click()
    caught.value.save_as(place)
    return place


@pytest.mark.parametrize("size", SIZES)
def test_lint_is_marked_and_a_missed_pinhole_added(opened, job, tmp_path, size):
    page = opened(write_sheet(job.folder), size)
    part = page.locator("#part-coat-2")
    tap(page, 2, 0.4, 40.3)
    assert part.locator(".spot-card .figures").inner_text().startswith("S005: 0.80 mm")
    part.get_by_role("button", name="Lint or dust").click()
    assert page.locator('#coat-2 .spot[data-site="S005"]').get_attribute("class").endswith("gone")
    part.get_by_role("button", name="Add a missed pinhole").click()
    part.get_by_label("Its diameter").fill("large")
    tap(page, 2, -30, -50)
    assert "unit" in part.locator(".adder .say").inner_text()
    part.get_by_label("Its diameter").fill("1/16 in")
    tap(page, 2, -30, -50)
    tap(page, 2, 60, -30)
    page.get_by_role("button", name="Undo").click()
    part.locator("[data-spot=done]").click()
    assert page.locator("#coat-2 .preview path").count() == 1
    before = job.read(Verdict)
    result = CliRunner().invoke(app, ["correct", str(job.folder), str(saved(page, tmp_path / "corrections.json"))])
    assert result.exit_code == 0, result.stderr
    after = job.read(CoatRecord, number=2)
    sites = {p.site: p for p in after.pinholes}
    assert "S005" not in sites
    (added,) = [p for p in after.pinholes if p.from_user]
    assert (added.x_mm, added.y_mm) == pytest.approx((-30, -50), abs=1.0)
    assert added.diameter_mm == pytest.approx(25.4 / 16, abs=0.001)
    assert job.read(Verdict).reasons != before.reasons
    shown = opened(write_sheet(job.folder), size).locator("#part-coat-2")
    assert "taken out: lint or dust" in shown.locator(".yours").inner_text()
    assert "diamond: set by you" in shown.locator(".legend").inner_text()


def test_a_pinhole_can_be_chosen_without_a_mouse(opened, job):
    page = opened(write_sheet(job.folder))
    page.locator("#part-coat-1 [name=site]").select_option("S003")
    assert page.locator("#part-coat-1 .spot-card .figures").inner_text().startswith("S003")
    assert "chosen" in page.locator('#coat-1 .spot[data-site="S003"]').get_attribute("class")


def test_corrections_outlive_a_reload_until_they_are_saved(opened, job, tmp_path):
    place = write_sheet(job.folder)
    page = opened(place)
    tap(page, 1, -50, -20)
    page.locator("#part-coat-1").get_by_role("button", name="Glare").click()
    page.reload()
    assert page.locator("#made").inner_text().startswith("1 correction, not saved yet")
    assert "gone" in page.locator('#coat-1 .spot[data-site="S001"]').get_attribute("class")
    saved(page, tmp_path / "c.json")
    assert "voidmap correct desk corrections.json" in page.locator("#made").inner_text()
    page.reload()
    assert page.locator("#tray").is_hidden()


def test_a_browser_without_storage_only_forgets(opened, browser, job):
    context = browser.new_context()
    context.add_init_script(
        "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } });"
    )
    page = opened(write_sheet(job.folder), context=context)
    tap(page, 1, -50, -20)
    page.locator("#part-coat-1").get_by_role("button", name="Lint").click()
    assert page.locator("#made").inner_text().startswith("1 correction")
    context.close()


@pytest.mark.parametrize("size", SIZES)
def test_two_coats_lie_in_register_under_a_slider(opened, job, size):
    page = opened(write_sheet(job.folder), size)
    box = page.locator("#compare")
    slider = box.get_by_role("slider")
    slider.focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    assert slider.input_value() == "55"
    picture = box.locator("svg").bounding_box()
    box.locator("svg").scroll_into_view_if_needed()
    picture = box.locator("svg").bounding_box()
    page.mouse.move(picture["x"] + 0.5 * picture["width"], picture["y"] + 40)
    page.mouse.down()
    page.mouse.move(picture["x"] + 0.25 * picture["width"], picture["y"] + 40, steps=3)
    page.mouse.up()
    assert int(slider.input_value()) == pytest.approx(25, abs=1)
    width = float(box.locator("clipPath rect").get_attribute("width"))
    assert width == pytest.approx(0.25 * 880, abs=9)
    box.get_by_label("Before").select_option("intake")
    # The slab's picture has 1 mm pixels from (-470, -170), the coat's 0.25 mm ones from (-110, -70).
    laid = box.locator("g use").get_attribute("transform")
    assert laid == "translate(-1440 -400) scale(4)"


def swipe(page, start, end):
    """Put a finger down at one place on the screen, draw it to another, and lift it."""
    touch = page.context.new_cdp_session(page)
    for kind, x, y in [
        ("touchStart", *start),
        *(("touchMove", *(a + (b - a) * k / 6 for a, b in zip(start, end, strict=True))) for k in range(1, 7)),
    ]:
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_a_finger_moves_the_slider_and_a_point_of_an_outline(opened, job):
    page = opened(write_sheet(job.folder), "phone")
    picture = page.locator("#compare svg")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    y = box["y"] + box["height"] / 2
    swipe(page, (box["x"] + 0.5 * box["width"], y), (box["x"] + 0.8 * box["width"], y))
    assert int(page.locator("#compare").get_by_role("slider").input_value()) == pytest.approx(80, abs=2)
    page.locator("tr[data-id=D04]").click()
    page.get_by_role("button", name="Redraw").click()
    before = page.locator("#map .pen").get_attribute("d")
    grip = page.locator(".reach").first.bounding_box()
    x, y = grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2
    swipe(page, (x, y), (x + 40, y + 10))
    after = page.locator("#map .pen").get_attribute("d")
    assert after != before
    moved = page.locator(".reach").first.bounding_box()
    assert moved["x"] + moved["width"] / 2 == pytest.approx(x + 40, abs=3)
    page.get_by_role("button", name="Done").click()
    page.locator('.defect[data-id="D03"] .tag >> visible=true').click()
    assert page.locator("#card .figures").inner_text().startswith("D03"), "the next tap counts"


def test_the_plan_is_ticked_off_and_stays_so(opened, job):
    assert CliRunner().invoke(app, ["fill", str(job.folder)]).exit_code == 0
    page = opened(write_sheet(job.folder))
    batch = page.locator(".steps .pour input").first
    batch.check()
    assert page.locator("[data-count=fill]").inner_text().startswith("1 of ")
    page.reload()
    assert page.locator(".steps .pour input").first.is_checked()
    assert page.locator(".steps .wait input").count() == 0, "a wait is nothing to tick"
    assert "lift 1" in page.locator(".steps .pour").first.inner_text()
    assert page.locator(".chart.line rect").count() >= 5


TYPED = [
    ("3/8 in", 9.525),
    ("1 1/2 in", 38.1),
    ('1-1/2"', 38.1),
    ("1½ in", 38.1),
    ("½”", 12.7),
    ("12 mm", 12.0),
    ("12,5mm", 12.5),
    ("1.2cm", 12.0),
    (".5 in", 12.7),
    ("12", None),
    ("3/0 in", None),
    ("in", None),
    ("-4 mm", None),
    ("2 in in", None),
]


def test_depths_are_read_as_they_are_said(opened, job):
    page = opened(write_sheet(job.folder))
    page.locator("tr[data-id=D01]").click()
    for typed, mm in TYPED:
        page.get_by_label("Greatest depth").fill(typed)
        page.get_by_role("button", name="Set depth").click()
        said = page.locator("#card .say").inner_text()
        assert ("unit" if mm is None else f"({mm:g} mm)") in said, typed
    assert page.locator("#made").inner_text().startswith(f"{sum(mm is not None for _, mm in TYPED)} corrections")
    page.get_by_label("Greatest depth").fill("2 in")
    page.get_by_role("button", name="Set depth").click()
    assert "only 45 mm thick" in page.locator("#card .say").inner_text()
