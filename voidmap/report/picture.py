"""The map as one picture (PNG): outlines over the slab's photo, labels beside it so that nothing hides the wood."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from voidmap.records import Defect, Intake, Outline
from voidmap.report.callouts import callouts
from voidmap.report.drawing import bar_mm, bar_words
from voidmap.report.look import LOOKS, UNSEEN, legend
from voidmap.report.outlines import extent_mm

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from voidmap.report.nouns import Frame

WIDE_PX = 2200
"""Width of the picture: about 260 dots per inch on Letter."""
DPI = 200
_LABEL_PT = 7.0
_HALO = 2.4
"""Width of the white line under an outline, in widths of the outline: it shows on dark and on pale wood."""


def map_png(intake: Intake, pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], frame: Frame) -> bytes:
    """Return the map over the slab's square-on picture as PNG.

    Parameters
    ----------
    intake
        The slab.
    pixels
        (H, W, 3) uint8 B, G, R.
    frame
        Where the picture lies in the slab frame.
    """
    from matplotlib.figure import Figure

    x0, y0, x1, y1 = extent_mm(intake)
    wide_mm = 1.06 * (x1 - x0)
    mm_per_pt = wide_mm / (WIDE_PX / DPI * 72)
    row_mm = 2.2 * _LABEL_PT * mm_per_pt
    above, below = callouts(intake.defects, (x0, x1), middle_mm=(y0 + y1) / 2, wide_mm=3.4 * _LABEL_PT * mm_per_pt)
    top = y0 - row_mm * (2 + max((row for _, _, row in above), default=0))
    foot = y1 + row_mm * (2 + max((row for _, _, row in below), default=0))
    high_mm = foot + 3.2 * row_mm - top
    figure = Figure(figsize=(WIDE_PX / DPI, WIDE_PX / DPI * high_mm / wide_mm), dpi=DPI, facecolor="white")
    area = figure.add_axes((0, 0, 1, 1), frameon=False)
    area.set_axis_off()
    half = frame.mm_per_px / 2
    right = frame.x0_mm + frame.width_px * frame.mm_per_px - half
    low = frame.y0_mm + frame.height_px * frame.mm_per_px - half
    area.imshow(
        pixels[:, :, ::-1], extent=(frame.x0_mm - half, right, low, frame.y0_mm - half), interpolation="antialiased"
    )
    area.set_xlim(x0 - 0.03 * (x1 - x0), x1 + 0.03 * (x1 - x0))
    area.set_ylim(foot + 3.2 * row_mm, top)
    _line(area, intake.slab.outline_mm, "#000000", "", 0.9)
    for defect in intake.defects:
        look = LOOKS[defect.kind]
        for unseen in defect.hidden.outlines_mm if defect.hidden is not None else ():
            _line(area, unseen, look.colour, UNSEEN.dash, 1.3)
        _line(area, defect.outline_mm, look.colour, look.dash, 1.3)
    for side, y_edge, step in ((above, y0, -row_mm), (below, y1, row_mm)):
        for defect, x, row in side:
            _label(area, defect, (x, y_edge + step * (row + 1)))
    _foot(area, intake, (x0, x1), foot, row_mm)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _line(area: Axes, outline: Outline, colour: str, dash: str, width: float) -> None:
    points = np.asarray([*outline, outline[0]])
    area.plot(points[:, 0], points[:, 1], color="white", linewidth=_HALO * width, alpha=0.8)
    area.plot(points[:, 0], points[:, 1], color=colour, linewidth=width, linestyle=_style(dash), dash_capstyle="butt")


def _style(dash: str) -> str | tuple[float, tuple[float, ...]]:
    """Return a dash of the drawn map, px, as a style of a line in the picture."""
    return (0.0, tuple(float(v) / 2.5 for v in dash.split())) if dash else "solid"


def _label(area: Axes, defect: Defect, place: tuple[float, float]) -> None:
    look = LOOKS[defect.kind]
    points = np.asarray(defect.outline_mm)
    near = points[int(np.argmin(np.hypot(*(points - place).T)))]
    for colour, width in (("white", 1.6), (look.colour, 0.6)):
        area.plot([place[0], near[0]], [place[1], near[1]], color=colour, linewidth=width)
    box = {"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": look.colour, "linewidth": 0.9}
    if not defect.is_void:
        box["linestyle"] = (0, (2, 1.5))
    area.text(
        *place, defect.id, fontsize=_LABEL_PT, color=look.colour, ha="center", va="center", weight="bold", bbox=box
    )


def _foot(area: Axes, intake: Intake, span: tuple[float, float], y: float, row: float) -> None:
    """Draw the scale bar and the legend under the map."""
    bar = bar_mm(span[1] - span[0])
    at = y + 1.2 * row
    area.plot([span[0], span[0] + bar], [at, at], color="black", linewidth=1.6, solid_capstyle="butt")
    for x in (span[0], span[0] + bar):
        area.plot([x, x], [at - 0.3 * row, at + 0.3 * row], color="black", linewidth=1.0)
    area.text(span[0], at + 0.9 * row, bar_words(bar), fontsize=_LABEL_PT, va="center")
    looks = legend(intake.defects)
    start = span[0] + 0.3 * (span[1] - span[0])
    step = 0.7 * (span[1] - span[0]) / max(4, len(looks))
    for k, look in enumerate(looks):
        x = start + k * step
        area.plot([x, x + 0.55 * step], [at, at], color=look.colour, linewidth=1.6, linestyle=_style(look.dash))
        area.text(x, at + 0.9 * row, look.word, fontsize=_LABEL_PT, va="center")
