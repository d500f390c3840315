"""How to photograph a slab: six drawings with a few words each, for the sheet and as one printed page."""

from __future__ import annotations

import io
import math
import textwrap
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from voidmap.errors import ValueRefused
from voidmap.records import Point
from voidmap.report.parts.bits import with_options
from voidmap.report.pen import DARK, GREY, INK, LIGHT, PAPER, WOOD, Drawing, Stroke, Word, arrow, box, line, onto_page
from voidmap.report.pen import svg as drawn_svg
from voidmap.report.tiles import PAPERS_MM

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SIZE = (84.0, 46.0)
"""Of a drawing, mm."""
COLUMN_MM = 92.0
"""Two columns of drawings fit A4 and Letter."""
ROW_MM = 80.0
TITLE = "How to photograph a slab"
FOOT = (
    "Print boards: voidmap boards. Measure the two check bars of a printed sheet with a steel rule and pass what you "
    "found with --bar-x and --bar-y. Keep lamps clear of wet resin, solvent and dust."
)


@dataclass(frozen=True)
class Step:
    """One step: its head, what is drawn, and what is said."""

    head: str
    words: str
    drawing: Drawing


def _slab(x: float, y: float, wide: float, high: float) -> Stroke:
    """Return a slab seen from above: two live edges."""
    steps = 24
    top = [(x + wide * k / steps, y + 1.2 * math.sin(0.9 * k) + 0.6 * math.sin(2.3 * k)) for k in range(steps + 1)]
    low = [(x + wide * k / steps, y + high + math.sin(1.1 * k + 1)) for k in range(steps, -1, -1)]
    return Stroke((*top, *low), WOOD, closed=True)


def _board(x: float, y: float, wide: float = 14.0) -> list[Stroke]:
    """Return a scale board seen from above: 7 x 5 squares on paper."""
    cell = wide / 9
    squares = [
        box(x + (c + 1) * cell, y + (r + 1) * cell, cell, cell, INK, width=0.0)
        for r in range(5)
        for c in range(7)
        if (r + c) % 2 == 0
    ]
    return [box(x, y, wide, 7 * cell, PAPER, width=0.3), *squares]


def _phone(x: float, y: float) -> list[Stroke]:
    """Return a phone seen from the side, level, its lens looking down at (x, y)."""
    return [box(x - 6, y - 2, 12, 2, DARK, width=0.3), box(x - 1, y, 2, 0.8, INK, width=0.1)]


def _view(x: float, y: float, half: float, foot: float) -> Stroke:
    return Stroke(((x, y + 0.8), (x - half, foot), (x + half, foot)), LIGHT, line=GREY, width=0.2, closed=True)


def _side_slab(x: float, y: float, wide: float) -> Stroke:
    return box(x, y, wide, 4.0, WOOD)


def _round(x: float, y: float, r: float, fill: str, width: float = 0.4) -> Stroke:
    points = tuple((x + r * math.cos(k * math.pi / 12), y + r * math.sin(k * math.pi / 12)) for k in range(24))
    return Stroke(points, fill, width=width, closed=True)


def _lamp(x: float, y: float, toward: Point) -> list[Stroke]:
    """Return a lamp with three rays toward a place."""
    rays = [line((x, y), (toward[0] + d, toward[1]), dash=(1.2, 1.0), width=0.3) for d in (-7.0, 0.0, 7.0)]
    return [*rays, _round(x, y, 2.6, LIGHT, 0.5)]


def _yes(x: float, y: float) -> Stroke:
    return line((x, y), (x + 1.5, y + 1.8), (x + 4.5, y - 3), width=0.9)


def _no(x: float, y: float) -> list[Stroke]:
    return [line((x, y - 3), (x + 4, y + 1), width=0.9), line((x, y + 1), (x + 4, y - 3), width=0.9)]


def _boards_flat() -> Drawing:
    hole = Stroke(
        tuple((44 + 5 * math.cos(k * 0.5236) + math.sin(3 * k), 13 + 2.6 * math.sin(k * 0.5236)) for k in range(12)),
        DARK,
        closed=True,
    )
    curled = tuple((58 + 18 * k / 12, 39.4 - 4 * (k / 12) ** 3) for k in range(13))
    return [
        _slab(4, 3, 76, 23),
        hole,
        *_board(9, 8),
        *_board(61, 9),
        *arrow((25, 22), (59, 22), both=True),
        Word((42, 21), "far apart", 3.0),
        _side_slab(4, 40, 36),
        line((10, 39.6), (28, 39.6), width=1.0),
        _yes(32, 37),
        _side_slab(46, 40, 34),
        line(*curled, width=1.0),
        *_no(49, 36.5),
    ]


def _bars() -> Drawing:
    ticks = [line((8 + k * 6.4, 33), (8 + k * 6.4, 30.5 if k % 5 else 29)) for k in range(11)]
    return [
        box(3, 3, 78, 24, PAPER, 0.4),
        *_board(7, 4.5, 22),
        line((8, 23.5), (72, 23.5), width=1.0),
        line((8, 21.5), (8, 25.5), width=0.7),
        line((72, 21.5), (72, 25.5), width=0.7),
        Word((54, 20), "200 mm?", 3.6),
        box(4, 29, 74, 10, "#d9d6cf", 0.4),
        *ticks,
        line((72, 26.5), (72, 30), dash=(0.8, 0.8), width=0.3),
        line((8, 26.5), (8, 29), dash=(0.8, 0.8), width=0.3),
        Word((40, 44), "steel rule", 3.0),
    ]


def _height() -> Drawing:
    return [
        _view(42, 8, 33, 36),
        _side_slab(14, 36, 56),
        *_phone(42, 8),
        *arrow((78, 8), (78, 36), both=True),
        line((52, 7), (80, 7), dash=(1.2, 1.0), width=0.3),
        Word((7, 44.5), "bench", 3.0),
        line((1, 40.2), (83, 40.2)),
        line((28, 3.5), (56, 3.5), width=0.3),
        Word((24, 5), "level", 3.0),
        line((20, 35), (30, 35), width=1.0),
        line((54, 35), (64, 35), width=1.0),
    ]


def _places() -> Drawing:
    marks: list[Stroke | Word] = []
    for k, x in enumerate((20.0, 42.0, 64.0), start=1):
        marks += [_view(x, 9, 21, 37), Word((x, 5.6), str(k), 3.6)]
    return [
        *marks,
        *(s for x in (20.0, 42.0, 64.0) for s in _phone(x, 9)),
        _side_slab(10, 37, 64),
        Stroke(((38, 37), (39.5, 40), (43, 40), (45, 37)), DARK, closed=True, width=0.3),
        line((13, 36.5), (24, 36.5), width=1.0),
        line((58, 36.5), (69, 36.5), width=1.0),
        *arrow((20, 14), (42, 14), both=True),
        *arrow((42, 14), (64, 14), both=True),
        Word((31, 18), "6 to 16 in", 2.8),
        Word((53, 18), "150 to 400 mm", 2.8),
    ]


def _overlap() -> Drawing:
    frames = [
        Stroke(((x, 4.0), (x + 34, 4.0), (x + 34, 36.0), (x, 36.0)), dash=(2.0, 1.2), width=0.6, closed=True)
        for x in (2.0, 25.0, 48.0)
    ]
    return [
        _slab(5, 8, 74, 24),
        *_board(9, 11, 10),
        *_board(26, 19, 9),
        *_board(49, 11, 9),
        *_board(66, 20, 10),
        *frames,
        Word((13, 41.5), "1", 3.6),
        Word((42, 41.5), "2", 3.6),
        Word((71, 41.5), "3", 3.6),
        *arrow((25, 38), (36, 38), both=True),
        *arrow((48, 38), (59, 38), both=True),
    ]


def _gloss() -> Drawing:
    parts: list[Stroke | Word] = []
    for x, lamp, glare in ((2.0, 5.0, 11.8), (44.0, 79.0, 72.2)):
        parts += [
            _side_slab(x, 36, 38),
            line((x, 35.6), (x + 38, 35.6), width=1.0, colour="#2b7bb0"),
            *_lamp(lamp, 17, (x + 19, 35)),
            *_phone(x + 19, 10),
            Stroke(((glare - 3, 35.2), (glare + 3, 35.2)), line="#ffffff", width=1.4),
            line((x + 22, 35.0), (x + 31, 35.0), width=0.8),
            Stroke(((glare, 34.6), (x + 19, 11)), line=GREY, width=0.3, dash=(0.6, 0.8)),
        ]
    return [*parts, Word((21, 45), "photo 1: lamp left", 3.0), Word((63, 45), "photo 2: lamp right", 3.0)]


STEPS = (
    Step(
        "Boards flat on the top",
        "Two or more, far apart, not over a void, not on the bench. A curled sheet measures wrong: tape its corners "
        "down, or glue it on a panel and pass --board-thickness.",
        _boards_flat(),
    ),
    Step(
        "Check what the printer did",
        "At 100 % the check bars are 200 and 150 mm. Measure both; pass what you found with --bar-x and --bar-y.",
        _bars(),
    ),
    Step(
        "Level, all edges in view",
        "Even light from a bright room or an open door, no flash, no lamp shining into the lens. Wipe the lens, let it "
        "focus, and hold the phone level over the middle, high enough that the bench shows on all sides. Give photos "
        "as the camera saved them, not cropped.",
        _height(),
    ),
    Step(
        "Three places for depth",
        "The first photo over the middle, two more from 6 to 16 in (150 to 400 mm) to either side, same height, same "
        "zoom, the boards not moved. Three photos measure depth; one can't.",
        _places(),
    ),
    Step(
        "A long top: overlap",
        "Neighbouring photos share a third, and at least one whole board lies in what they share. voidmap shots "
        "reckons how many and how high.",
        _overlap(),
    ),
    Step(
        "A coat: near, and move the lamp",
        "A board on the cured coat, the phone so near that a pinhole that matters is three pixels wide (voidmap shots "
        "tells). One low lamp from the side; for gloss a second photo with the lamp on the other side, so that glare "
        "in one is seen in the other.",
        _gloss(),
    ),
)


def guide_html() -> str:
    """Return the guide as HTML for the sheet."""
    items = "".join(
        f"<li>{drawn_svg(step.drawing, SIZE, step.head)}<h3>{escape(step.head)}</h3>"
        f"<p>{with_options(step.words)}</p></li>"
        for step in STEPS
    )
    return f'<ol class="guide">{items}</ol><p>{with_options(FOOT)}</p>'


def guide_pdf(paper: str = "letter") -> bytes:
    """Return the guide as one printed page.

    Raises
    ------
    ValueRefused
        When there is no such paper.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    figure = guide_figure(paper)
    out = io.BytesIO()
    with PdfPages(out, metadata={"Title": TITLE, "CreationDate": None}) as book:
        book.savefig(figure)
    return out.getvalue()


def guide_figure(paper: str) -> Figure:
    """Return the page as a figure of the paper's size.

    Raises
    ------
    ValueRefused
        When there is no such paper.
    """
    from matplotlib.figure import Figure

    if paper not in PAPERS_MM:
        raise ValueRefused(f"there is no paper called {paper}", f"say {' or '.join(PAPERS_MM)}")
    wide, high = PAPERS_MM[paper]
    figure = Figure(figsize=(wide / 25.4, high / 25.4))
    area = figure.add_axes((0, 0, 1, 1), frameon=False)
    area.set_axis_off()
    area.set_xlim(0, wide)
    area.set_ylim(high, 0)
    left = (wide - 2 * COLUMN_MM) / 2
    area.text(left, 18, TITLE, fontsize=20, fontweight="bold", color=INK)
    for k, step in enumerate(STEPS):
        x, y = left + (k % 2) * COLUMN_MM, 24 + (k // 2) * ROW_MM
        onto_page(area, step.drawing, (x, y))
        area.text(x, y + SIZE[1] + 6, f"{k + 1}  {step.head}", fontsize=11, fontweight="bold", color=INK)
        words = textwrap.fill(step.words, 54, break_on_hyphens=False)
        area.text(x, y + SIZE[1] + 9, words, fontsize=8.5, va="top", linespacing=1.25, color=INK)
    area.text(left, high - 9, textwrap.fill(FOOT, 118, break_on_hyphens=False), fontsize=8, va="bottom", color=INK)
    return figure
