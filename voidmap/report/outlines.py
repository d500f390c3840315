"""The map as outlines for other programs: SVG in true millimetres, DXF R12, and a table (CSV)."""

from __future__ import annotations

import csv
import io
import logging
from html import escape

from voidmap.errors import InputError
from voidmap.records import Defect, Intake, Kind, Outline
from voidmap.report.look import LOOKS

MARGIN_MM = 10.0
"""Room around the slab in the drawing."""
LABEL_MM = 5.0
"""Height of a label's letters."""
SLAB_LAYER = "SLAB"
LABEL_LAYER = "LABELS"
# AutoCAD colour index and line type of each kind (the index is part of the open DXF reference).
_DXF_LOOKS: dict[Kind, tuple[int, str]] = {
    Kind.CRACK: (30, "CONTINUOUS"),
    Kind.KNOT_HOLE: (150, "DASHED"),
    Kind.BARK_VOID: (220, "DASHDOT"),
    Kind.HOLE: (7, "DOT"),
    Kind.SEAM_GAP: (94, "DASHEDX2"),
    Kind.SOUND_KNOT: (8, "DOT2"),
    Kind.STAIN: (54, "DOTX2"),
}
_COLUMNS = (
    "id",
    "kind",
    "is_void",
    "void_probability",
    "area_mm2",
    "area_lo_mm2",
    "area_hi_mm2",
    "length_mm",
    "length_lo_mm",
    "length_hi_mm",
    "width_mean_mm",
    "width_mean_lo_mm",
    "width_mean_hi_mm",
    "width_max_mm",
    "width_max_lo_mm",
    "width_max_hi_mm",
    "rim_mm",
    "depth_mean_mm",
    "depth_mean_lo_mm",
    "depth_mean_hi_mm",
    "depth_max_mm",
    "depth_source",
    "volume_ml",
    "volume_lo_ml",
    "volume_hi_ml",
    "through",
    "opens_on_edge",
    "edge_opening_mm",
    "x_mm",
    "y_mm",
    "from_user",
    "note",
)


def map_svg_mm(intake: Intake) -> str:
    """Return the outlines as an SVG whose user unit is one millimetre; a group for each kind.

    x runs right and y down, as in the slab frame; the view box is the slab's extent with ``MARGIN_MM`` around.
    """
    x0, y0, x1, y1 = extent_mm(intake)
    x0, y0, wide, high = x0 - MARGIN_MM, y0 - MARGIN_MM, x1 - x0 + 2 * MARGIN_MM, y1 - y0 + 2 * MARGIN_MM
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:.3f}mm" height="{high:.3f}mm" '
        f'viewBox="{x0:.3f} {y0:.3f} {wide:.3f} {high:.3f}">',
        f'<g id="slab" fill="none" stroke="#000" stroke-width="0.5"><path d="{_path(intake.slab.outline_mm)}"/></g>',
    ]
    for kind, look in LOOKS.items():
        dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
        paths = [
            f'<path id="{escape(d.id)}" d="{_path(d.outline_mm)}"><title>{escape(d.id)} {look.word}</title></path>'
            for d in intake.defects
            if d.kind is kind
        ]
        if paths:
            group = f'<g id="{kind.value}" fill="none" stroke="{look.colour}" stroke-width="0.5"{dash}>'
            parts.append(group + "".join(paths) + "</g>")
    labels = (
        f'<text x="{x:.2f}" y="{y:.2f}">{escape(d.id)}</text>' for d, (x, y) in zip(*_labels(intake), strict=True)
    )
    parts.append(f'<g id="labels" font-family="sans-serif" font-size="{LABEL_MM}">{"".join(labels)}</g></svg>\n')
    return "".join(parts)


def map_dxf(intake: Intake) -> str:
    """Return the outlines as DXF R12: closed polylines in mm, one layer for each kind, y up.

    Raises
    ------
    InputError
        When the extra ``voidmap[dxf]`` is not installed.
    """
    try:
        import ezdxf
    except ImportError as error:
        raise InputError("DXF files need the ezdxf package", 'run pip install "voidmap[dxf]"') from error
    # R12 has no field for the unit, which the library would say on standard error each time.
    logging.getLogger("ezdxf").setLevel(logging.ERROR)
    drawing = ezdxf.new("R12", setup=["linetypes"])
    space = drawing.modelspace()
    drawing.layers.add(SLAB_LAYER, color=7)
    drawing.layers.add(LABEL_LAYER, color=8)
    space.add_polyline2d(_flipped(intake.slab.outline_mm), close=True, dxfattribs={"layer": SLAB_LAYER})
    for kind in dict.fromkeys(d.kind for d in intake.defects):
        colour, style = _DXF_LOOKS[kind]
        drawing.layers.add(kind.value.upper(), color=colour, linetype=style)
    for defect in intake.defects:
        layer = {"layer": defect.kind.value.upper()}
        space.add_polyline2d(_flipped(defect.outline_mm), close=True, dxfattribs=layer)
    for defect, (x, y) in zip(*_labels(intake), strict=True):
        text = space.add_text(defect.id, height=LABEL_MM, dxfattribs={"layer": LABEL_LAYER})
        text.set_placement((x, -y))
    out = io.StringIO()
    drawing.write(out)
    return out.getvalue()


def map_csv(intake: Intake) -> str:
    """Return all defects as a table, a row each, metric; a text that a spreadsheet would run is made plain."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for defect in intake.defects:
        writer.writerow(_row(defect))
    return out.getvalue()


def extent_mm(intake: Intake) -> tuple[float, float, float, float]:
    """Return (x0, y0, x1, y1) around the slab and all defects, slab mm."""
    points = [*intake.slab.outline_mm, *(p for d in intake.defects for p in d.outline_mm)]
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def _row(defect: Defect) -> list[object]:
    depth, sizes = defect.depth, defect.size_intervals_mm
    lo, hi = depth.mean_interval_mm if depth else ("", "")
    x, y = defect.outline_mm[0]
    values: list[object] = [
        defect.id,
        defect.kind.value,
        defect.is_void,
        defect.void_probability,
        defect.area_mm2,
        *defect.area_interval_mm2,
        defect.length_mm,
        *(sizes.length if sizes else ("", "")),
        defect.width_mean_mm,
        *(sizes.width_mean if sizes else ("", "")),
        defect.width_max_mm,
        *(sizes.width_max if sizes else ("", "")),
        defect.rim_mm,
        depth.mean_mm if depth else "",
        lo,
        hi,
        depth.max_mm if depth else "",
        depth.source if depth else "",
        defect.volume_ml,
        *defect.volume_interval_ml,
        defect.through,
        defect.opens_on_edge,
        defect.edge_opening_mm,
        x,
        y,
        " ".join(defect.from_user),
        _plain_cell(defect.note),
    ]
    return [round(v, 4) if isinstance(v, float) else v for v in values]


def _plain_cell(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _path(outline_mm: Outline) -> str:
    return "M" + "L".join(f"{x:.3f},{y:.3f}" for x, y in outline_mm) + "Z"


def _flipped(outline_mm: Outline) -> list[tuple[float, float]]:
    return [(x, -y) for x, y in outline_mm]


def _labels(intake: Intake) -> tuple[tuple[Defect, ...], list[tuple[float, float]]]:
    """Place each id beside its outline, moved down while it would lie on another."""
    places: list[tuple[float, float]] = []
    for defect in intake.defects:
        x, y = max(defect.outline_mm)
        x += 1.0
        while any(abs(x - a) < 3 * LABEL_MM and abs(y - b) < LABEL_MM for a, b in places):
            y += LABEL_MM
        places.append((x, y))
    return intake.defects, places
