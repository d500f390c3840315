"""The plan in words: what the terminal shows, and the rows of its CSV."""

from __future__ import annotations

import csv
import io
from collections import defaultdict

from voidmap import shown, units
from voidmap.fill.methods import METHODS
from voidmap.records import FillPlan, Pour, TimeStep

WIDTH = 110
"""Characters in a line of the terminal."""
DAM, TAPE = "dam", "tape below"
STEP_ORDER = ("feel", "pick", "clear", "vacuum", DAM, TAPE, "")
"""First words of the steps of preparation, in the order of the work."""
CSV_HEAD = (
    "batch,start_h,round,resin,void,lift,of_lifts,cup,of_cups,pour_ml,pour_fl_oz,lift_depth_mm,lift_depth_in,"
    "mix_ml,mix_fl_oz,part_a_ml,part_b_ml,part_a_g,part_b_g,pigment_g,minutes,note"
)


def amount(ml: float) -> str:
    """Return a volume in the units that are shown."""
    return shown.volume(ml)


def clock(hours: float) -> str:
    """Return hours as h:mm."""
    minutes = round(hours * 60)
    return f"{minutes // 60}:{minutes % 60:02d}"


def pour_in_words(pour: Pour) -> str:
    """Return a pour in words: ``D01 82 ml (lift 2/3, 11 mm)``."""
    more = [f"lift {pour.lift}/{pour.lifts}, {pour.depth_mm:.0f} mm"] if pour.lifts > 1 else []
    more += [f"cup {pour.cup}/{pour.cups}"] if pour.cups > 1 else []
    ml = f"{pour.ml:.0f} ml" if pour.ml >= 10 else f"{pour.ml:.1f} ml" if pour.ml >= 0.1 else "a drop"
    return f"{pour.defect} {ml}" + (f" ({', '.join(more)})" if more else "")


def grouped_preparation(plan: FillPlan) -> list[tuple[str, str]]:
    """Return (step, ids): every step once, in the order of the work, with the defects that need it."""
    rows: dict[str, list[str]] = {}
    for method in plan.methods:
        for step in method.prepare:
            if step.startswith(DAM):
                continue
            rows.setdefault(step, []).append(method.defect)
    order = sorted(rows, key=lambda step: next(k for k, word in enumerate(STEP_ORDER) if step.startswith(word)))
    every = sum(1 for method in plan.methods if method.prepare)
    found = [(step, "all" if len(rows[step]) == every > 1 else ", ".join(rows[step])) for step in order]
    dams = [f"{d.defect} {shown.length(d.length_mm)}{f' on the {d.side}' if d.side else ''}" for d in plan.dams]
    if dams:
        at = next((k for k, (step, _) in enumerate(found) if step.startswith(TAPE)), len(found))
        found.insert(at, (f"{DAM} with a board faced with release tape, seams sealed", "; ".join(dams)))
    return found


def batch_count(plan: FillPlan) -> str:
    """Return the number of batches, and how good it is, in words."""
    count = len(plan.batches)
    words = f"{count} batch" if count == 1 else f"{count} batches"
    return f"{words}, the fewest possible" if count <= plan.batch_bound else f"{words} (at least {plan.batch_bound})"


def day_clock(plan: FillPlan, hours: float) -> str:
    """Return a time as the day of the job and the clock, the first stir being on day 1 at the start of work."""
    day, rest = divmod(hours + float(plan.inputs.get("start_h", 0.0)) + 1e-9, 24)
    return f"day {int(day) + 1} {clock(rest)}"


def grouped_methods(plan: FillPlan) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return for each method, in the order of the work, the defects with their reasons."""
    groups: dict[str, list[tuple[str, str]]] = {name: [] for name in METHODS}
    for method in plan.methods:
        groups[method.method].append((method.defect, method.why))
    return [(METHODS[name], found) for name, found in groups.items() if found]


def fill_text(plan: FillPlan) -> str:
    """Return the plan as text for the terminal."""
    lines = _head(plan)
    lines += _section("Assumed, not from a data sheet (correct them in resin.toml)", _assumed(plan))
    lines += _section("These do not agree", [_wrapped(f"! {said}", "  ") for said in plan.contradictions])
    lines += _section("Methods", _methods(plan))
    lines += _section(
        "Before mixing", [_wrapped(f"[ ] {step}: {ids}", "    ") for step, ids in grouped_preparation(plan)]
    )
    lines += _section("Batches", _batches(plan))
    lines += _section("Time line", _timeline(plan))
    lines += _section("Chance of running short", _chances(plan))
    lines += _section("Coats and what to buy", _coats(plan))
    lines += _section("Notes", [_wrapped(f"- {said}", "  ") for said in plan.notes])
    lines += _section("Cautions", [_wrapped(f"- {said}", "  ") for said in plan.cautions])
    return "\n".join(lines)


def _head(plan: FillPlan) -> list[str]:
    if not plan.batches:
        return ["Nothing needs resin."]
    lo, hi = plan.volume_interval_ml
    extra = plan.allowances
    return [
        f"Mix {amount(plan.mix_ml)} in {batch_count(plan)}; chance that a cup runs short: {plan.chance_short:.1%}.",
        f"Voids {amount(plan.volume_ml)}, 95 % interval {lo:.0f} to {hi:.0f} ml.",
        f"On top: overfill {amount(extra.overfill_ml)}, soak {amount(extra.soak_ml)}, cup and stick "
        f"{amount(extra.cup_ml)}.",
    ]


def assumed_by_section(plan: FillPlan) -> list[tuple[str, list[str]]]:
    """Return the assumed values, section by section of ``resin.toml``."""
    by_section: dict[str, list[str]] = defaultdict(list)
    for line in plan.assumed:
        section, _, rest = line.partition(".")
        by_section[section].append(rest)
    return list(by_section.items())


def _assumed(plan: FillPlan) -> list[str]:
    return [_wrapped(f"{section}: {'; '.join(rest)}", "    ") for section, rest in assumed_by_section(plan)]


def _methods(plan: FillPlan) -> list[str]:
    lines = []
    for name, found in grouped_methods(plan):
        if name == METHODS["leave"]:
            lines.append(_wrapped(f"{name}: {', '.join(i for i, _ in found)}", "    "))
            continue
        lines.append(f"{name}:")
        lines += [_wrapped(f"  {i}  {why}", "       ") for i, why in found]
    return lines


def _batches(plan: FillPlan) -> list[str]:
    lines = [
        f"{'no':>3} {'stir at':<11}  {'resin':<5} {'mix':>19}  {'A ml':>6} {'B ml':>6}  {'A g':>7} {'B g':>7} "
        f"{'pigment':>8}  {'min':>4}"
    ]
    for b in plan.batches:
        lines.append(
            f"{b.number:>3} {day_clock(plan, b.start_h):<11}  {b.resin:<5} {amount(b.mix_ml):>19}  {b.part_a_ml:>6.1f} "
            f"{b.part_b_ml:>6.1f}  {b.part_a_g:>7.1f} {b.part_b_g:>7.1f} {b.pigment_g:>6.1f} g  {b.minutes:>4.0f}"
        )
        lines.append(_wrapped(f"            into {'; '.join(map(pour_in_words, b.pours))}", "            "))
        if b.note:
            lines.append(_wrapped(f"            note: {b.note}", "            "))
    return lines if plan.batches else []


def _timeline(plan: FillPlan) -> list[str]:
    return [f"{day_clock(plan, s.start_h):<12} {lasting(s):>7}  {s.what}" for s in plan.schedule]


def lasting(step: TimeStep) -> str:
    """Return how long a step takes."""
    hours = step.end_h - step.start_h
    return f"{hours * 60:.0f} min" if hours < 1 else f"{hours:.1f} h"


def _chances(plan: FillPlan) -> list[str]:
    return [f"{amount(p.mix_ml):>22} mixed: {p.chance_short:>6.1%}" for p in plan.chance_table]


def _coats(plan: FillPlan) -> list[str]:
    coats = plan.coats
    first = f", the first {amount(coats.first_seal_extra_ml)} more for bark" if coats.first_seal_extra_ml else ""
    lines = [
        f"{coats.seal_coats} seal coats of {amount(coats.seal_ml)} each{first}; flood coat {amount(coats.flood_ml)}; "
        f"edge {shown.length(coats.edge_mm)}"
    ]
    for mix in coats.mixes:
        cups = f"{mix.cups} cups, each " if mix.cups > 1 else ""
        lines.append(
            f"{mix.coat}: mix {amount(mix.mix_ml)}: {cups}A {mix.part_a_ml:.0f} ml ({mix.part_a_g:.1f} g), "
            f"B {mix.part_b_ml:.0f} ml ({mix.part_b_g:.1f} g)"
        )
    for p in plan.purchases:
        buy = ", ".join(p.containers) if p.containers else "give container sizes in resin.toml for a shopping list"
        cost = f", cost {p.cost:.2f}" if p.cost is not None else ""
        lines.append(f"{p.product}: {amount(p.need_ml)} needed, {amount(p.buy_ml)} with margin: {buy}{cost}")
    return [_wrapped(line, "    ") for line in lines]


def _section(title: str, lines: list[str]) -> list[str]:
    return ["", title, *("  " + line.replace("\n", "\n  ") for line in lines)] if lines else []


def _wrapped(text: str, indent: str) -> str:
    import textwrap

    lead = text[: len(text) - len(text.lstrip())]
    return textwrap.fill(text.strip(), WIDTH - 2, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False)


def fill_csv(plan: FillPlan) -> str:
    """Return the batches as CSV, a row a pour, with the amounts of its cup repeated on each."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_HEAD.split(","))
    for b in plan.batches:
        for p in b.pours:
            fine = [
                *(p.ml, p.ml / units.ML_PER_FL_OZ, p.depth_mm, p.depth_mm / units.MM_PER_IN),
                *(b.mix_ml, b.mix_ml / units.ML_PER_FL_OZ),
                *(b.part_a_ml, b.part_b_ml, b.part_a_g, b.part_b_g, b.pigment_g, b.minutes),
            ]
            row = [b.number, f"{b.start_h:.2f}", b.lift, b.resin, p.defect, p.lift, p.lifts, p.cup, p.cups]
            writer.writerow([*row, *(f"{v:.2f}" for v in fine), b.note])
    return out.getvalue()
