"""The verdict, the cautions, and the record for the client."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from voidmap import shown
from voidmap.fill.cautions import AIR, ALWAYS, DUST, FIRE, SKIN
from voidmap.records import FillPlan, Verdict
from voidmap.report.look import DECISIONS
from voidmap.report.nouns import Frame, Sheet
from voidmap.report.parts.bits import bullets, count_words, date_of, in_register, tick


def verdict_part(verdict: Verdict | None) -> str:
    """Return the decision with its reasons, the sites for the hand, and what would change it."""
    if verdict is None:
        return ""
    after = verdict.expected_after_next
    rate = (
        f"A coat closes {verdict.closure_rate:.0%} of this slab's sites ({verdict.closure_interval.lo:.0%} to "
        f"{verdict.closure_interval.hi:.0%}). "
        if verdict.closure_rate is not None
        else ""
    )
    change, right = bullets(verdict.would_change), shown.call_right(verdict.confidence)
    return (
        f'<p class="verdict">{DECISIONS[verdict.decision]}</p>'
        f"<p>{right[0].upper()}{right[1:]}. "
        f"Finish agreed: {escape(verdict.finish)}.</p>"
        f"{bullets(verdict.reasons)}<p>{rate}After one more coat about {after.count:.0f} would be left "
        f"({after.interval.lo:.0f} to {after.interval.hi:.0f}).</p>{_sites(verdict)}"
        + (f"<h3>What would change it</h3>{change}" if change else "")
    )


def _sites(verdict: Verdict) -> str:
    """Return the sites for the hand, by what is to be done at them, with a box to tick for each."""
    if not verdict.sites:
        return ""
    by_advice: dict[str, list[str]] = {}
    for s in verdict.sites:
        words = f"<b>{escape(s.site)}</b>, seen after {s.coats_seen} {'coat' if s.coats_seen == 1 else 'coats'}"
        by_advice.setdefault(s.advice, []).append(f"<li>{tick(f'{s.site} {s.advice}', words)}</li>")
    lists = "".join(
        f'<p>{escape(advice[:1].upper() + advice[1:])}:</p><ul class="check sites">{"".join(items)}</ul>'
        for advice, items in by_advice.items()
    )
    return (
        f"<h3>Sites for the hand</h3><p>Their numbers stand beside the picture of coat {verdict.coat}. "
        f'<span class="dim" data-count="verdict"></span></p>{lists}'
    )


def care_part(plan: FillPlan | None) -> str:
    """Return the cautions."""
    lines: Sequence[str] = plan.cautions if plan is not None else (ALWAYS, SKIN, AIR, DUST, FIRE)
    return "".join(f'<p class="caution">{escape(line)}</p>' for line in lines)


def record_part(sheet: Sheet) -> str:
    """Return the record for the client: before and after, dates, figures with intervals."""
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(words)}</td></tr>' for name, words in _rows(sheet)
    )
    return (
        f'<p class="tools"><button type="button" id="print-record">Print this record alone</button></p>'
        f"<h3>{escape(sheet.title)}</h3>{_before_after(sheet)}<table><tbody>{rows}</tbody></table>"
        "<p><small>Measured from photos with a printed scale. Ranges are 95 % intervals: meant to hold the true value "
        "19 times of 20.</small></p>"
    )


def _rows(sheet: Sheet) -> list[tuple[str, str]]:
    rows = []
    intake = sheet.intake
    if intake is not None:
        slab, totals = intake.slab, intake.totals
        taken = next((p.taken for p in intake.photos if p.taken), None)
        rows.append(("Slab mapped", f"{date_of(taken)}, from {', '.join(p.file for p in intake.photos)}"))
        thick = f", {shown.length(slab.thickness_mm)} thick" if slab.thickness_mm else ""
        rows.append(("Top", f"{shown.area_with(slab.area_mm2, slab.area_interval_mm2)}{thick}"))
        holds = shown.volume_with(totals.volume_ml, totals.volume_interval_ml)
        rows.append(("Voids", f"{totals.void_count}, holding {holds}"))
    if sheet.plan is not None:
        rows.append(("Resin planned for the fills", shown.volume(sheet.plan.mix_ml)))
        cost = sum(p.cost for p in sheet.plan.purchases if p.cost is not None)
        if sheet.costs and cost:
            rows.append(("Resin to buy", f"{cost:.2f}"))
    rows += [
        (f"After coat {c.number}, {date_of(c.photo.taken)}", f"{count_words(c)} ({c.photo.file})") for c in sheet.coats
    ]
    if sheet.verdict is not None:
        rows.append(("Decision", f"{DECISIONS[sheet.verdict.decision]} ({sheet.verdict.finish} finish)"))
    yours = _yours(sheet)
    if yours:
        rows.append(("Set by hand, not measured", yours))
    return rows


def _yours(sheet: Sheet) -> str:
    """Return what came from the user, in one line."""
    found = []
    if sheet.intake is not None:
        found = [f"{d.id} {', '.join(d.from_user)}" for d in sheet.intake.defects if d.from_user]
    found += [f"coat {c.number}: {len(c.from_user)} marks" for c in sheet.coats if c.from_user]
    return "; ".join(found)


def _before_after(sheet: Sheet) -> str:
    """Return the whole slab at intake, and one part of it before and after the coats."""
    figures = []
    coats = [picture for picture in sheet.pictures if picture[0] != "intake"]
    if sheet.map is not None:
        figures.append(_figure("intake", "the slab at intake", sheet.map.frame, sheet.map.frame))
    if coats:
        name, words, after = coats[-1]
        if sheet.map is not None and in_register(sheet):
            figures.append(_figure("intake", "a part of it at intake", sheet.map.frame, after.frame))
        elif len(coats) > 1:
            figures.append(_figure(coats[0][0], coats[0][1], coats[0][2].frame, after.frame))
        figures.append(
            _figure(name, f"{words}, the same part" if len(figures) > 1 else words, after.frame, after.frame)
        )
    return f'<div class="pair">{"".join(figures)}</div>' if figures else ""


def _figure(name: str, words: str, own: Frame, shown_part: Frame) -> str:
    """Return a picture (its frame is ``own``) cut to the part of the slab that another frame shows."""
    x, y = own.at((shown_part.x0_mm, shown_part.y0_mm))
    step = shown_part.mm_per_px / own.mm_per_px
    box = f"{x:.1f} {y:.1f} {shown_part.width_px * step:.1f} {shown_part.height_px * step:.1f}"
    return (
        f'<figure><svg class="picture" viewBox="{box}" role="img" aria-label="{escape(words)}">'
        f'<use href="#pic-{name}"/></svg><figcaption>{escape(words.capitalize())}</figcaption></figure>'
    )
