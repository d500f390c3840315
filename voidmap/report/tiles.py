"""The map at true size, in pages to lay over the slab: PDF with register marks on Letter or A4."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voidmap.errors import ValueRefused
from voidmap.records import Intake, Outline
from voidmap.report.look import LOOKS
from voidmap.report.outlines import extent_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAPERS_MM = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
"""Width and height: US Letter (8.5 x 11 in) and A4 (ISO 216)."""
EDGE_MM = 12.0
"""Left free on each side: no shop printer needs more."""
FOOT_MM = 14.0
"""Below the drawing, for the page's name and the check bar."""
OVERLAP_MM = 10.0
"""Neighbouring pages show this much of the same, so that they can be taped mark on mark."""
CHECK_BAR_MM = 100.0
MARK_MM = 4.0
"""Half the length of a register mark's arms."""
_PT_PER_MM = 72 / 25.4


@dataclass(frozen=True)
class Page:
    """One page: its name (row letter, column number) and the part of the slab frame that it shows, mm."""

    name: str
    x0_mm: float
    y0_mm: float
    wide_mm: float
    high_mm: float


def plan_pages(intake: Intake, paper: str = "letter") -> tuple[tuple[float, float], tuple[Page, ...]]:
    """Choose upright or sideways paper, whichever takes fewer pages, and lay the pages over the slab.

    Returns
    -------
    sheet
        Width and height of the paper as it is used, mm.
    pages
        Row by row; pages that show nothing of the slab are left out.

    Raises
    ------
    ValueRefused
        When there is no such paper.
    """
    if paper not in PAPERS_MM:
        raise ValueRefused(f"there is no paper called {paper}", f"say {' or '.join(PAPERS_MM)}")
    wide, high = PAPERS_MM[paper]
    ways = [((w, h), _pages(intake, w, h)) for w, h in ((wide, high), (high, wide))]
    return min(ways, key=lambda way: len(way[1]))


def map_pdf(intake: Intake, *, paper: str = "letter", title: str = "") -> bytes:
    """Return the outlines at 1:1 as a PDF, one page for each tile.

    Every page carries register marks at the corners of its tile (the same marks are on its neighbours), its
    name, and a bar of 100 mm to measure after printing.
    """
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    (wide, high), pages = plan_pages(intake, paper)
    out = io.BytesIO()
    info = {"Title": title or "voidmap at true size", "CreationDate": None}
    with PdfPages(out, metadata=info) as book:
        for page in pages:
            figure = Figure(figsize=(wide / 25.4, high / 25.4))
            _draw(figure, intake, page, pages, wide, high)
            book.savefig(figure)
    return out.getvalue()


def _pages(intake: Intake, wide: float, high: float) -> tuple[Page, ...]:
    x0, y0, x1, y1 = extent_mm(intake)
    w, h = wide - 2 * EDGE_MM, high - 2 * EDGE_MM - FOOT_MM
    columns = max(1, math.ceil((x1 - x0 - OVERLAP_MM) / (w - OVERLAP_MM)))
    rows = max(1, math.ceil((y1 - y0 - OVERLAP_MM) / (h - OVERLAP_MM)))
    # What is left over is shared between both sides, so that the slab lies in the middle of its pages.
    left = x0 - (columns * (w - OVERLAP_MM) + OVERLAP_MM - (x1 - x0)) / 2
    top = y0 - (rows * (h - OVERLAP_MM) + OVERLAP_MM - (y1 - y0)) / 2
    grid = [
        Page(f"{_letters(r)}{c + 1}", left + c * (w - OVERLAP_MM), top + r * (h - OVERLAP_MM), w, h)
        for r in range(rows)
        for c in range(columns)
    ]
    return tuple(page for page in grid if _shows(page, intake.slab.outline_mm))


def _letters(row: int) -> str:
    return chr(65 + row) if row < 26 else _letters(row // 26 - 1) + chr(65 + row % 26)


def _shows(page: Page, outline: Outline) -> bool:
    """Whether any of the slab lies on a page."""
    import cv2
    import numpy as np

    box = np.array(
        [
            [page.x0_mm, page.y0_mm],
            [page.x0_mm + page.wide_mm, page.y0_mm],
            [page.x0_mm + page.wide_mm, page.y0_mm + page.high_mm],
            [page.x0_mm, page.y0_mm + page.high_mm],
        ],
        dtype=np.float32,
    )
    slab = np.asarray(outline, dtype=np.float32)
    inside = ((slab >= box[0]) & (slab <= box[2])).all(axis=1).any()
    return bool(inside) or any(cv2.pointPolygonTest(slab, (float(x), float(y)), False) >= 0 for x, y in box)


def _draw(figure: Figure, intake: Intake, page: Page, pages: tuple[Page, ...], wide: float, high: float) -> None:
    area = figure.add_axes(
        (EDGE_MM / wide, (EDGE_MM + FOOT_MM) / high, page.wide_mm / wide, page.high_mm / high), frameon=False
    )
    area.set_axis_off()
    area.set_xlim(page.x0_mm, page.x0_mm + page.wide_mm)
    area.set_ylim(page.y0_mm + page.high_mm, page.y0_mm)
    area.plot(*_closed(intake.slab.outline_mm), color="black", linewidth=0.8)
    for defect in intake.defects:
        look = LOOKS[defect.kind]
        dash = tuple(float(v) * 0.5 for v in look.dash.split())
        style = (0.0, dash) if dash else "solid"
        area.plot(*_closed(defect.outline_mm), color=look.colour, linewidth=0.7, linestyle=style)
        x, y = max(defect.outline_mm)
        area.text(x + 1.5, y, f"{defect.id} {look.word}", fontsize=7, color=look.colour, va="center", clip_on=True)
    _marks(area, page)
    _foot(figure, page, pages, wide, high)


def _closed(outline: Outline) -> tuple[list[float], list[float]]:
    points = [*outline, outline[0]]
    return [p[0] for p in points], [p[1] for p in points]


def _marks(area: Axes, page: Page) -> None:
    """Crosses in the middle of the overlap at the tile's corners: the same places on the neighbours."""
    inset = OVERLAP_MM / 2
    for x in (page.x0_mm + inset, page.x0_mm + page.wide_mm - inset):
        for y in (page.y0_mm + inset, page.y0_mm + page.high_mm - inset):
            for dx, dy in ((MARK_MM, 0.0), (0.0, MARK_MM)):
                area.plot([x - dx, x + dx], [y - dy, y + dy], color="black", linewidth=0.4)
            area.plot(
                [x],
                [y],
                marker="o",
                markersize=MARK_MM * _PT_PER_MM,
                fillstyle="none",
                color="black",
                markeredgewidth=0.4,
            )


def _foot(figure: Figure, page: Page, pages: tuple[Page, ...], wide: float, high: float) -> None:
    foot = figure.add_axes((EDGE_MM / wide, EDGE_MM / high, page.wide_mm / wide, FOOT_MM / high), frameon=False)
    foot.set_axis_off()
    foot.set_xlim(0, page.wide_mm)
    foot.set_ylim(0, FOOT_MM)
    foot.plot([2, 2 + CHECK_BAR_MM], [4, 4], color="black", linewidth=0.8)
    for x in (2.0, 2 + CHECK_BAR_MM):
        foot.plot([x, x], [2.5, 5.5], color="black", linewidth=0.8)
    number = pages.index(page) + 1
    foot.text(
        2,
        7.5,
        f"Page {page.name} ({number} of {len(pages)}). Print at 100 %, without fitting to the page. "
        f"This bar is {CHECK_BAR_MM:.0f} mm.",
        fontsize=7,
    )
    foot.text(CHECK_BAR_MM + 6, 3, "Lay neighbours cross on cross and tape.", fontsize=7)
