"""What to prepare, and the fill plan as a checklist along its time line."""

from __future__ import annotations

from html import escape

from voidmap import shown
from voidmap.fill.text import (
    amount,
    assumed_by_section,
    batch_count,
    day_clock,
    grouped_methods,
    grouped_preparation,
    lasting,
    pour_in_words,
)
from voidmap.records import Batch, FillPlan, TimeStep
from voidmap.report.charts import timeline_svg
from voidmap.report.nouns import Sheet
from voidmap.report.parts.bits import bullets, checks, tick


def prepare_part(plan: FillPlan | None) -> str:
    """Return the section on dams, tape and cleaning, and the method for each defect."""
    if plan is None:
        return ""
    methods = "".join(
        f"<h3>{escape(name.capitalize())}</h3>{bullets(f'{i}: {why}' for i, why in rows)}"
        for name, rows in grouped_methods(plan)
    )
    return (
        f'<p class="dim" data-count="prepare"></p>{checks(grouped_preparation(plan))}'
        f"<details><summary>Method for each defect, and why</summary>{methods}</details>"
    )


def fill_part(sheet: Sheet) -> str:
    """Return the fill plan: amounts, time line, every step to tick, coats and what to buy."""
    plan = sheet.plan
    if plan is None:
        return ""
    warn = "".join(f'<p class="caution">{escape(text)}</p>' for text in plan.contradictions)
    mixed = (
        f"<p>Mix {amount(plan.mix_ml)} in {batch_count(plan)}; the chance that a cup runs short is "
        f"{plan.chance_short:.1%}. Tick what is done; it stays ticked in this browser.</p>"
        if plan.batches
        else "<p>Nothing needs resin.</p>"
    )
    return (
        f'{mixed}<p class="dim" data-count="fill"></p>{warn}{timeline_svg(plan)}{_steps(plan)}{_shopping(sheet, plan)}'
    )


def assumed_part(sheet: Sheet) -> str:
    """Return what was assumed: notes of the intake, and resin values that come from no data sheet."""
    notes = bullets(sheet.intake.notes) if sheet.intake else ""
    if sheet.plan is None or not sheet.plan.assumed:
        return notes
    rows = "".join(
        f"<tr><th scope='row'>{escape(section)}</th><td>{escape('; '.join(rest))}</td></tr>"
        for section, rest in assumed_by_section(sheet.plan)
    )
    return (
        f"{notes}<h3>Resin and shop values from no data sheet: put yours into resin.toml</h3>"
        f"<table class='assumed'><tbody>{rows}</tbody></table>"
    )


def _steps(plan: FillPlan) -> str:
    """Return the time line as a list by day: work with a box to tick, waits without."""
    batches = {f"batch {b.number}": b for b in plan.batches}
    parts: list[str] = []
    day = ""
    for step in plan.schedule:
        today, _, clock = day_clock(plan, step.start_h).rpartition(" ")
        if today != day:
            day = today
            parts.append(f'<li class="day">{escape(day.capitalize())}</li>')
        parts.append(_step(step, clock, batches.get(step.what)))
    return f'<ol class="steps">{"".join(parts)}</ol>' if parts else ""


def _step(step: TimeStep, clock: str, batch: Batch | None) -> str:
    said = f"<b>{escape(clock)}</b> {escape(step.what.capitalize())}"
    if step.kind == "wait":
        return f'<li class="wait">{said}, {lasting(step)}</li>'
    if batch is None:
        return f'<li class="{escape(step.kind)}">{tick(f"{step.start_h:.2f} {step.what}", said)}</li>'
    lift = f"{said}, lift {batch.lift}" + (", thin resin" if batch.resin == "thin" else "")
    into = "; ".join(escape(pour_in_words(p)) for p in batch.pours)
    note = f'<p class="dim">{escape(batch.note)}</p>' if batch.note else ""
    words = f"batch {batch.number} {batch.mix_ml:.1f} {into}"
    return (
        f'<li class="pour">{tick(words, lift)}'
        f'<table class="cup"><tbody><tr><th scope="row">A</th><td>{batch.part_a_g:.1f} g</td>'
        f"<td>{batch.part_a_ml:.1f} ml</td></tr>"
        f'<tr><th scope="row">B</th><td>{batch.part_b_g:.1f} g</td><td>{batch.part_b_ml:.1f} ml</td></tr>'
        f'<tr><th scope="row">pigment</th><td>{batch.pigment_g:.1f} g</td><td></td></tr></tbody></table>'
        f"<p>{amount(batch.mix_ml)} mixed, poured within {batch.minutes:.0f} min, in this order: {into}</p>{note}</li>"
    )


def _shopping(sheet: Sheet, plan: FillPlan) -> str:
    coats = plan.coats
    first = f" (the first takes {amount(coats.first_seal_extra_ml)} more)" if coats.first_seal_extra_ml else ""
    buy = []
    for p in plan.purchases:
        what = f": {', '.join(p.containers)}" if p.containers else ""
        cost = f", cost {p.cost:.2f}" if sheet.costs and p.cost is not None else ""
        buy.append(f"{p.product}: {amount(p.need_ml)} needed, {amount(p.buy_ml)} with margin{what}{cost}")
    cost = f"; cost {coats.cost:.2f}" if sheet.costs and coats.cost is not None else ""
    return (
        f"<h3>Coats and what to buy</h3><p>{coats.seal_coats} seal coats of {amount(coats.seal_ml)} each{first}, a "
        f"flood coat of {amount(coats.flood_ml)}: {amount(coats.total_ml)} in all over the top and "
        f"{shown.length(coats.edge_mm)} of edge{cost}.</p>{bullets(buy)}{bullets(plan.notes)}"
    )
