"""The map and the charts as SVG: outlines over the slab, pinholes by state, counts from coat to coat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from voidmap import units
from voidmap.records import CoatRecord, Defect, Intake, Outline, Point, Verdict
from voidmap.report.callouts import callouts
from voidmap.report.look import LOOKS

BAR_CHOICES_MM = (25.4, 50.8, 101.6, 152.4, 304.8, 609.6)
"""Round lengths in shop units for the scale bar."""
DRAWN_WIDE = 1300.0
"""Letters and lines of a map are sized for a picture of this width."""
LABEL = 22.0
"""Height of a label's letters, in a picture ``DRAWN_WIDE`` wide."""


@dataclass(frozen=True)
class Frame:
    """A picture in the slab frame: its size, the place of its first pixel, and its scale."""

    width_px: int
    height_px: int
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def at(self, point_mm: Point) -> Point:
        """Carry a slab point to picture pixels."""
        return (point_mm[0] - self.x0_mm) / self.mm_per_px, (point_mm[1] - self.y0_mm) / self.mm_per_px


def map_svg(intake: Intake, frame: Frame, picture_uri: str) -> str:
    """Return the map: the slab's picture with the outline and every defect over it, labels above and below."""
    unit = frame.width_px / DRAWN_WIDE
    row = 1.7 * LABEL * unit
    left, top = frame.x0_mm, frame.y0_mm
    span = (left, left + frame.width_px * frame.mm_per_px)
    middle = top + frame.height_px / 2 * frame.mm_per_px
    above, below = callouts(intake.defects, span, middle_mm=middle, wide_mm=3.1 * LABEL * unit * frame.mm_per_px)
    head = row * (1.3 + max((k for _, _, k in above), default=-1))
    foot = row * (1.3 + max((k for _, _, k in below), default=-1))
    box = f"0 {-head:.0f} {frame.width_px} {frame.height_px + head + foot + 2 * row:.0f}"
    parts = [f'<svg id="map" class="picture" viewBox="{box}" role="group" aria-label="Map of the slab">']
    parts.append(f'<image href="{picture_uri}" width="{frame.width_px}" height="{frame.height_px}"/>')
    parts.append(f'<path class="slab" d="{_path(intake.slab.outline_mm, frame)}"/>')
    for side, edge, step in ((above, 0.0, -row), (below, float(frame.height_px), row)):
        for defect, x_mm, k in side:
            parts.append(_defect(defect, frame, ((x_mm - left) / frame.mm_per_px, edge + step * (k + 0.7)), unit))
    parts += [_scale_bar(frame, frame.height_px + foot + 1.7 * row), "</svg>"]
    return "".join(parts)


def coat_svg(record: CoatRecord, frame: Frame, picture_uri: str) -> str:
    """Return a coat's picture with its pinholes by state: ring new, square kept, dotted ring uncertain."""
    parts = [_open(frame, f"coat{record.number}")]
    parts.append(f'<image href="{picture_uri}" width="{frame.width_px}" height="{frame.height_px}"/>')
    size = max(9.0, frame.width_px / 180)
    for p in record.pinholes:
        x, y = frame.at((p.x_mm, p.y_mm))
        title = f"<title>{escape(p.site)}: {p.diameter_mm:.2f} mm, {escape(p.state)}</title>"
        if p.state == "kept":
            shape = f'<rect x="{x - size:.0f}" y="{y - size:.0f}" width="{2 * size:.0f}" height="{2 * size:.0f}">'
            parts.append(f'<g class="kept">{shape}{title}</rect></g>')
        else:
            parts.append(
                f'<g class="{escape(p.state)}"><circle cx="{x:.0f}" cy="{y:.0f}" r="{size:.0f}">{title}</circle></g>'
            )
    parts += [_scale_bar(frame, 0.985 * frame.height_px), "</svg>"]
    return "".join(parts)


def counts_svg(coats: Sequence[CoatRecord], verdict: Verdict | None) -> str:
    """Return a chart of counts after each coat with their intervals, and the forecast for one more."""
    rows = [(f"coat {c.number}", float(c.count), c.count_interval.lo, c.count_interval.hi, True) for c in coats]
    if verdict is not None and coats and verdict.coat == coats[-1].number:
        after = verdict.expected_after_next
        rows.append(("one more", after.count, after.interval.lo, after.interval.hi, False))
    top = max(1.0, *(row[3] for row in rows))
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
        parts.append(f'<text x="{x(hi) + 10:.1f}" y="{y + 5}">{value:.0f} ({lo:.0f} to {hi:.0f})</text>')
    return "".join([*parts, "</svg>"])


def power_svg(record: CoatRecord) -> str:
    """Return the power curve: the chance to see a pinhole, by its diameter; empty when there is none."""
    curve = record.power.curve
    if len(curve) < 2:
        return ""
    widest = curve[-1][0]
    points = " ".join(f"{60 + 500 * d / widest:.1f},{180 - 150 * p:.1f}" for d, p in curve)
    ticks = "".join(
        f'<text x="{60 + 500 * k / 4:.0f}" y="202" text-anchor="middle">{widest * k / 4:.2f} mm</text>'
        for k in range(5)
    )
    grid = "".join(
        f'<line x1="60" x2="560" y1="{180 - 150 * p:.0f}" y2="{180 - 150 * p:.0f}" class="grid"/>'
        f'<text x="52" y="{185 - 150 * p:.0f}" text-anchor="end">{p:.0%}</text>'
        for p in (0.0, 0.5, 0.9)
    )
    head = '<svg class="chart" viewBox="0 0 640 212" role="img" aria-label="Chance to see a pinhole by its size">'
    return f'{head}{grid}{ticks}<polyline points="{points}" class="curve"/></svg>'


def _open(frame: Frame, name: str) -> str:
    box = f"0 0 {frame.width_px} {frame.height_px}"
    return f'<svg id="{name}" class="picture" viewBox="{box}" role="img" aria-label="{name}">'


def _path(outline_mm: Outline, frame: Frame) -> str:
    return "M" + "L".join("{:.1f} {:.1f}".format(*frame.at(p)) for p in outline_mm) + "Z"


def _defect(defect: Defect, frame: Frame, middle: Point, unit: float) -> str:
    """Draw a defect, its label about ``middle`` (px), and a leader from one to the other."""
    look = LOOKS[defect.kind]
    x, y = middle
    size = LABEL * unit
    points = [frame.at(p) for p in defect.outline_mm]
    near_x, near_y = min(points, key=lambda p: (p[0] - x) ** 2 + (p[1] - y) ** 2)
    leader = f'd="M{x:.1f} {y:.1f}L{near_x:.1f} {near_y:.1f}"'
    path = _path(defect.outline_mm, frame)
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    layer = "void" if defect.is_void else "flat"
    return (
        f'<g class="defect {layer} {defect.kind.value}" data-id="{escape(defect.id)}" tabindex="0" role="button" '
        f'aria-label="{escape(defect.id)} {look.word}">'
        f'<path {leader} class="lead under"/><path {leader} class="lead" stroke="{look.colour}"/>'
        f'<path d="{path}" class="halo"/><path d="{path}" stroke="{look.colour}"{dash}/>'
        f'<rect x="{x - 1.4 * size:.1f}" y="{y - 0.7 * size:.1f}" width="{2.8 * size:.1f}" '
        f'height="{1.4 * size:.1f}" fill="{look.colour}"/>'
        f'<text x="{x:.1f}" y="{y + 0.36 * size:.1f}" font-size="{size:.1f}" text-anchor="middle">'
        f"{escape(defect.id)}</text></g>"
    )


def _scale_bar(frame: Frame, y: float) -> str:
    """Draw a bar of a round length in shop units whose foot is at ``y`` px."""
    wanted = 0.2 * frame.width_px * frame.mm_per_px
    length_mm = min(BAR_CHOICES_MM, key=lambda mm: abs(mm - wanted))
    long, unit = length_mm / frame.mm_per_px, frame.width_px / 100
    x = 2 * unit
    words = f"{units.shop_length(length_mm)} ({length_mm:.0f} mm)"
    return (
        f'<g class="bar"><rect x="{x - unit:.0f}" y="{y - 3 * unit:.0f}" width="{long + 2 * unit:.0f}" '
        f'height="{4 * unit:.0f}"/>'
        f'<path d="M{x:.0f} {y - 0.6 * unit:.0f}V{y:.0f}H{x + long:.0f}V{y - 0.6 * unit:.0f}"/>'
        f'<text x="{x:.0f}" y="{y - unit:.0f}" font-size="{1.7 * unit:.0f}">{words}</text></g>'
    )
