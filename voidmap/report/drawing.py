"""The slab's map and a coat's picture as SVG: outlines and pinholes over the wood, labels beside it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from voidmap import shown, units
from voidmap.records import CoatRecord, Defect, Intake, Outline, Pinhole, Point
from voidmap.report.callouts import callouts, labels
from voidmap.report.look import LOOKS, SPOT_COLOURS
from voidmap.report.nouns import Frame

BAR_CHOICES_MM = {
    "shop": (25.4, 50.8, 101.6, 152.4, 304.8, 609.6),
    "metric": (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0),
}
"""Round lengths for the scale bar."""
DRAWN_WIDE = 1300.0
"""Letters and lines of a map are sized for a picture of this width."""
LABEL = 22.0
"""Height of a label's letters, in a picture ``DRAWN_WIDE`` wide."""
SPOT_SHARE = 1 / 180
"""Half the size of a mark around a pinhole, as a share of the picture's width: it never covers the pinhole."""


def map_svg(intake: Intake, frame: Frame, picture_uri: str) -> str:
    """Return the map: the slab's picture with the outline and every defect over it, labels above and below."""
    page = _Sides(frame)
    above, below = callouts(intake.defects, page.span_mm, middle_mm=page.middle_mm, wide_mm=page.wide_mm)
    head, foot = page.room(above), page.room(below)
    parts = [
        f'<svg id="map" class="picture" viewBox="{page.box(head, foot)}" role="group" aria-label="Map of the slab">'
    ]
    parts.append(_image("intake", frame, picture_uri))
    parts.append(f'<path class="slab" d="{_path(intake.slab.outline_mm, frame)}"/>')
    for side, is_above in ((above, True), (below, False)):
        parts += [_defect(d, frame, page.place(x_mm, row, is_above), page.unit) for d, x_mm, row in side]
    parts += [_scale_bar(frame, frame.height_px + foot + 1.7 * page.row), "</svg>"]
    return "".join(parts)


def coat_svg(record: CoatRecord, frame: Frame, picture_uri: str, named: Sequence[str] = ()) -> str:
    """Return a coat's picture with its pinholes by state: ring new, square kept, dotted ring uncertain, diamond set.

    ``named`` lists the sites that get a label beside the picture.
    """
    page = _Sides(frame)
    spots = [p for p in record.pinholes if p.site in set(named)]
    places = [(p.x_mm, p.y_mm) for p in spots]
    above, below = labels(places, page.span_mm, middle_mm=page.middle_mm, wide_mm=page.wide_mm)
    head, foot = page.room(above), page.room(below)
    name = f"coat-{record.number}"
    parts = [
        f'<svg id="{name}" class="picture coat" viewBox="{page.box(head, foot)}" role="img" '
        f'aria-label="Coat {record.number} with {len(record.pinholes)} pinholes marked">',
        _image(name, frame, picture_uri),
    ]
    for side, is_above in ((above, True), (below, False)):
        parts += [_site(spots[i], frame, page.place(x_mm, row, is_above), page.unit) for i, x_mm, row in side]
    parts += [_spot(p, frame) for p in record.pinholes]
    parts += [_scale_bar(frame, frame.height_px + foot + 1.7 * page.row), "</svg>"]
    return "".join(parts)


class _Sides:
    """The room above and below a picture, where its labels stand in rows."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.unit = frame.width_px / DRAWN_WIDE
        self.row = 1.7 * LABEL * self.unit
        self.span_mm = (frame.x0_mm, frame.x0_mm + frame.width_px * frame.mm_per_px)
        self.middle_mm = frame.y0_mm + frame.height_px / 2 * frame.mm_per_px
        self.wide_mm = 3.1 * LABEL * self.unit * frame.mm_per_px

    def room(self, side: Sequence[tuple[object, float, int]]) -> float:
        """Return the height that a side's labels take, px."""
        return self.row * (1.3 + max((row for _, _, row in side), default=-1))

    def box(self, head: float, foot: float) -> str:
        """Return the view box: the picture, its labels and the scale bar below."""
        return f"0 {-head:.0f} {self.frame.width_px} {self.frame.height_px + head + foot + 2 * self.row:.0f}"

    def place(self, x_mm: float, row: int, is_above: bool) -> Point:
        """Return the middle of a label, px."""
        x = (x_mm - self.frame.x0_mm) / self.frame.mm_per_px
        return x, -self.row * (row + 0.7) if is_above else self.frame.height_px + self.row * (row + 0.7)


def _image(name: str, frame: Frame, uri: str) -> str:
    # The centre of the first pixel is at (0, 0), so the picture begins half a pixel before.
    return (
        f'<image id="pic-{name}" x="-0.5" y="-0.5" width="{frame.width_px}" height="{frame.height_px}" href="{uri}"/>'
    )


def _path(outline_mm: Outline, frame: Frame) -> str:
    return "M" + "L".join("{:.1f} {:.1f}".format(*frame.at(p)) for p in outline_mm) + "Z"


def _label(words: str, middle: Point, near: Point, unit: float, colour: str) -> str:
    """Draw a label about ``middle`` (px) and a leader from it to ``near``."""
    x, y = middle
    size = LABEL * unit
    leader = f'd="M{x:.1f} {y:.1f}L{near[0]:.1f} {near[1]:.1f}"'
    return (
        f'<path {leader} class="lead under"/><path {leader} class="lead" stroke="{colour}"/>'
        f'<rect class="tag" x="{x - 1.4 * size:.1f}" y="{y - 0.7 * size:.1f}" width="{2.8 * size:.1f}" '
        f'height="{1.4 * size:.1f}" fill="{colour}"/>'
        f'<text x="{x:.1f}" y="{y + 0.36 * size:.1f}" font-size="{size:.1f}" text-anchor="middle">'
        f"{escape(words)}</text>"
    )


def _defect(defect: Defect, frame: Frame, middle: Point, unit: float) -> str:
    look = LOOKS[defect.kind]
    x, y = middle
    near = min((frame.at(p) for p in defect.outline_mm), key=lambda p: (p[0] - x) ** 2 + (p[1] - y) ** 2)
    path = _path(defect.outline_mm, frame)
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    layer = "void" if defect.is_void else "flat"
    return (
        f'<g class="defect {layer} {defect.kind.value}" data-id="{escape(defect.id)}" tabindex="0" role="button" '
        f'aria-label="{escape(defect.id)} {look.word}">'
        f'<path d="{path}" class="halo"/><path d="{path}" stroke="{look.colour}"{dash}/>'
        f"{_label(defect.id, middle, near, unit, look.colour)}</g>"
    )


def _site(spot: Pinhole, frame: Frame, middle: Point, unit: float) -> str:
    colour = SPOT_COLOURS["set" if spot.from_user else spot.state]
    return f'<g class="site">{_label(spot.site, middle, frame.at((spot.x_mm, spot.y_mm)), unit, colour)}</g>'


def _spot(p: Pinhole, frame: Frame) -> str:
    x, y = frame.at((p.x_mm, p.y_mm))
    r = max(9.0, frame.width_px * SPOT_SHARE)
    state = "set" if p.from_user else p.state
    if state == "kept":
        mark = f"M{x - r:.0f} {y - r:.0f}h{2 * r:.0f}v{2 * r:.0f}h{-2 * r:.0f}Z"
    elif state == "set":
        mark = (
            f"M{x - 1.3 * r:.0f} {y:.0f}L{x:.0f} {y - 1.3 * r:.0f}L{x + 1.3 * r:.0f} {y:.0f}L{x:.0f} {y + 1.3 * r:.0f}Z"
        )
    else:
        mark = f"M{x - r:.0f} {y:.0f}a{r:.0f} {r:.0f} 0 1 0 {2 * r:.0f} 0a{r:.0f} {r:.0f} 0 1 0 {-2 * r:.0f} 0Z"
    title = f"<title>{escape(p.site)}: {p.diameter_mm:.2f} mm, {escape(p.state)}</title>"
    return (
        f'<g class="spot {escape(state)}" data-site="{escape(p.site)}">{title}<path d="{mark}" class="halo"/>'
        f'<path d="{mark}"/></g>'
    )


def bar_mm(wide_mm: float) -> float:
    """Return a round length for the scale bar of a picture ``wide_mm`` wide, in the units that are shown."""
    choices = BAR_CHOICES_MM["shop" if shown.is_shop() else "metric"]
    return min(choices, key=lambda mm: abs(mm - 0.2 * wide_mm))


def bar_words(mm: float) -> str:
    """Return the scale bar's length in words."""
    return f"{units.shop_length(mm)} ({mm:.0f} mm)" if shown.is_shop() else f"{mm:.0f} mm"


def _scale_bar(frame: Frame, y: float) -> str:
    """Draw a bar of a round length whose foot is at ``y`` px."""
    length_mm = bar_mm(frame.width_px * frame.mm_per_px)
    long, unit = length_mm / frame.mm_per_px, frame.width_px / 100
    x = 2 * unit
    return (
        f'<g class="bar"><path d="M{x:.0f} {y - 0.6 * unit:.0f}V{y:.0f}H{x + long:.0f}V{y - 0.6 * unit:.0f}"/>'
        f'<text x="{x:.0f}" y="{y - unit:.0f}" font-size="{1.7 * unit:.0f}">{bar_words(length_mm)}</text></g>'
    )
