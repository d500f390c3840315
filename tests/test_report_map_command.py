"""``voidmap sheet --map``: files written by the command, read back by independent libraries."""

import csv
import io
import json
import re
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import ezdxf
import numpy as np
import pypdf
import pytest
from PIL import Image
from report_jobs import disc
from shapely.geometry import Polygon
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.records import Hidden, Intake, Interval, Kind
from voidmap.report.look import LOOKS, UNSEEN


def run(*arguments):
    return CliRunner().invoke(app, ["sheet", *(str(a) for a in arguments)])


@pytest.fixture
def job(tmp_path):
    return a_job(tmp_path / "desk")


def written(job, place, *more):
    result = run(job.folder, "--map", place, "--json", *more)
    assert result.exit_code == 0, result.stderr
    assert json.loads(result.stdout)["map"] == str(place)
    return place


def test_svg_and_dxf_files_hold_the_areas_of_the_record(job, tmp_path):
    """Areas by shapely (GEOS), the DXF parsed by ezdxf."""
    root = ET.parse(written(job, tmp_path / "map.svg")).getroot()
    paths = {p.get("id"): p.get("d") for p in root.iter("{http://www.w3.org/2000/svg}path")}
    lines = list(ezdxf.readfile(written(job, tmp_path / "map.dxf")).modelspace().query("POLYLINE"))
    for d in job.read(Intake).defects:
        points = [tuple(map(float, pair)) for pair in re.findall(r"(-?[\d.]+),(-?[\d.]+)", paths[d.id])]
        (line,) = [line for line in lines if line.dxf.layer == d.kind.value.upper()]
        assert line.is_closed
        corners = [(v.dxf.location.x, v.dxf.location.y) for v in line.vertices]
        assert [Polygon(points).area, Polygon(corners).area] == pytest.approx([d.area_mm2] * 2, rel=1e-3)


def test_png_shows_every_kind_in_its_colour(job, tmp_path):
    with Image.open(written(job, tmp_path / "map.png")) as image:
        pixels = np.asarray(image.convert("RGB")).astype(int)
    for d in job.read(Intake).defects:
        colour = [int(LOOKS[d.kind].colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert (np.abs(pixels - colour).max(axis=2) < 12).sum() > 100, d.id


def test_png_shows_what_may_lie_unseen_under_a_board(job, tmp_path):
    def places(name):
        with Image.open(written(job, tmp_path / name)) as image:
            pixels = np.asarray(image.convert("RGB")).astype(int)
        colour = [int(LOOKS[Kind.BARK_VOID].colour[k : k + 2], 16) for k in (1, 3, 5)]
        return (np.abs(pixels - colour).max(axis=2) < 12).sum()

    before, record = places("bare.png"), job.read(Intake)
    under = Hidden(0.4, 1.0, (disc(60.0, -80.0, 30.0),), 9.0, Interval(0.0, 40.0))
    cut = [replace(d, hidden=under) if d.kind is Kind.BARK_VOID else d for d in record.defects]
    job.write(replace(record, defects=tuple(cut)))
    assert places("cut.png") > before + 50
    assert UNSEEN.dash not in {look.dash for look in LOOKS.values()}


def test_csv_and_pdf_files(job, tmp_path):
    text = written(job, tmp_path / "map.csv").read_text()
    assert [row["id"] for row in csv.DictReader(io.StringIO(text))] == [d.id for d in job.read(Intake).defects]
    book = pypdf.PdfReader(written(job, tmp_path / "map.pdf", "--paper", "a4"))
    # A4 is 210 x 297 mm (ISO 216), a point is 1/72 in.
    assert sorted(float(v) for v in book.pages[0].mediabox[2:]) == pytest.approx([595.28, 841.89], abs=0.1)


def refused(result, *says):
    assert result.exit_code == 2, result.output
    (line,) = result.stderr.strip().splitlines()
    for words in says:
        assert words in line


def test_what_cannot_be_written_is_refused_in_a_sentence(job, tmp_path, monkeypatch):
    refused(run(job.folder, "--map", tmp_path / "map.stl"), "map.stl", ".svg", ".dxf")
    refused(run(job.folder, "--map", tmp_path / "map"), ".svg")
    refused(run(job.folder, "--map", tmp_path / "m.pdf", "--paper", "foolscap"), "foolscap", "letter")
    refused(run(tmp_path / "none", "--map", tmp_path / "m.svg"), "none")
    monkeypatch.setitem(sys.modules, "ezdxf", None)
    refused(run(job.folder, "--map", tmp_path / "map.dxf"), "ezdxf", "voidmap[dxf]")
    assert not list(tmp_path.glob("m*")), "nothing half-written"
