"""The job sheet: one self-contained HTML page, in the order of the work; every text from outside is escaped."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files as package_files

from voidmap import units
from voidmap.fill.text import amount, grouped_methods, grouped_preparation, pour_in_words
from voidmap.records import CoatRecord, Defect, FillPlan, Intake, Interval, Kind, Outline, Verdict
from voidmap.report.drawing import Frame, coat_svg, counts_svg, map_svg, power_svg
from voidmap.report.look import DECISIONS, GUIDE, LOOKS


@dataclass(frozen=True)
class Picture:
    """A square-on picture of the job: its data URI and its frame."""

    uri: str
    frame: Frame


@dataclass(frozen=True)
class CloseUp:
    """A site through the coats: its number and one small picture (data URI) a coat, with a word for each."""

    site: str
    uris: tuple[str, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """All that a job sheet shows; what is not there yet is None or empty."""

    title: str
    intake: Intake | None
    map: Picture | None
    plan: FillPlan | None
    coats: tuple[CoatRecord, ...]
    coat_pictures: tuple[Picture | None, ...]
    verdict: Verdict | None
    close_ups: tuple[CloseUp, ...] = ()
    costs: bool = True


def sheet_html(sheet: Sheet) -> str:
    """Return the page."""
    sections = [
        ("slab", "The slab at intake", _slab(sheet)),
        ("prepare", "Before mixing", _prepare(sheet.plan)),
        ("fill", "Fill plan", _fill(sheet)),
        ("coats", "Coats", _coats(sheet)),
        ("verdict", "What to do next", _verdict(sheet.verdict)),
        ("assumed", "What is assumed", _assumed(sheet)),
        ("record", "Record for the client", _record(sheet)),
        ("care", "Work safely", _care(sheet.plan)),
        ("photos", "How to photograph a slab", f"<ol>{''.join(f'<li>{escape(line)}</li>' for line in GUIDE)}</ol>"),
    ]
    shown = [(name, title, body) for name, title, body in sections if body]
    links = "".join(f'<a href="#{name}">{title}</a>' for name, title, _ in shown)
    bodies = "".join(f'<section id="{name}"><h2>{title}</h2>{body}</section>' for name, title, body in shown)
    head = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(sheet.title)}: job sheet</title><style>{_part('sheet.css')}</style></head>"
    )
    return (
        f"{head}<body><header><h1>{escape(sheet.title)}</h1>{_lead(sheet)}<nav>{links}</nav></header>"
        f'<main>{bodies}</main><footer><p class="dim"><small>Intervals are 95 % intervals unless they say otherwise. '
        "Makers' data sheets, local codes and licensed practice come before this sheet.</small></p></footer>"
        f'<script type="application/json" id="facts">{_facts(sheet)}</script>'
        f"<script>{_part('sheet.js')}</script></body></html>"
    )


def _part(name: str) -> str:
    return package_files("voidmap.report").joinpath(name).read_text(encoding="utf-8")


DRAWN_TOLERANCE_MM = 0.4
"""An outline to drag keeps this close to the measured one: below what a finger can place, with few points."""


def _facts(sheet: Sheet) -> str:
    """Return what the page's script needs; ``<`` is escaped so that no text can end the script."""
    intake = sheet.intake
    if intake is None or sheet.map is None:
        return "{}"
    from voidmap.corrections import place_in
    from voidmap.corrections.keep import frame_of

    frame = sheet.map.frame
    facts = {
        "slab_outline_mm": frame_of(intake),
        "frame": {"x0_mm": frame.x0_mm, "y0_mm": frame.y0_mm, "mm_per_px": frame.mm_per_px},
        "marks_mm": [place_in(d) for d in intake.defects],
        "defects": [
            {
                "id": d.id,
                "kind": d.kind,
                "place_mm": place_in(d),
                "note": d.note,
                "figures": _figures(d),
                "outline_mm": _few_points(d),
            }
            for d in intake.defects
        ],
    }
    return json.dumps(facts).replace("<", "\\u003c")


def _few_points(defect: Defect) -> Outline:
    from voidmap.corrections.shape import thinned

    few = thinned(defect.outline_mm, DRAWN_TOLERANCE_MM)
    return few if len(few) >= 3 else defect.outline_mm


def _lead(sheet: Sheet) -> str:
    words = []
    if sheet.intake is not None:
        totals = sheet.intake.totals
        words.append(f"{totals.void_count} voids that hold {_volume(totals.volume_ml, totals.volume_interval_ml)}.")
    if sheet.verdict is not None:
        words.append(f"After coat {sheet.verdict.coat}: {DECISIONS[sheet.verdict.decision].lower()}.")
    return f'<p class="lead">{escape(" ".join(words))}</p>'


def _slab(sheet: Sheet) -> str:
    intake = sheet.intake
    if intake is None:
        return ""
    slab = intake.slab
    lo, hi = slab.area_interval_mm2
    thick = f", {units.shop_length(slab.thickness_mm)} ({slab.thickness_mm:g} mm) thick" if slab.thickness_mm else ""
    facts = (
        f"<p>Top {units.shop_area(slab.area_mm2)} ({slab.area_mm2 / 1e6:.3f} m², {lo / 1e6:.3f} to {hi / 1e6:.3f}), "
        f"edge {units.shop_length(slab.edge_mm)} ({slab.edge_mm:.0f} mm){thick}. Lengths across it hold to "
        f"±{intake.scale.length_interval_rel:.2%}.</p>"
    )
    picture = map_svg(intake, sheet.map.frame, sheet.map.uri) if sheet.map else ""
    tools = (
        '<p class="tools"><label class="switch"><input type="checkbox" data-layer="void" checked> voids</label>'
        '<label class="switch"><input type="checkbox" data-layer="flat" checked> flat things</label>'
        '<button type="button" class="zoom" data-zoom="0.5" aria-label="Smaller">−</button> '
        '<button type="button" class="zoom" data-zoom="2" aria-label="Larger">+</button></p>'
    )
    head = "<tr><th>id</th><th>what</th><th>area</th><th>long</th><th>wide</th><th>deep (mean)</th><th>holds</th></tr>"
    rows = "".join(_row(d) for d in intake.defects)
    picture = f'<div id="view" class="view">{picture}</div>' if picture else ""
    table = f'<div class="wide"><table class="figures">{head}{rows}</table></div>'
    return f"{facts}{tools}{picture}{_legend(intake)}{_card()}{table}"


def _row(d: Defect) -> str:
    deep = f"{d.depth.mean_mm:.1f} mm ({escape(d.depth.source)})" if d.depth else ""
    holds = _volume(d.volume_ml, d.volume_interval_ml) if d.is_void else "flat"
    marks = "".join((", opens on the edge" if d.opens_on_edge else "", ", goes through" if d.through else ""))
    user = f" <small>from you: {escape(', '.join(d.from_user))}</small>" if d.from_user else ""
    note = f"<br><small>{escape(d.note)}</small>" if d.note else ""
    chance = f" ({d.void_probability:.0%} void)" if 0.05 < d.void_probability < 0.95 else ""
    return (
        f'<tr data-id="{escape(d.id)}"><td>{escape(d.id)}</td>'
        f'<td class="words">{LOOKS[d.kind].word}{chance}{marks}{user}{note}</td>'
        f"<td>{d.area_mm2:.0f} mm²</td><td>{d.length_mm:.0f} mm</td><td>{d.width_mean_mm:.1f} mm</td>"
        f"<td>{deep}</td><td>{holds}</td></tr>"
    )


def _figures(d: Defect) -> str:
    lo, hi = d.area_interval_mm2
    words = [f"{LOOKS[d.kind].word}, {d.area_mm2:.0f} mm² ({lo:.0f} to {hi:.0f}), {d.length_mm:.0f} mm long"]
    if d.depth is not None:
        low, high = d.depth.mean_interval_mm
        words.append(f"mean depth {d.depth.mean_mm:.1f} mm ({low:.1f} to {high:.1f}, {d.depth.source})")
        words.append(f"holds {_volume(d.volume_ml, d.volume_interval_ml)}")
    words.append(f"void with a chance of {d.void_probability:.0%}")
    return "; ".join(words)


def _legend(intake: Intake) -> str:
    keys = []
    for kind in dict.fromkeys(d.kind for d in intake.defects):
        look = LOOKS[kind]
        dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
        line = f'<line x1="0" y1="6" x2="44" y2="6" stroke="{look.colour}" stroke-width="4"{dash}/>'
        keys.append(f'<span class="key"><svg width="44" height="12" aria-hidden="true">{line}</svg>{look.word}</span>')
    return f'<p class="legend">{"".join(keys)}</p>'


def _card() -> str:
    kinds = "".join(f'<option value="{kind.value}">{LOOKS[kind].word}</option>' for kind in Kind)
    return (
        '<p class="tools">Tap a defect to see its figures and put right what is wrong. Corrections: <span id="made">'
        'none yet</span> <button id="undo" type="button" data-needs-made disabled>Undo</button> '
        '<button id="add" type="button">Draw one that was missed</button> '
        '<button id="save" type="button" class="main" data-needs-made disabled>Save corrections.json</button></p>'
        '<div id="card" hidden><p class="figures" aria-live="polite"></p>'
        '<div class="row"><label>Kind<select name="kind">'
        f'{kinds}</select></label><button type="button" data-act="kind">Set kind</button>'
        '<button type="button" data-act="drop">Not a defect</button>'
        '<button type="button" data-act="through">Goes through</button>'
        '<button type="button" data-act="redraw">Redraw</button></div>'
        '<div class="row"><label>Greatest depth, mm<input name="depth" inputmode="decimal"></label>'
        '<button type="button" data-act="depth">Set depth</button></div>'
        '<div class="row"><label>Note<input name="note" maxlength="2000"></label>'
        '<button type="button" data-act="note">Set note</button>'
        '<button type="button" data-act="close">Close</button></div></div>'
        '<div id="pen" hidden><p class="say" aria-live="polite"></p>'
        f'<div class="row"><label>Kind of the new one<select name="new_kind">{kinds}</select></label>'
        '<button type="button" data-pen="back">Take the last point away</button>'
        '<button type="button" data-pen="done" class="main">Done</button>'
        '<button type="button" data-pen="leave">Leave as it was</button></div></div>'
    )


def _prepare(plan: FillPlan | None) -> str:
    if plan is None:
        return ""
    steps = "".join(f"<li>{escape(step)}: {escape(ids)}</li>" for step, ids in grouped_preparation(plan))
    methods = "".join(
        f"<h3>{escape(name.replace('_', ' '))}</h3><ul>"
        + "".join(f"<li>{escape(i)}: {escape(why)}</li>" for i, why in rows)
        + "</ul>"
        for name, rows in grouped_methods(plan)
    )
    return (
        f'<ul class="check">{steps}</ul><details><summary>Method for each defect, and why</summary>{methods}</details>'
    )


def _fill(sheet: Sheet) -> str:
    plan = sheet.plan
    if plan is None:
        return ""
    rows = "".join(
        f'<tr><td data-word="batch">{b.number}</td><td>lift {b.lift}, from {b.start_h:.1f} h</td>'
        f'<td data-word="mix">{amount(b.mix_ml)}</td>'
        f'<td data-word="A">{b.part_a_ml:.1f} ml / {b.part_a_g:.1f} g</td>'
        f'<td data-word="B">{b.part_b_ml:.1f} ml / {b.part_b_g:.1f} g</td>'
        f'<td data-word="pigment">{b.pigment_g:.1f} g</td>'
        f'<td class="words">{"; ".join(escape(pour_in_words(p)) for p in b.pours)}</td></tr>'
        for b in plan.batches
    )
    head = "<tr><th>batch</th><th>when</th><th>mix</th><th>A</th><th>B</th><th>pigment</th><th>into</th></tr>"
    warn = "".join(f'<p class="caution">{escape(text)}</p>' for text in plan.contradictions)
    coats = plan.coats
    cost = f"; cost {coats.cost:.2f}" if sheet.costs and coats.cost is not None else ""
    return (
        f"<p>Mix {amount(plan.mix_ml)} in all; the chance that a cup runs short is {plan.chance_short:.1%}.</p>{warn}"
        f'<div class="wide"><table class="batches">{head}{rows}</table></div>'
        f"<p>Coats: {coats.seal_coats} seal coats of {amount(coats.seal_ml)} (the first takes "
        f"{amount(coats.first_seal_extra_ml)} more), a flood coat of {amount(coats.flood_ml)}; "
        f"{amount(coats.total_ml)} in all{cost}.</p>"
    )


def _coats(sheet: Sheet) -> str:
    if not sheet.coats:
        return ""
    parts = [counts_svg(sheet.coats, sheet.verdict)]
    for record, picture in zip(sheet.coats, sheet.coat_pictures, strict=True):
        states = [p.state for p in record.pinholes]
        seen, hidden = record.inspected_area_mm2, record.hidden_area_mm2
        parts.append(
            f"<h3>Coat {record.number} ({escape(record.surface)})</h3><p>{record.count} pinholes seen, "
            f"{record.count_interval.lo:.0f} to {record.count_interval.hi:.0f} are there; "
            f"{states.count('kept')} at old sites (squares), {states.count('new')} new (rings). "
            f"Inspected {units.shop_area(seen)}, {hidden / max(seen + hidden, 1.0):.0%} hidden.</p>"
        )
        parts += [f"<p class='dim'>{escape(note)}</p>" for note in record.notes]
        if picture is not None:
            parts.append(coat_svg(record, picture.frame, picture.uri))
    curve = power_svg(sheet.coats[-1])
    if curve:
        parts.append(f"<h3>What the photo of coat {sheet.coats[-1].number} could show</h3>{curve}")
    if sheet.close_ups:
        rows = "".join(
            f"<div><h3>{escape(c.site)}</h3><ul class='strip'>"
            + "".join(
                f'<li><img src="{uri}" alt="{escape(c.site)} {escape(word)}"><br><small>{escape(word)}</small></li>'
                for uri, word in zip(c.uris, c.words, strict=True)
            )
            + "</ul></div>"
            for c in sheet.close_ups
        )
        parts.append(f'<h3>Sites that came back</h3><div class="strips">{rows}</div>')
    return "".join(parts)


def _verdict(verdict: Verdict | None) -> str:
    if verdict is None:
        return ""
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in verdict.reasons)
    sites = "".join(
        f"<li>{escape(s.site)} at ({s.x_mm:.0f}, {s.y_mm:.0f}) mm, seen after {s.coats_seen}: {escape(s.advice)}</li>"
        for s in verdict.sites
    )
    change = "".join(f"<li>{escape(text)}</li>" for text in verdict.would_change)
    return (
        f'<p class="verdict">{DECISIONS[verdict.decision]}</p>'
        f"<p>Chance that this is right: {verdict.confidence:.0%}.</p>"
        f"<ul>{reasons}</ul>"
        + (f"<h3>Sites for the hand</h3><ul class='check'>{sites}</ul>" if sites else "")
        + f"<h3>What would change it</h3><ul>{change}</ul>"
    )


def _assumed(sheet: Sheet) -> str:
    lines = [*(sheet.intake.notes if sheet.intake else ()), *(sheet.plan.assumed if sheet.plan else ())]
    return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>" if lines else ""


def _record(sheet: Sheet) -> str:
    rows = []
    if sheet.intake is not None:
        totals = sheet.intake.totals
        taken = next((p.taken for p in sheet.intake.photos if p.taken), None)
        rows.append(("Mapped", (taken or "date unknown").replace("T", " ")))
        rows.append(("Voids", f"{totals.void_count}, holding {_volume(totals.volume_ml, totals.volume_interval_ml)}"))
    for coat in sheet.coats:
        span = f"{coat.count_interval.lo:.0f} to {coat.count_interval.hi:.0f}"
        when = (coat.photo.taken or "date unknown").replace("T", " ")
        rows.append((f"After coat {coat.number} ({when})", f"{coat.count} pinholes seen ({span} are there)"))
    if sheet.verdict is not None:
        rows.append(("Decision", f"{DECISIONS[sheet.verdict.decision]} ({sheet.verdict.finish} finish)"))
    return f"<table>{''.join(f'<tr><th>{escape(a)}</th><td>{escape(b)}</td></tr>' for a, b in rows)}</table>"


def _care(plan: FillPlan | None) -> str:
    from voidmap.fill.cautions import AIR, ALWAYS, DUST, FIRE, SKIN

    lines: Sequence[str] = plan.cautions if plan is not None else (ALWAYS, SKIN, AIR, DUST, FIRE)
    return "".join(f'<p class="caution">{escape(line)}</p>' for line in lines)


def _volume(ml: float, interval: Interval) -> str:
    digits = 0 if ml >= 10 else 1 if ml >= 1 else 2
    return f"{units.shop_volume(ml)} ({ml:.{digits}f} ml, {interval.lo:.{digits}f} to {interval.hi:.{digits}f})"
