"""The plan as one self-contained page to print (Letter or A4) and take to the bench."""

from __future__ import annotations

from html import escape
from importlib.resources import files

from voidmap import units
from voidmap.fill.methods import METHODS
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
from voidmap.records import Batch, FillPlan, Pour


def fill_page(plan: FillPlan, *, title: str) -> str:
    """Return the plan as an HTML page without any outside file."""
    style = files("voidmap.fill").joinpath("page.css").read_text(encoding="utf-8")
    parts = [
        _head(plan, title),
        _block("Assumed, not from a data sheet: check before mixing", _assumed(plan), "small"),
        _block("These do not agree", _list(plan.contradictions), "clash"),
        _pair(
            _block("1 Prepare", _prepare(plan)),
            _block("Without resin", _dry(plan)) + _block("Chance that a cup runs short", _chances(plan)),
        ),
        _block("2 Mix and pour", _batches(plan)),
        _block("3 Time line", _timeline(plan)),
        _block("Cautions", _list(plan.cautions), "tight columns"),
        _block("4 Coats and what to buy", _coats(plan)),
        _block("Notes", _list(plan.notes), "tight columns"),
    ]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Fill plan: {escape(title)}</title><style>{style}</style></head>\n"
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


def _block(head: str, inside: str, kind: str = "") -> str:
    return f'<section class="{kind}"><h2>{escape(head)}</h2>{inside}</section>\n' if inside else ""


def _pair(left: str, right: str) -> str:
    return f'<div class="two"><div>{left}</div><div>{right}</div></div>'


def _list(lines: tuple[str, ...]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>" if lines else ""


def _head(plan: FillPlan, title: str) -> str:
    lo, hi = plan.volume_interval_ml
    extra = plan.allowances
    celsius = float(plan.inputs.get("temperature_c", 0.0))
    facts = [
        ("Mix in all", amount(plan.mix_ml), batch_count(plan)),
        ("Voids", amount(plan.volume_ml), f"95 % interval {lo:.0f} to {hi:.0f} ml"),
        (
            "Allowances",
            amount(extra.overfill_ml + extra.soak_ml + extra.cup_ml),
            f"overfill {extra.overfill_ml:.0f}, soak {extra.soak_ml:.0f}, cups {extra.cup_ml:.0f} ml",
        ),
        ("A cup runs short", f"{plan.chance_short:.1%}", f"at {units.shop_temperature(celsius)} ({celsius:.0f} °C)"),
    ]
    cells = "".join(
        f"<div><b>{escape(value)}</b><span>{escape(name)}</span><small>{escape(more)}</small></div>"
        for name, value, more in facts
    )
    return f'<header><h1>Fill plan: {escape(title)}</h1><div class="facts">{cells}</div></header>\n'


def _prepare(plan: FillPlan) -> str:
    rows = "".join(
        f'<tr><td class="box"></td><td>{escape(step)}</td><th>{"<br>".join(map(escape, ids.split("; ")))}</th></tr>'
        for step, ids in grouped_preparation(plan)
    )
    return f'<table class="prepare">{rows}</table>' if rows else ""


def _batches(plan: FillPlan) -> str:
    head = (
        '<tr><th class="box"></th><th>No</th><th>Stir at</th><th>Part A</th><th>Part B</th><th>Pigment</th>'
        "<th>Mix</th><th>Done in</th><th>Pour into, in this order</th></tr>"
    )
    return (
        f'<table class="batches">{head}{"".join(_batch(plan, b) for b in plan.batches)}</table>' if plan.batches else ""
    )


def _batch(plan: FillPlan, b: Batch) -> str:
    where = " ".join(_pour(p) for p in b.pours)
    thin = " <em>thin resin, no pigment</em>" if b.resin == "thin" else ""
    note = f"<br><em>{escape(b.note)}</em>" if b.note else ""
    pigment = f"{b.pigment_g:g} g" if b.pigment_g else "none"
    return (
        f'<tr><td class="box"></td><th>{b.number}</th><td>{day_clock(plan, b.start_h)}</td>'
        f"<td><b>{b.part_a_g:.1f} g</b><br>{b.part_a_ml:.1f} ml</td>"
        f"<td><b>{b.part_b_g:.1f} g</b><br>{b.part_b_ml:.1f} ml</td>"
        f"<td>{pigment}</td><td>{escape(amount(b.mix_ml))}</td><td>{b.minutes:.0f} min</td>"
        f"<td>{where}{thin}{note}</td></tr>"
    )


def _pour(p: Pour) -> str:
    name, _, rest = pour_in_words(p).partition(" ")
    return f'<span class="pour"><b>{escape(name)}</b> {escape(rest)}</span>'


def _timeline(plan: FillPlan) -> str:
    cells = "".join(
        f'<div class="step {step.kind}"><i>{day_clock(plan, step.start_h)}</i>{escape(step.what)}'
        f"<small>{lasting(step)}</small></div>"
        for step in plan.schedule
    )
    return f'<div class="line">{cells}</div>'


def _coats(plan: FillPlan) -> str:
    rows = "".join(
        f'<tr><td class="box"></td><th>{escape(m.coat)}</th><td><b>{m.part_a_g:g} g</b> {m.part_a_ml:.0f} ml</td>'
        f"<td><b>{m.part_b_g:g} g</b> {m.part_b_ml:.0f} ml</td><td>{m.cups}</td>"
        f"<td>{escape(amount(m.mix_ml))}</td></tr>"
        for m in plan.coats.mixes
    )
    head = '<tr><th class="box"></th><th>Coat</th><th>A a cup</th><th>B a cup</th><th>Cups</th><th>Mix</th></tr>'
    bought = []
    for p in plan.purchases:
        what = f": {', '.join(p.containers)}" if p.containers else ""
        cost = f", cost {p.cost:.2f}" if p.cost is not None else ""
        bought.append(f"{p.product} {amount(p.buy_ml)}{what}{cost}")
    return f"<table>{head}{rows}</table><p>Buy, with margin: {escape('; '.join(bought))}</p>"


def _chances(plan: FillPlan) -> str:
    mixed = "".join(f"<td>{p.mix_ml / units.ML_PER_FL_OZ:.1f}<br>{p.mix_ml:.0f}</td>" for p in plan.chance_table)
    short = "".join(f"<td>{p.chance_short:.0%}</td>" for p in plan.chance_table)
    rows = f"<tr><th>Mixed, fl oz<br>ml</th>{mixed}</tr><tr><th>Chance</th>{short}</tr>"
    return f"<table>{rows}</table>" if plan.chance_table else ""


def _dry(plan: FillPlan) -> str:
    wet = (METHODS["tinted_resin"], METHODS["thin_resin"])
    lines = [
        f"{name.capitalize()}: {', '.join(defect for defect, _ in found)}"
        for name, found in grouped_methods(plan)
        if name not in wet
    ]
    return _list(tuple(lines))


def _assumed(plan: FillPlan) -> str:
    rows = [f"<b>{escape(section)}</b> {escape('; '.join(rest))}" for section, rest in assumed_by_section(plan)]
    return f"<p>{'. '.join(rows)}.</p>" if rows else ""
