"""The page on how to photograph a slab: one printed page on each paper, and drawings that are well formed."""

import xml.etree.ElementTree as ET

import pypdf
import pytest
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.report.guide import SIZE, STEPS, guide_figure, guide_html
from voidmap.report.pen import Stroke, Word

TOPICS = ("flat", "check bars", "Level", "150 to 400 mm", "overlap", "lamp on the other side")


# Paper sizes in points: US Letter 8.5 x 11 in, A4 210 x 297 mm (ISO 216).
@pytest.mark.parametrize(("paper", "size"), [("letter", (612.0, 792.0)), ("a4", (595.28, 841.89))])
def test_it_is_one_page_that_says_all(tmp_path, paper, size):
    place = tmp_path / "guide.pdf"
    result = CliRunner().invoke(app, ["guide", "--paper", paper, "--out", str(place)])
    assert result.exit_code == 0, result.stderr
    (page,) = pypdf.PdfReader(place).pages
    assert [float(v) for v in page.mediabox[2:]] == pytest.approx(size, abs=0.5)
    text = " ".join(page.extract_text().split())
    for topic in TOPICS:
        assert topic in text


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_words_stay_on_the_page_and_apart(paper):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = guide_figure(paper)
    look = FigureCanvasAgg(figure).get_renderer()
    boxes = [text.get_window_extent(look) for text in figure.axes[0].texts]
    margin = 5 / 25.4 * figure.dpi  # what a printer can't reach
    for k, box in enumerate(boxes):
        assert margin <= box.x0 < box.x1 <= figure.bbox.width - margin
        assert margin <= box.y0 < box.y1 <= figure.bbox.height - margin
        assert not any(box.overlaps(other) for other in boxes[:k])


@pytest.mark.parametrize("step", STEPS, ids=lambda s: s.head)
def test_drawings_stay_in_their_frame(step):
    for item in step.drawing:
        points = item.points if isinstance(item, Stroke) else (item.at,)
        assert all(-2 <= x <= SIZE[0] + 2 and -2 <= y <= SIZE[1] + 2 for x, y in points)
        assert not isinstance(item, Word) or item.size >= 2.8, "letters that can be read on paper"


def test_the_sheet_holds_the_same_drawings():
    root = ET.fromstring(f"<div>{guide_html()}</div>")
    drawings = root.findall(".//svg")
    assert len(drawings) == len(STEPS)
    assert all(d.get("aria-label") for d in drawings)


def test_other_paper_is_refused(tmp_path):
    result = CliRunner().invoke(app, ["guide", "--paper", "foolscap", "--out", str(tmp_path / "g.pdf")])
    assert result.exit_code == 2
    assert "foolscap" in result.stderr
    assert not list(tmp_path.iterdir())
