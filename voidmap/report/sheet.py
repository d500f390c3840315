"""The job sheet: one self-contained HTML page, in the order of the work; every text from outside is escaped."""

from __future__ import annotations

import hashlib
import json
from html import escape
from importlib.resources import files as package_files
from typing import Any

from voidmap import shown
from voidmap.corrections import place_in
from voidmap.corrections.keep import frame_of
from voidmap.corrections.shape import thinned
from voidmap.records import CoatRecord, Defect, Outline
from voidmap.report.guide import TITLE, guide_html
from voidmap.report.look import DECISIONS
from voidmap.report.nouns import CloseUp, Frame, Picture, Sheet
from voidmap.report.parts.bits import with_options
from voidmap.report.parts.closing import care_part, record_part, verdict_part
from voidmap.report.parts.coats import coats_part, spot_words
from voidmap.report.parts.plan import assumed_part, fill_part, prepare_part
from voidmap.report.parts.slab import figures_of, slab_part

__all__ = ["CloseUp", "Frame", "Picture", "Sheet", "sheet_html"]

DRAWN_TOLERANCE_MM = 0.4
"""An outline to drag keeps this close to the measured one: below what a finger can place, with few points."""
STYLES = ("sheet.css", "print.css")
SCRIPTS = ("base.js", "map.js", "coats.js", "plan.js")


def sheet_html(sheet: Sheet) -> str:
    """Return the page."""
    sections = [
        ("slab", "The slab at intake", slab_part(sheet)),
        ("prepare", "Before mixing", prepare_part(sheet.plan)),
        ("fill", "Fill plan", fill_part(sheet)),
        ("coats", "Coats", coats_part(sheet)),
        ("verdict", "What to do after this coat", verdict_part(sheet.verdict)),
        ("assumed", "What is assumed", assumed_part(sheet)),
        ("care", "Work safely", care_part(sheet.plan)),
        ("record", "Record for the client", record_part(sheet)),
        ("photos", TITLE, guide_html()),
    ]
    there = [(name, title, body) for name, title, body in sections if body]
    links = "".join(f'<a href="#{name}">{title}</a>' for name, title, _ in there)
    bodies = "".join(f'<section id="{name}"><h2>{title}</h2>{body}</section>' for name, title, body in there)
    style = "".join(map(_page_file, STYLES))
    script = "".join(map(_page_file, SCRIPTS))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(sheet.title)}: job sheet</title><style>{style}</style></head>"
        f'<body><header><h1>{escape(sheet.title)}</h1>{_lead(sheet)}<nav aria-label="Sections">{links}</nav></header>'
        f'<main>{bodies}</main>{_tray()}<footer><p class="dim"><small>Intervals are 95 % intervals unless they say '
        "otherwise. Makers' data sheets, local codes and licensed practice come before this sheet.</small></p></footer>"
        f'<script type="application/json" id="facts">{_facts(sheet)}</script>'
        f'<script>(() => {{ "use strict";\n{script}\n}})();</script></body></html>'
    )


def _page_file(name: str) -> str:
    return package_files("voidmap.report").joinpath("page", name).read_text(encoding="utf-8")


def _lead(sheet: Sheet) -> str:
    words = []
    if sheet.intake is not None:
        words.append(f"{shown.voids_hold(sheet.intake.totals)}.")
    if sheet.verdict is not None:
        words.append(f"After coat {sheet.verdict.coat}: {DECISIONS[sheet.verdict.decision].lower()}.")
    step = f'<p class="next"><b>Next:</b> {with_options(sheet.next_step)}</p>' if sheet.next_step else ""
    return f'<p class="lead">{escape(" ".join(words))}</p>{step}'


def _tray() -> str:
    return (
        '<div id="tray" hidden><p id="made" role="status"></p><div class="row">'
        '<button id="undo" type="button">Undo</button>'
        '<button id="save" type="button" class="main">Save corrections.json</button></div></div>'
    )


def _facts(sheet: Sheet) -> str:
    """Return what the page's script needs; ``<`` is escaped so that no text can end the script."""
    frames: list[dict[str, Any]] = []
    slab = _slab_facts(sheet, frames)
    coats = [
        _coat_facts(record, picture.frame, frames)
        for record, picture in zip(sheet.coats, sheet.coat_pictures, strict=True)
        if picture is not None
    ]
    pictures = [{"name": name, **_frame(picture.frame)} for name, _, picture in sheet.pictures]
    facts = {"job": sheet.title, "frames": frames, "slab": slab, "coats": coats, "pictures": pictures}
    # What is not saved yet is kept by the page under this stamp: it ends with the state of the job that it is about.
    stamp = hashlib.sha256(json.dumps(facts).encode()).hexdigest()[:12]
    return json.dumps({**facts, "stamp": stamp}).replace("<", "\\u003c")


def _slab_facts(sheet: Sheet, frames: list[dict[str, Any]]) -> dict[str, Any] | None:
    intake = sheet.intake
    if intake is None or sheet.map is None:
        return None
    return {
        "frame": _frame(sheet.map.frame),
        "frame_number": _number(frames, frame_of(intake), [place_in(d) for d in intake.defects]),
        "thickness_mm": intake.slab.thickness_mm,
        "defects": [_defect_facts(d) for d in intake.defects],
    }


def _defect_facts(d: Defect) -> dict[str, Any]:
    return {
        "id": d.id,
        "kind": d.kind,
        "place_mm": place_in(d),
        "note": d.note,
        "through": d.through,
        "figures": figures_of(d),
        "outline_mm": _few_points(d),
    }


def _few_points(defect: Defect) -> Outline:
    few = thinned(defect.outline_mm, DRAWN_TOLERANCE_MM)
    return few if len(few) >= 3 else defect.outline_mm


def _coat_facts(record: CoatRecord, frame: Frame, frames: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "number": record.number,
        "frame": _frame(frame),
        "frame_number": _number(frames, record.frame_outline_mm, []),
        "pinholes": [{"site": p.site, "place_mm": (p.x_mm, p.y_mm), "words": spot_words(p)} for p in record.pinholes],
    }


def _frame(frame: Frame) -> dict[str, Any]:
    return {
        "width_px": frame.width_px,
        "height_px": frame.height_px,
        "x0_mm": frame.x0_mm,
        "y0_mm": frame.y0_mm,
        "mm_per_px": frame.mm_per_px,
    }


def _number(frames: list[dict[str, Any]], outline: Outline, marks: list[Any]) -> int:
    """Return the number of a frame, known by the slab's outline in it; a new one is added."""
    for number, known in enumerate(frames):
        if known["slab_outline_mm"] == outline:
            return number
    frames.append({"slab_outline_mm": outline, "marks_mm": marks})
    return len(frames) - 1
