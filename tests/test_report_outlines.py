"""The map for other programs, read back by independent libraries (shapely, ezdxf, pypdf)."""

import csv
import io
import re
import xml.etree.ElementTree as ET

import ezdxf
import pypdf
import pytest
from report_jobs import defect, disc, intake
from shapely.geometry import Polygon

from voidmap.errors import ValueRefused
from voidmap.records import Kind
from voidmap.report.outlines import map_csv, map_dxf, map_svg_mm
from voidmap.report.tiles import CHECK_BAR_MM, PAPERS_MM, map_pdf, plan_pages

SVG = "{http://www.w3.org/2000/svg}"
PT_PER_MM = 72 / 25.4


def test_svg_areas_read_back_by_shapely():
    record = intake()
    root = ET.fromstring(map_svg_mm(record))
    box = [float(v) for v in root.get("viewBox").split()]
    assert root.get("width") == f"{box[2]:.3f}mm", "one user unit is one millimetre"
    paths = {p.get("id"): p.get("d") for p in root.iter(f"{SVG}path") if p.get("id")}
    for d in record.defects:
        points = [tuple(map(float, pair.split(","))) for pair in paths[d.id].strip("MZ").split("L")]
        assert Polygon(points).area == pytest.approx(d.area_mm2, rel=1e-3)


def test_dxf_areas_and_layers_read_back_by_ezdxf():
    record = intake()
    drawing = ezdxf.read(io.StringIO(map_dxf(record)))
    assert drawing.acad_release == "R12"
    lines = list(drawing.modelspace().query("POLYLINE"))
    assert all(line.is_closed for line in lines)
    for d in record.defects:
        of_kind = [line for line in lines if line.dxf.layer == d.kind.value.upper()]
        areas = [Polygon([(v.dxf.location.x, v.dxf.location.y) for v in line.vertices]).area for line in of_kind]
        assert areas == pytest.approx([d.area_mm2], rel=1e-3)
    slab = next(line for line in lines if line.dxf.layer == "SLAB")
    ys = [v.dxf.location.y for v in slab.vertices]
    assert max(ys) == pytest.approx(150.0), "y runs up in DXF: the slab's upper edge (y = -150) is on top"


def test_csv_has_a_row_a_defect_and_no_formula():
    text = map_csv(intake(defects=(defect("D01", Kind.HOLE, disc(0, 0, 3), note="=1+1"),)))
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["id"] == "D01"
    assert row["note"] == "'=1+1"
    assert row["length_lo_mm"] == row["width_max_hi_mm"] == ""
    assert float(row["depth_mean_lo_mm"]) < float(row["depth_mean_mm"]) < float(row["depth_mean_hi_mm"])


def polylines_mm(page):
    """All stroked polylines of a PDF page, mm from its lower left corner."""
    found, now = [], []
    for a, b, op in re.findall(r"(-?[\d.]+) (-?[\d.]+) ([ml])\b", page.get_contents().get_data().decode("latin-1")):
        if op == "m":
            now = []
            found.append(now)
        now.append((float(a) / PT_PER_MM, float(b) / PT_PER_MM))
    return found


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pdf_is_true_to_a_tenth_of_a_millimetre(paper):
    record = intake()
    sheet, pages = plan_pages(record, paper)
    book = pypdf.PdfReader(io.BytesIO(map_pdf(record, paper=paper)))
    assert len(book.pages) == len(pages)
    knot = record.defects[0]
    measured = 0
    for page, plan in zip(book.pages, pages, strict=True):
        assert float(page.mediabox.width) / PT_PER_MM == pytest.approx(sheet[0], abs=0.01)
        assert float(page.mediabox.height) / PT_PER_MM == pytest.approx(sheet[1], abs=0.01)
        lines = polylines_mm(page)
        bars = [line for line in lines if len(line) == 2 and line[0][1] == line[1][1]]
        assert any(abs(b[1][0] - b[0][0] - CHECK_BAR_MM) < 0.1 for b in bars)
        inside = all(
            plan.x0_mm < x < plan.x0_mm + plan.wide_mm and plan.y0_mm < y < plan.y0_mm + plan.high_mm
            for x, y in knot.outline_mm
        )
        if inside:
            shape = next(line for line in lines if len(line) == len(knot.outline_mm) + 1)
            for (px, py), (x, y) in zip(shape, knot.outline_mm, strict=False):
                assert px == pytest.approx(12 + x - plan.x0_mm, abs=0.1)
                assert sheet[1] - py == pytest.approx(12 + y - plan.y0_mm, abs=0.1)
            measured += 1
    assert measured


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_every_point_of_the_slab_is_on_a_page_and_neighbours_share_marks(paper):
    record = intake()
    _, pages = plan_pages(record, paper)
    for x, y in record.slab.outline_mm:
        assert any(p.x0_mm <= x <= p.x0_mm + p.wide_mm and p.y0_mm <= y <= p.y0_mm + p.high_mm for p in pages)
    first, second = pages[0], pages[1]
    assert first.x0_mm + first.wide_mm - 5 == pytest.approx(second.x0_mm + 5), "marks sit mid-overlap on both"


def test_unknown_paper_is_refused():
    with pytest.raises(ValueRefused, match="letter"):
        plan_pages(intake(), "foolscap")
