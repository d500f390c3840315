"""The coats: counts, pictures to correct, before and after, close-ups of sites that came back."""

from __future__ import annotations

from html import escape

from voidmap import shown
from voidmap.records import CoatRecord, Pinhole
from voidmap.report.charts import counts_svg, power_svg
from voidmap.report.coat_layers import legend_html
from voidmap.report.drawing import coat_svg, state_of
from voidmap.report.look import SPOT_COLOURS, SPOT_WORDS
from voidmap.report.nouns import CloseUp, Picture, Sheet
from voidmap.report.parts.bits import bullets, count_words, date_of, in_register, zoom

_NONES = ("lint or dust", "a pore of the wood", "glare")
"""What a marked spot may be instead of a pinhole."""
STRIPS_SHOWN = 12
"""Sites shown at once: two or three screens of a phone; the rest unfolds."""
_TICKS = (
    '<svg class="aim" viewBox="0 0 110 110" aria-hidden="true"><path d="M55 34V22M55 76V88M34 55H22M76 55H88"/></svg>'
)
"""Points at the middle of a close-up without hiding it."""


def coats_part(sheet: Sheet) -> str:
    """Return the section; empty without a coat."""
    if not sheet.coats:
        return ""
    named = [s.site for s in sheet.verdict.sites] if sheet.verdict is not None else []
    parts = [counts_svg(sheet.coats, sheet.verdict)]
    for record, picture in zip(sheet.coats, sheet.coat_pictures, strict=True):
        parts.append(_coat(record, picture, named if record is sheet.coats[-1] else []))
    curve = power_svg(sheet.coats[-1])
    if curve:
        parts.append(f"<h3>What the photo of coat {sheet.coats[-1].number} could show</h3>{curve}")
    parts += [_compare(sheet), _strips(sheet.close_ups)]
    return "".join(parts)


def spot_words(p: Pinhole) -> str:
    """Return a pinhole's figures, as the card shows them."""
    lo, hi = p.diameter_interval_mm
    state = {"kept": "at a site seen before", "new": "new", "uncertain": "uncertain"}.get(p.state, p.state)
    if p.from_user:
        return f"{p.diameter_mm:.2f} mm ({lo:.2f} to {hi:.2f}), {state}, set by you"
    sure = f"a pinhole with a chance of {shown.chance(p.probability)}"
    return f"{p.diameter_mm:.2f} mm ({lo:.2f} to {hi:.2f}), {state}, {sure}"


def _coat(record: CoatRecord, picture: Picture | None, named: list[str]) -> str:
    states = [p.state for p in record.pinholes]
    seen, hidden = record.inspected_area_mm2, record.hidden_area_mm2
    gone = sum(c.seen for c in record.closed)
    known, fresh = states.count("kept"), states.count("new")
    followed = f"; {known} at old sites, {fresh} new, {gone} closed since the coat before. "
    head = (
        f"<h3>Coat {record.number} ({escape(record.surface)}), {escape(date_of(record.photo.taken))}</h3>"
        f"<p>{count_words(record)}{followed if record.closed or 'kept' in states else '. '}"
        f"Inspected {shown.area(seen)}, {hidden / max(seen + hidden, 1.0):.0%} hidden.</p>"
    )
    yours = bullets(record.from_user)
    yours = f'<div class="yours"><p>From you:</p>{yours}</div>' if yours else ""
    notes = "".join(f'<p class="dim">{escape(note)}</p>' for note in record.notes)
    inside = f"{head}{yours}{notes}{_picture(record, picture, named) if picture else ''}"
    return f'<div id="part-coat-{record.number}" class="coat-part">{inside}</div>'


def _picture(record: CoatRecord, picture: Picture, named: list[str]) -> str:
    number, view = record.number, f"view-coat-{record.number}"
    sites = "".join(f'<option value="{escape(p.site)}">{escape(p.site)}</option>' for p in record.pinholes)
    usual = sorted(p.diameter_mm for p in record.pinholes)[len(record.pinholes) // 2] if record.pinholes else 0.8
    nones = "".join(
        f'<button type="button" data-spot="not" data-note="{words}">{words.capitalize()}</button>' for words in _NONES
    )
    return (
        f'<p class="tools"><label>Site <select name="site"><option value="">tap one, or choose</option>{sites}</select>'
        f'</label> <button type="button" data-spot="add" aria-pressed="false">Add a missed pinhole</button> '
        f"{zoom(view, f'Coat {number}')}</p>"
        f'<div class="card adder" hidden><div class="row"><label>Its diameter<input value="{usual:.1f} mm" '
        f'autocomplete="off"></label><button type="button" data-spot="done" class="main">Done</button></div>'
        '<p>Tap the picture where it is; make the picture larger first.</p><p class="say" role="status"></p></div>'
        f'<div id="{view}" class="view">{coat_svg(record, picture.frame, picture.uri, named)}</div>{_legend(record)}'
        f'<div class="card spot-card" hidden><p class="figures" aria-live="polite"></p>'
        f'<p>Not a pinhole? It is:</p><div class="row">{nones}'
        '<button type="button" data-spot="close">Close</button></div><p class="say" role="status"></p></div>'
    )


def _legend(record: CoatRecord) -> str:
    shapes = {
        "new": '<circle cx="10" cy="8" r="6"/>',
        "kept": '<rect x="4" y="2" width="12" height="12"/>',
        "uncertain": '<circle cx="10" cy="8" r="6" stroke-dasharray="3 3"/>',
        "set": '<path d="M2 8L10 0L18 8L10 16Z"/>',
    }
    states = dict.fromkeys(map(state_of, record.pinholes))
    keys = "".join(
        f'<span class="key"><svg width="20" height="16" aria-hidden="true"><g fill="none" stroke-width="2.5" '
        f'stroke="{SPOT_COLOURS[state]}">{shapes[state]}</g></svg>{SPOT_WORDS[state]}</span>'
        for state in shapes
        if state in states
    )
    keys += legend_html(record)
    return f'<p class="legend">{keys}</p>' if keys else ""


def _compare(sheet: Sheet) -> str:
    """Return the slider over two coats in register; empty with fewer than two pictures of one frame."""
    coats = [(name, words) for name, words, _ in sheet.pictures if name != "intake" or in_register(sheet)]
    if len(coats) < 2:
        return ""
    first, last = next(name for name, _ in coats if name != "intake"), coats[-1][0]
    first = first if first != last else coats[0][0]

    def choices(chosen: str) -> str:
        return "".join(
            f'<option value="{name}"{" selected" if name == chosen else ""}>{words}</option>' for name, words in coats
        )

    return (
        '<div id="compare"><h3>Before and after, in register</h3><p class="tools">'
        f"<label>Before, on the left <select>{choices(first)}</select></label> "
        f"<label>After, on the right <select>{choices(last)}</select></label></p>"
        '<svg class="picture" role="img" aria-label="Two coats in register"><defs><clipPath id="cut">'
        '<rect x="0" y="0" width="0" height="0"/></clipPath></defs><use/><g clip-path="url(#cut)"><use/></g>'
        '<line class="cut"/></svg><label class="slide">Where the earlier one ends<input type="range" min="0" max="100" '
        'value="50"></label></div>'
    )


def _strips(close_ups: tuple[CloseUp, ...]) -> str:
    if not close_ups:
        return ""
    more = _rows(close_ups[STRIPS_SHOWN:])
    folded = f"<details><summary>{len(close_ups) - STRIPS_SHOWN} more</summary>{more}</details>" if more else ""
    return f"<h3>Sites that came back, from coat to coat</h3>{_rows(close_ups[:STRIPS_SHOWN])}{folded}"


def _rows(close_ups: tuple[CloseUp, ...]) -> str:
    rows = "".join(
        f"<div><h4>{escape(c.site)}</h4><ul class='strip'>"
        + "".join(
            f'<li><span class="shot"><img src="{uri}" alt="{escape(c.site)}, {escape(word)}">{_TICKS}</span>'
            f"<small>{escape(word)}</small></li>"
            for uri, word in zip(c.uris, c.words, strict=True)
        )
        + "</ul></div>"
        for c in close_ups
    )
    return f'<div class="strips">{rows}</div>' if rows else ""
