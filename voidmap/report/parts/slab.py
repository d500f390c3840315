"""The slab at intake: map, card to correct with, table of the defects."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from voidmap import shown
from voidmap.records import Defect, Intake, Kind
from voidmap.report.drawing import map_svg
from voidmap.report.look import LOOKS, SOURCES, legend
from voidmap.report.nouns import Sheet
from voidmap.report.parts.bits import zoom


def slab_part(sheet: Sheet) -> str:
    """Return the section; empty without an intake."""
    intake = sheet.intake
    if intake is None:
        return ""
    slab = intake.slab
    thick = f", {shown.length(slab.thickness_mm)} thick" if slab.thickness_mm else ""
    facts = (
        f"<p>Top {shown.area_with(slab.area_mm2, slab.area_interval_mm2)}; edge {shown.length(slab.edge_mm)}{thick}. "
        f"Lengths across it hold to ±{intake.scale.length_interval_rel:.2%}.</p>"
    )
    if sheet.map is None:
        return f"{facts}{_table(intake)}"
    picture = map_svg(intake, sheet.map.frame, sheet.map.uri)
    return f'{facts}{_tools()}<div id="view" class="view">{picture}</div>{_legend(intake)}{_card()}{_table(intake)}'


def figures_of(d: Defect) -> str:
    """Return a defect's figures with their intervals, as the card shows them."""
    words = [f"{LOOKS[d.kind].word}, {shown.area_with(d.area_mm2, d.area_interval_mm2)}"]
    sizes = d.size_intervals_mm
    long = shown.length_with(d.length_mm, sizes.length if sizes else None)
    wide = shown.length_with(d.width_mean_mm, sizes.width_mean if sizes else None)
    words.append(f"{long} long, {wide} wide in the mean")
    if d.depth is not None:
        low, high = d.depth.mean_interval_mm
        deep = f"mean depth {shown.length(d.depth.mean_mm)}, {low:.1f} to {high:.1f} mm"
        words.append(f"{deep}, {SOURCES.get(d.depth.source, d.depth.source)}")
        words.append(f"holds {shown.volume_with(d.volume_ml, d.volume_interval_ml)}")
    if d.hidden is not None:
        unseen = shown.volume_with(d.hidden.volume_ml, d.hidden.volume_interval_ml)
        words.append(f"of that unseen under a board {unseen}: move the board and photograph again")
    words.append(f"void with a chance of {shown.chance(d.void_probability)}")
    if d.depth is not None and d.depth.disagreement:
        words.append(d.depth.disagreement)
    return "; ".join(words)


def _tools() -> str:
    return (
        '<p class="tools"><label class="switch"><input type="checkbox" data-layer="void" checked> voids</label>'
        '<label class="switch"><input type="checkbox" data-layer="flat" checked> flat things</label>'
        f"{zoom('view', 'Map')}</p>"
    )


def _table(intake: Intake) -> str:
    if not intake.defects:
        return "<p>Nothing was found on it.</p>"
    names = ("id", "what", "area", "long", "wide", "deep (mean)", "holds")
    head = "".join(f"<th>{name}</th>" for name in names)
    folded = [d for d in intake.defects if not d.is_void and not _doubtful(d)]

    def table(defects: Iterable[Defect], of_what: str) -> str:
        rows = "".join(map(_row, defects))
        body = f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody>"
        # Where it is wider than the screen it scrolls, by the keyboard too.
        wide = f'<div class="wide" tabindex="0" role="region" aria-label="{of_what}">'
        return f'{wide}<table class="stack figures">{body}</table></div>' if rows else ""

    few = table(folded, "Flat things")
    flat = f"<details><summary>Flat things: {len(folded)}</summary>{few}</details>" if folded else ""
    return table((d for d in intake.defects if d not in folded), "Voids, and what may be one") + flat


def _doubtful(d: Defect) -> bool:
    """Whether it may as well be a void as not: worth a look at the slab."""
    return 0.05 < d.void_probability < 0.95


def _row(d: Defect) -> str:
    deep = f"{shown.length(d.depth.mean_mm)}, {SOURCES.get(d.depth.source, d.depth.source)}" if d.depth else "flat"
    holds = shown.volume_with(d.volume_ml, d.volume_interval_ml) if d.is_void else "nothing"
    marks = "".join((", opens on the edge" if d.opens_on_edge else "", ", goes through" if d.through else ""))
    marks += ", goes on under a board" if d.hidden is not None else ""
    user = f' <small class="yours">from you: {escape(", ".join(d.from_user))}</small>' if d.from_user else ""
    note = f"<br><small>{escape(d.note)}</small>" if d.note else ""
    chance = f" ({d.void_probability:.0%} void)" if _doubtful(d) else ""
    return (
        f'<tr data-id="{escape(d.id)}"><th scope="row">{escape(d.id)}</th>'
        f'<td class="words">{LOOKS[d.kind].word}{chance}{marks}{user}{note}</td>'
        f'<td data-word="area">{_stacked(shown.area(d.area_mm2))}</td>'
        f'<td data-word="long">{_stacked(shown.length(d.length_mm))}</td>'
        f'<td data-word="wide">{_stacked(shown.length(d.width_mean_mm))}</td>'
        f'<td data-word="deep">{_stacked(deep)}</td><td data-word="holds">{_stacked(holds)}</td></tr>'
    )


def _stacked(words: str) -> str:
    """Put the metric figure in brackets on a line of its own, smaller."""
    first, bracket, rest = words.partition(" (")
    return f"{escape(first)} <small>({escape(rest)}</small>" if bracket else escape(words)


def _legend(intake: Intake) -> str:
    keys = []
    for look in legend(intake.defects):
        dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
        line = f'<line x1="0" y1="6" x2="44" y2="6" stroke="{look.colour}" stroke-width="4"{dash}/>'
        keys.append(f'<span class="key"><svg width="44" height="12" aria-hidden="true">{line}</svg>{look.word}</span>')
    return f'<p class="legend">{"".join(keys)}</p>'


def _card() -> str:
    kinds = "".join(f'<option value="{kind.value}">{LOOKS[kind].word}</option>' for kind in Kind)
    return (
        '<p class="tools">Tap a defect, on the map or in the table, to see its figures and put right what is wrong. '
        '<button id="add" type="button">Draw one that was missed</button></p>'
        '<div id="card" class="card" hidden><p class="figures" aria-live="polite"></p>'
        f'<div class="row"><label>Kind<select name="kind">{kinds}</select></label>'
        '<button type="button" data-act="kind">Set kind</button>'
        '<button type="button" data-act="drop">Not a defect</button>'
        '<button type="button" data-act="through">Goes through</button>'
        '<button type="button" data-act="redraw">Redraw</button></div>'
        '<div class="row"><label>Greatest depth (12 mm, 3/8 in)<input name="depth" autocomplete="off"></label>'
        '<button type="button" data-act="depth">Set depth</button></div>'
        '<div class="row"><label>Note<input name="note" maxlength="2000" autocomplete="off"></label>'
        '<button type="button" data-act="note">Set note</button>'
        '<button type="button" data-act="close">Close</button></div><p class="say" role="status"></p></div>'
        '<div id="pen" class="card" hidden><p class="say" aria-live="polite"></p>'
        f'<div class="row"><label>Kind of the new one<select name="new_kind">{kinds}</select></label>'
        '<button type="button" data-pen="back">Take the last point away</button>'
        '<button type="button" data-pen="done" class="main">Done</button>'
        '<button type="button" data-pen="leave">Leave as it was</button></div></div>'
    )
