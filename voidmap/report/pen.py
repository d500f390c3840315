"""Plain drawings as a list of strokes in mm, given out as SVG or drawn on a printed page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from voidmap.records import Point

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK = "#1c1a17"
WOOD = "#e4cfae"
PAPER = "#ffffff"
LIGHT = "#f6e7b0"
DARK = "#5b4a38"
GREY = "#b9b2a6"
NO_FILL = "none"


@dataclass(frozen=True)
class Stroke:
    """A line through points; closed ones may be filled. ``width`` is in mm, ``dash`` in mm on and off."""

    points: tuple[Point, ...]
    fill: str = NO_FILL
    line: str = INK
    width: float = 0.5
    dash: tuple[float, float] | None = None
    closed: bool = False


@dataclass(frozen=True)
class Word:
    """A word at a place: the foot of its letters; ``size`` is their height in mm."""

    at: Point
    text: str
    size: float = 3.4
    anchor: str = "middle"


Drawing = Sequence[Stroke | Word]


def box(x: float, y: float, wide: float, high: float, fill: str = NO_FILL, width: float = 0.5) -> Stroke:
    """Return a rectangle."""
    return Stroke(((x, y), (x + wide, y), (x + wide, y + high), (x, y + high)), fill, width=width, closed=True)


def line(*points: Point, dash: tuple[float, float] | None = None, width: float = 0.5, colour: str = INK) -> Stroke:
    """Return an open line."""
    return Stroke(points, line=colour, width=width, dash=dash)


def arrow(start: Point, end: Point, *, both: bool = False) -> list[Stroke]:
    """Return an arrow, with heads at both ends when it measures something."""
    heads = [(start, end)] + ([(end, start)] if both else [])
    return [line(start, end, width=0.4), *(_head(a, b) for a, b in heads)]


def _head(start: Point, end: Point) -> Stroke:
    dx, dy = end[0] - start[0], end[1] - start[1]
    far = (dx * dx + dy * dy) ** 0.5
    ux, uy = 2.4 * dx / far, 2.4 * dy / far
    tip = (end[0], end[1])
    return Stroke(
        (tip, (end[0] - ux - 0.4 * uy, end[1] - uy + 0.4 * ux), (end[0] - ux + 0.4 * uy, end[1] - uy - 0.4 * ux)),
        INK,
        width=0.1,
        closed=True,
    )


def svg(drawing: Drawing, size: tuple[float, float], label: str) -> str:
    """Return a drawing as an inline SVG picture of ``size`` (mm) with a text for those who can't see it."""
    parts = [f'<svg class="drawn" viewBox="0 0 {size[0]:g} {size[1]:g}" role="img" aria-label="{escape(label)}">']
    for item in drawing:
        if isinstance(item, Word):
            parts.append(
                f'<text x="{item.at[0]:g}" y="{item.at[1]:g}" font-size="{item.size:g}" text-anchor="{item.anchor}">'
                f"{escape(item.text)}</text>"
            )
            continue
        dash = f' stroke-dasharray="{item.dash[0]:g} {item.dash[1]:g}"' if item.dash else ""
        path = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in item.points) + ("Z" if item.closed else "")
        parts.append(f'<path d="{path}" fill="{item.fill}" stroke="{item.line}" stroke-width="{item.width:g}"{dash}/>')
    return "".join([*parts, "</svg>"])


def onto_page(area: Axes, drawing: Drawing, corner: Point) -> None:
    """Draw onto axes whose unit is one mm (y down), the drawing's corner at ``corner``."""
    from matplotlib.patches import Polygon

    per_mm = 72 / 25.4
    for order, item in enumerate(drawing):
        if isinstance(item, Word):
            x, y = item.at[0] + corner[0], item.at[1] + corner[1]
            side = {"middle": "center", "start": "left", "end": "right"}[item.anchor]
            area.text(x, y, item.text, fontsize=item.size * per_mm, ha=side, va="baseline", color=INK, zorder=order)
            continue
        points = [(x + corner[0], y + corner[1]) for x, y in item.points]
        style = (0, tuple(v * per_mm / (item.width * per_mm) for v in item.dash)) if item.dash else "solid"
        area.add_patch(
            Polygon(
                points,
                closed=item.closed,
                facecolor=item.fill,
                edgecolor=item.line,
                linewidth=item.width * per_mm,
                linestyle=style,
                zorder=order,
            )
        )
