"""The job sheet as a page: opens offline and quietly, fits, prints, can be read by everybody, shows texts as text."""

import io
import re

import pypdf
import pytest
from coat_jobs import two_coats, write_coats
from conftest import SIZES
from report_jobs import defect, disc, intake
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.corrections.keep import frame_of
from voidmap.job.sheet import write_sheet
from voidmap.job.verdict import decide
from voidmap.records import Intake, Kind

pytestmark = pytest.mark.browser
NASTY = "</script><script>alert(1)</script> \"double\" 'single' & <b>bold</b>"
ORDER = ["slab", "prepare", "fill", "coats", "verdict", "assumed", "care", "record", "photos"]


def run(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    assert result.exit_code == 0, result.stderr
    return result


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """A whole job: map, plan, two coats, verdict, a few corrections."""
    job = a_job(tmp_path_factory.mktemp("sheet") / "desk")
    write_coats(job, two_coats(frame=frame_of(job.read(Intake))))
    run("correct", job.folder, "--kind", "D06=knot_hole", "--note", "D02=opens in winter", "--lint", "S005")
    run("fill", job.folder)
    decide(job.folder)
    write_sheet(job.folder)
    return job


@pytest.fixture
def sheet(job):
    return job.path("sheet.html")


@pytest.mark.parametrize("size", SIZES)
def test_sections_come_in_the_order_of_the_work_and_fit(opened, sheet, size):
    page = opened(sheet, size)
    assert page.evaluate("[...document.querySelectorAll('section')].map((s) => s.id)") == ORDER
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0, "a page that scrolls sideways is hard to use with one thumb"
    for name in ORDER:
        assert page.locator(f'nav a[href="#{name}"]').count() == 1


@pytest.mark.parametrize("size", SIZES)
def test_nothing_serious_stands_in_anybodys_way(opened, sheet, size):
    """Rules of axe-core (WCAG 2.2 A and AA among them), also with the cards open."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    page = opened(sheet, size)
    page.locator("tr[data-id=D01]").click()
    page.locator("#card [data-act=drop]").click()
    page.locator("#part-coat-2 [name=site]").select_option(index=1)
    page.locator("details").evaluate_all("all => all.forEach((d) => { d.open = true; })")
    found = axe.Axe().run(page).response
    assert found["passes"], "the rules were run"
    bad = [
        f"{v['id']} ({v['impact']}): {v['nodes'][0]['html'][:120]}"
        for v in found["violations"]
        if v["impact"] in ("serious", "critical")
    ]
    assert bad == []


@pytest.mark.parametrize(("paper", "inches"), [("Letter", (8.5, 11.0)), ("A4", (8.27, 11.69))])
def test_prints(opened, sheet, paper, inches):
    """Letter and A4: no page wasted, nothing that only works on a screen, nothing cut off at the side."""
    page = opened(sheet)
    book = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=False)))
    assert 4 <= len(book.pages) <= 9
    assert [float(v) / 72 for v in book.pages[0].mediabox[2:]] == pytest.approx(inches, abs=0.02)
    texts = [p.extract_text() for p in book.pages]
    assert all(len(text.strip()) > 40 for text in texts), "no empty page"
    whole = " ".join(texts)
    for words in ("Fill plan", "Record for the client", "How to photograph a slab", "Work safely"):
        assert words in whole
    for words in ("Save corrections", "Set depth", "Add a missed pinhole"):
        assert words not in whole
    page.emulate_media(media="print")
    page.set_viewport_size({"width": int(96 * (inches[0] - 2 * 14 / 25.4)), "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0


def test_the_record_prints_alone_without_costs(opened, job):
    resin = job.path("resin.toml")
    resin.write_text(re.sub(r"(?m)^# ?(containers_ml|price[^=]*) =", r"\1 =", resin.read_text()))
    run("sheet", job.folder, "--without-costs")
    page = opened(job.path("sheet.html"))
    page.evaluate("window.print = () => { window.printed = document.body.className; }")
    page.get_by_role("button", name="Print this record alone").click()
    assert page.evaluate("window.printed") == "record-alone"
    page.evaluate("document.body.classList.add('record-alone')")
    book = pypdf.PdfReader(io.BytesIO(page.pdf(format="Letter")))
    text = " ".join(p.extract_text() for p in book.pages)
    assert len(book.pages) == 1
    assert "Fill plan" not in text
    assert "cost" not in text.lower()
    for words in ("Slab mapped", "95 % intervals", "After coat 2", "Set by hand, not measured", "D06 kind"):
        assert words in text


def test_reads_well_in_grey(opened, sheet):
    """With all colour taken out, marks and their words still tell the states and kinds apart."""
    page = opened(sheet)
    dashes = page.evaluate(
        "[...document.querySelectorAll('#slab .legend line')].map((l) => l.getAttribute('stroke-dasharray') || '')"
    )
    assert len(set(dashes)) == len(dashes) >= 5
    shapes = page.evaluate(
        "[...document.querySelectorAll('#part-coat-2 .legend g')].map((g) => g.firstElementChild.tagName)"
    )
    assert len(set(shapes)) == len(shapes) >= 2


@pytest.mark.parametrize("size", SIZES)
def test_labels_can_be_read_do_not_meet_and_leave_the_wood_free(opened, sheet, size):
    page = opened(sheet, size)
    boxes = page.evaluate(
        """[...document.querySelectorAll('#map .tag')].filter((r) => r.getClientRects().length).map((r) => {
        const { left, right, top, bottom } = r.getBoundingClientRect(); return { left, right, top, bottom }; })"""
    )
    wood = page.evaluate(
        """(() => { const { left, right, top, bottom } = document.querySelector('#map image').getBoundingClientRect();
        return { left, right, top, bottom }; })()"""
    )

    def meet(a, b):
        return a["left"] < b["right"] and b["left"] < a["right"] and a["top"] < b["bottom"] and b["top"] < a["bottom"]

    assert len(boxes) == 7
    assert all(box["bottom"] - box["top"] >= 14 for box in boxes), "letters of 10 px at least"
    assert not any(meet(a, b) for k, a in enumerate(boxes) for b in boxes[:k])
    assert not any(meet(box, wood) for box in boxes)


def test_what_came_from_the_user_is_shown_as_such(opened, sheet):
    page = opened(sheet)
    assert "from you: kind" in page.locator("tr[data-id=D06]").inner_text()
    assert "opens in winter" in page.locator("tr[data-id=D02]").inner_text()
    assert "taken out: lint" in page.locator("#part-coat-2 .yours").inner_text()


def test_texts_of_the_user_are_shown_as_text(opened, tmp_path):
    record = intake(
        defects=(defect("D01", Kind.KNOT_HOLE, disc(-210, -40, 24), note=NASTY),), photo="<img src=x onerror=alert(3)>"
    )
    name = """<img src=x onerror=alert(2)> "top" 'A' & co"""
    job = a_job(tmp_path / name, record)
    first, second = two_coats()
    write_coats(job, (first, second))
    page = opened(write_sheet(job.folder))
    assert page.get_by_role("heading", level=1).inner_text() == name
    assert NASTY in page.locator("tr[data-id=D01]").inner_text()
    assert "<img src=x onerror=alert(3)>" in page.locator("#record").inner_text()
    page.locator("tr[data-id=D01]").click()
    assert page.get_by_label("Note").input_value() == NASTY
    assert page.locator("section b:text('bold'), h1 img, h3 img").count() == 0


def test_metric_alone_when_asked_for(opened, job):
    run("sheet", job.folder, "--units", "metric")
    text = opened(job.path("sheet.html")).locator("main").inner_text()
    table = text.split("Before mixing")[0]
    assert " in²" not in table
    assert "fl oz" not in table
    assert " mm²" in table
    run("sheet", job.folder)


def test_a_job_of_coats_alone_has_a_sheet(opened, tmp_path):
    from voidmap.files import Job

    job = Job(tmp_path / "coats")
    job.folder.mkdir()
    write_coats(job, two_coats())
    page = opened(write_sheet(job.folder))
    assert page.evaluate("[...document.querySelectorAll('section')].map((s) => s.id)") == [
        "coats",
        "care",
        "record",
        "photos",
    ]
    assert "voidmap verdict coats" in page.locator(".next").inner_text()
