"""Small charts as SVG: counts from coat to coat, what a photo could show, and the fill's time line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from voidmap.records import CoatRecord, FillPlan, Verdict

DAY_H = 24.0
TICKS_MM, MOST_TICKS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0), 7
"""Steps of an axis of diameters: the finest that gives no more than so many."""


def counts_svg(coats: Sequence[CoatRecord], verdict: Verdict | None) -> str:
    """Return a chart of counts after each coat with their intervals, and the forecast for one more."""
    rows = [(f"coat {c.number}", float(c.count), c.count_interval.lo, c.count_interval.hi, True) for c in coats]
    if verdict is not None and coats and verdict.coat == coats[-1].number:
        after = verdict.expected_after_next
        rows.append(("one more", after.count, after.interval.lo, after.interval.hi, False))
    top = max(1.0, *(max(row[1], row[3]) for row in rows))
    left, right, step = 130, 400, 44
    height = step * len(rows) + 30

    def x(value: float) -> float:
        return left + (right - left) * value / top

    parts = [f'<svg class="chart" viewBox="0 0 640 {height}" role="img" aria-label="Pinholes after each coat">']
    for k, (name, value, lo, hi, seen) in enumerate(rows):
        y = step * k + 30
        dash = "" if seen else ' stroke-dasharray="5 4"'
        parts.append(f'<text x="{left - 10}" y="{y + 5}" text-anchor="end">{escape(name)}</text>')
        parts.append(f'<line x1="{x(lo):.1f}" x2="{x(hi):.1f}" y1="{y}" y2="{y}" class="span"{dash}/>')
        parts.append(f'<circle cx="{x(value):.1f}" cy="{y}" r="7" class="{"dot" if seen else "guess"}"/>')
        end = x(max(value, hi)) + 12
        parts.append(f'<text x="{end:.1f}" y="{y + 5}">{value:.0f} ({lo:.0f} to {hi:.0f})</text>')
    return "".join([*parts, "</svg>"])


def power_svg(record: CoatRecord) -> str:
    """Return the power curve: the chance to see a pinhole, by its diameter; empty when there is none."""
    curve = record.power.curve
    if len(curve) < 2:
        return ""
    widest = curve[-1][0]

    def x(size_mm: float) -> float:
        return 60 + 500 * size_mm / widest

    points = " ".join(f"{x(d):.1f},{190 - 150 * p:.1f}" for d, p in curve)
    step = next((s for s in TICKS_MM if widest / s <= MOST_TICKS), TICKS_MM[-1])
    ticks = "".join(
        f'<text x="{x(step * k):.0f}" y="212" text-anchor="middle">{step * k:g}{"" if k else " mm"}</text>'
        for k in range(int(widest / step) + 1)
    )
    grid = "".join(
        f'<line x1="60" x2="560" y1="{190 - 150 * p:.0f}" y2="{190 - 150 * p:.0f}" class="grid"/>'
        f'<text x="52" y="{195 - 150 * p:.0f}" text-anchor="end">{p:.0%}</text>'
        for p in (0.0, 0.5, 0.9)
    )
    marks = [(record.smallest_mm, 16, f"asked for: {record.smallest_mm:g} mm")]
    if record.power.d90_mm is not None:
        marks.append((record.power.d90_mm, 32, f"nine of ten seen: {record.power.d90_mm:.2f} mm"))
    lines = "".join(
        f'<line x1="{x(size):.1f}" x2="{x(size):.1f}" y1="{y + 3}" y2="190" class="grid" stroke-dasharray="3 3"/>'
        f'<text x="{x(size) + 6:.1f}" y="{y}">{text}</text>'
        for size, y, text in marks
        if size <= widest
    )
    head = '<svg class="chart" viewBox="0 0 640 236" role="img" aria-label="Chance to see a pinhole by its size">'
    says = "diameter of the pinhole; height: how many of them are seen"
    foot = f'<text x="310" y="232" text-anchor="middle">{says}</text>'
    return f'{head}{grid}{ticks}{lines}<polyline points="{points}" class="curve"/>{foot}</svg>'


def timeline_svg(plan: FillPlan) -> str:
    """Return the plan's time line, a row a day: work as bars of a height each, waits as thin lines."""
    if not plan.schedule:
        return ""
    start = float(plan.inputs.get("start_h", 0.0))
    days = math.ceil((plan.schedule[-1].start_h + start) / DAY_H + 1e-9)
    left, wide, step = 70.0, 560.0, 30.0
    high = {"pour": 18.0, "coat": 18.0, "work": 9.0, "wait": 2.0}
    parts = [
        f'<svg class="chart line" viewBox="0 0 660 {step * days + 26:.0f}" role="img" aria-label="Time line by day">'
    ]
    for hour in range(0, 25, 6):
        x = left + wide * hour / DAY_H
        parts.append(f'<line x1="{x:.0f}" x2="{x:.0f}" y1="2" y2="{step * days:.0f}" class="grid"/>')
        parts.append(f'<text x="{x:.0f}" y="{step * days + 18:.0f}" text-anchor="middle">{hour}:00</text>')
    for day in range(days):
        parts.append(f'<text x="{left - 10:.0f}" y="{step * day + 20:.0f}" text-anchor="end">day {day + 1}</text>')
    for item in plan.schedule:
        for day in range(int((item.start_h + start) // DAY_H), days):
            begin = max(item.start_h + start - DAY_H * day, 0.0)
            end = min(item.end_h + start - DAY_H * day, DAY_H)
            if end > begin:
                tall = high.get(item.kind, 9.0)
                parts.append(
                    f'<rect class="{escape(item.kind)}" x="{left + wide * begin / DAY_H:.1f}" '
                    f'y="{step * day + 15 - tall / 2:.1f}" width="{max(2.5, wide * (end - begin) / DAY_H):.1f}" '
                    f'height="{tall:g}"><title>{escape(item.what)}</title></rect>'
                )
    return "".join([*parts, "</svg>"])
