"""Layers over a coat's picture: what was not inspected, hatched, and earlier sites that closed or were not seen."""

from __future__ import annotations

from html import escape

from voidmap.records import CoatRecord
from voidmap.report.nouns import Frame

HATCH_PX = 14.0
"""Distance of the hatching's lines in a picture ``WIDE_PX`` wide."""
WIDE_PX = 1300.0
MARK_PX = 7.0
"""Half size of a mark in such a picture."""


def hidden_svg(record: CoatRecord, frame: Frame) -> str:
    """Return a hatching over all that no photo of the coat showed; empty when nothing is known of it."""
    if not record.inspected_mm:
        return ""
    unit = frame.width_px / WIDE_PX
    step, name = HATCH_PX * unit, f"unseen-{record.number}"
    rings = "".join(
        "M" + "L".join("{:.1f} {:.1f}".format(*frame.at(p)) for p in outline) + "Z" for outline in record.inspected_mm
    )
    frame_ring = f"M0 0H{frame.width_px}V{frame.height_px}H0Z"
    lines = (
        f'<pattern id="{name}" width="{step:.1f}" height="{step:.1f}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path d="M0 0V{step:.1f}" style="stroke:#fff;stroke-opacity:0.5;'
        f'stroke-width:{3.2 * unit:.1f}"/><path d="M0 0V{step:.1f}" style="stroke:#222;stroke-opacity:0.75;'
        f'stroke-width:{1.2 * unit:.1f}"/></pattern>'
    )
    return (
        f'<g class="unseen" pointer-events="none"><defs>{lines}</defs>'
        f'<path d="{frame_ring}{rings}" style="fill:url(#{name});fill-rule:evenodd;stroke:none"/></g>'
    )


def gone_svg(record: CoatRecord, frame: Frame) -> str:
    """Return marks of earlier sites: a cross where one closed, an open triangle where one was not seen this time."""
    unit = frame.width_px / WIDE_PX
    size = MARK_PX * unit
    parts = []
    for gone in record.closed:
        x, y = frame.at((gone.x_mm, gone.y_mm))
        if gone.seen:
            word = "closed"
            path = f"M{x - size:.1f} {y - size:.1f}l{2 * size:.1f} {2 * size:.1f}m0 {-2 * size:.1f}"
            path += f"l{-2 * size:.1f} {2 * size:.1f}"
        else:
            word = "not seen this time"
            path = f"M{x:.1f} {y - size:.1f}l{size:.1f} {1.8 * size:.1f}h{-2 * size:.1f}Z"
        parts.append(
            f'<g class="gone"><title>{escape(gone.site)}: {word}</title>'
            f'<path d="{path}" fill="none" stroke="#fff" stroke-width="{4.5 * unit:.1f}"/>'
            f'<path d="{path}" fill="none" stroke="#3a3a3a" stroke-width="{2 * unit:.1f}"/></g>'
        )
    return "".join(parts)


def legend_html(record: CoatRecord) -> str:
    """Return the keys of these layers, those that the coat has."""
    keys = []
    if record.inspected_mm:
        keys.append(('<polyline points="2,15 9,1 9,15 16,1" stroke-width="1.5"/>', "not inspected"))
    if any(gone.seen for gone in record.closed):
        keys.append(('<line x1="4" y1="2" x2="16" y2="14"/><line x1="16" y1="2" x2="4" y2="14"/>', "closed"))
    if any(not gone.seen for gone in record.closed):
        keys.append(('<polygon points="10,2 17,14 3,14"/>', "not seen this time"))
    return "".join(
        f'<span class="key"><svg width="20" height="16" aria-hidden="true"><g fill="none" stroke-width="2" '
        f'stroke="#3a3a3a">{shape}</g></svg>{word}</span>'
        for shape, word in keys
    )
