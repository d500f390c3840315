"""Printed sheets with boards at true size: a PDF of plain vectors."""

from __future__ import annotations

import io

from voidmap.errors import ValueRefused
from voidmap.scale.boards import BARS_MM, BOARDS, PATTERN_MM, SHORT_BAR_MM, black_rectangles_mm, board_name
from voidmap.units import MM_PER_IN

PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Landscape sheets: ISO 216 A4; US Letter, 11 x 8 1/2 in."""
SHEETS = 4
"""Boards A to D: one near each corner of a slab."""
OFF_PAGE_MM = (3.5, -4.0)
"""The pattern's middle lies so far to the right of the page's middle and, less than nothing, down: bars and words stand
on the other sides."""
_BAR_GAP_MM, _TICK_MM, _TICK_WIDTH_MM = 7.0, 5.0, 0.3


def boards_pdf(paper: str, count: int = SHEETS) -> bytes:
    """Draw the first boards at true size, one a page, each with its letter and check bars along x and y.

    Parameters
    ----------
    paper
        ``a4`` or ``letter``.
    count
        How many boards, from A on.

    Returns
    -------
    bytes
        A PDF whose pages are of exactly that paper, landscape.

    Raises
    ------
    ValueRefused
        When there is no such paper, or are not so many boards.
    """
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure

    if paper.lower() not in PAPERS_MM:
        raise ValueRefused(f"there is no paper {paper}", "say a4 or letter")
    if not 1 <= count <= BOARDS:
        raise ValueRefused(f"{count} boards can't be printed", f"ask for 1 to {BOARDS}")
    size = PAPERS_MM[paper.lower()]
    stream = io.BytesIO()
    # A fixed date keeps the file the same from run to run.
    with PdfPages(stream, metadata={"Title": "voidmap scale boards", "CreationDate": None}) as pages:
        for number in range(count):
            figure = Figure(figsize=(size[0] / MM_PER_IN, size[1] / MM_PER_IN))
            _draw_sheet(figure, number, size)
            pages.savefig(figure)
    return stream.getvalue()


def _draw_sheet(figure, number: int, size: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    from matplotlib.patches import Rectangle

    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, size[0])
    axes.set_ylim(size[1], 0)
    axes.set_axis_off()
    left, top = ((side - own) / 2 + off for side, own, off in zip(size, PATTERN_MM, OFF_PAGE_MM, strict=True))
    for x0, y0, x1, y1 in black_rectangles_mm(number):
        axes.add_patch(Rectangle((left + x0, top + y0), x1 - x0, y1 - y0, facecolor="black", linewidth=0))
    below = top + PATTERN_MM[1] + _BAR_GAP_MM
    beside = left - _BAR_GAP_MM
    _bar(axes, (left, below), (BARS_MM["x"], 0.0))
    _bar(axes, (beside, top), (0.0, BARS_MM["y"]))
    words = f"{board_name(number)}".upper()
    axes.text(left + PATTERN_MM[0], below + 8, words, fontsize=15, weight="bold", ha="right", va="center")
    for length, word in ((SHORT_BAR_MM, ""), (BARS_MM["x"], "bar x: ")):
        axes.text(left + length - 2, below + 3, f"{word}{length:.0f} mm", fontsize=8, ha="right", va="center")
    for length, word in ((SHORT_BAR_MM, ""), (BARS_MM["y"], "bar y: ")):
        beneath = {"ha": "center", "va": "bottom", "rotation": 90}
        axes.text(beside - 2.5, top + length - 2, f"{word}{length:.0f} mm", fontsize=8, **beneath)
    axes.text(
        left,
        below + 9,
        'Print at "actual size" on matt paper. Measure bar x from the left edge of its first tick to the left edge of '
        "its last,\nbar y from top edge to top edge. Lay flat on the slab, face up.",
        fontsize=7,
        ha="left",
        va="center",
    )


def _bar(axes, start: tuple[float, float], along: tuple[float, float]) -> None:  # type: ignore[no-untyped-def]
    """Draw a bar: its ticks' edges on one side, left or upper, are exactly 100 mm and its length on from the first."""
    from matplotlib.patches import Rectangle

    thin, half = _TICK_WIDTH_MM, _TICK_MM / 2
    across = (0.0, half) if along[0] else (half, 0.0)
    for share in (0.0, SHORT_BAR_MM / max(along), 1.0):
        corner = (start[0] + share * along[0] - across[0], start[1] + share * along[1] - across[1])
        sides = (thin, _TICK_MM) if along[0] else (_TICK_MM, thin)
        axes.add_patch(Rectangle(corner, *sides, facecolor="black", linewidth=0))
    corner = (start[0], start[1] - thin / 2) if along[0] else (start[0] - thin / 2, start[1])
    axes.add_patch(Rectangle(corner, along[0] or thin, along[1] or thin, facecolor="black", linewidth=0))
