"""The slab's map and a coat's picture as SVG: outlines and pinholes over the wood, labels beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from voidmap import shown, units
from voidmap.records import CoatRecord, Defect, Intake, Outline, Pinhole, Point
from voidmap.report.callouts import labels, middle
from voidmap.report.coat_layers import gone_svg, hidden_svg
from voidmap.report.look import LOOKS, SPOT_COLOURS, UNSEEN
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
NARROW_LETTERS = 1.9
"""Letters of a map on a phone, as a multiple of those on a wide page: still 11 px high there."""
SPOT_SHARE = 1 / 180
"""Half the size of a mark around a pinhole, as a share of the picture's width: it never covers the pinhole."""


def map_svg(intake: Intake, frame: Frame, picture_uri: str) -> str:
    """Return the map: the slab's picture with the outline and every defect over it, labels above and below."""
    tags = [
        _Tag(d.id, LOOKS[d.kind].colour, middle(d.outline_mm), tuple(map(frame.at, d.outline_mm)))
        for d in intake.defects
    ]
    around = _Around(tags, frame)
    return "".join(
        [
            f'<svg id="map" class="picture" {around.box} role="group" aria-label="Map of the slab">',
            _image("intake", frame, picture_uri),
            f'<path class="slab" d="{_path(intake.slab.outline_mm, frame)}"/>',
            *(_defect(d, frame, label) for d, label in zip(intake.defects, around.labels, strict=True)),
            f"{around.bars}</svg>",
        ]
    )


def coat_svg(record: CoatRecord, frame: Frame, picture_uri: str, named: Sequence[str] = ()) -> str:
    """Return a coat's picture with its pinholes by state: ring new, square kept, dotted ring uncertain, diamond set.

    ``named`` lists the sites that get a label beside the picture.
    """
    tags = [
        _Tag(p.site, SPOT_COLOURS[state_of(p)], (p.x_mm, p.y_mm), (frame.at((p.x_mm, p.y_mm)),))
        for p in record.pinholes
        if p.site in set(named)
    ]
    around = _Around(tags, frame)
    name = f"coat-{record.number}"
    return "".join(
        [
            f'<svg id="{name}" class="picture coat" {around.box} role="img" '
            f'aria-label="Coat {record.number} with {len(record.pinholes)} pinholes marked">',
            _image(name, frame, picture_uri),
            hidden_svg(record, frame),
            gone_svg(record, frame),
            *(f'<g class="site">{label}</g>' for label in around.labels),
            *(_spot(p, frame) for p in record.pinholes),
            f"{around.bars}</svg>",
        ]
    )


def state_of(p: Pinhole) -> str:
    """Return how a pinhole is drawn: its state, or ``set`` for one that the user set."""
    return "set" if p.from_user else p.state


@dataclass(frozen=True)
class _Tag:
    """What a label says, its colour, the place that it stands for, and where its leader may end (px)."""

    words: str
    colour: str
    place_mm: Point
    ends: tuple[Point, ...]


class _Around:
    """Labels and scale bar around a picture, lettered twice: for a wide page, and larger for a narrow one.

    ``labels`` has the SVG of each tag's label, ``bars`` that of the scale bar, ``box`` the view boxes.
    """

    def __init__(self, tags: Sequence[_Tag], frame: Frame) -> None:
        self.labels = [""] * len(tags)
        self.bars = ""
        boxes = []
        for page, letters in (("at-wide", 1.0), ("at-narrow", NARROW_LETTERS)):
            size = letters * LABEL * frame.width_px / DRAWN_WIDE
            row = 1.7 * size
            span = (frame.x0_mm, frame.x0_mm + frame.width_px * frame.mm_per_px)
            above, below = labels(
                [tag.place_mm for tag in tags],
                span,
                middle_mm=frame.y0_mm + frame.height_px / 2 * frame.mm_per_px,
                wide_mm=3.1 * size * frame.mm_per_px,
            )
            for side, edge, step in ((above, 0.0, -row), (below, float(frame.height_px), row)):
                for index, x_mm, k in side:
                    at = ((x_mm - frame.x0_mm) / frame.mm_per_px, edge + step * (k + 0.7))
                    self.labels[index] += f'<g class="{page}">{_label(tags[index], at, size)}</g>'
            head, foot = (row * (1.3 + max((k for _, _, k in side), default=-1)) for side in (above, below))
            self.bars += f'<g class="{page}">{_scale_bar(frame, frame.height_px + foot + 1.7 * row, size)}</g>'
            boxes.append(f"0 {-head:.0f} {frame.width_px} {frame.height_px + head + foot + 2 * row:.0f}")
        self.box = f'viewBox="{boxes[0]}" data-wide="{boxes[0]}" data-narrow="{boxes[1]}"'


def _image(name: str, frame: Frame, uri: str) -> str:
    # The centre of the first pixel is at (0, 0), so the picture begins half a pixel before.
    return (
        f'<image id="pic-{name}" x="-0.5" y="-0.5" width="{frame.width_px}" height="{frame.height_px}" href="{uri}"/>'
    )


def _path(outline_mm: Outline, frame: Frame) -> str:
    return "M" + "L".join("{:.1f} {:.1f}".format(*frame.at(p)) for p in outline_mm) + "Z"


def _label(tag: _Tag, at: Point, size: float) -> str:
    """Draw a label about ``at`` (px), its letters ``size`` px high, and a leader to the nearest end."""
    x, y = at
    near = min(tag.ends, key=lambda p: (p[0] - x) ** 2 + (p[1] - y) ** 2)
    leader = f'd="M{x:.1f} {y:.1f}L{near[0]:.1f} {near[1]:.1f}"'
    return (
        f'<path {leader} class="lead under"/><path {leader} class="lead" stroke="{tag.colour}"/>'
        f'<rect class="tag" x="{x - 1.4 * size:.1f}" y="{y - 0.7 * size:.1f}" width="{2.8 * size:.1f}" '
        f'height="{1.4 * size:.1f}" fill="{tag.colour}"/>'
        f'<text x="{x:.1f}" y="{y + 0.36 * size:.1f}" font-size="{size:.1f}" text-anchor="middle">'
        f"{escape(tag.words)}</text>"
    )


def _defect(defect: Defect, frame: Frame, label: str) -> str:
    look = LOOKS[defect.kind]
    path = _path(defect.outline_mm, frame)
    dash = f' stroke-dasharray="{look.dash}"' if look.dash else ""
    layer = "void" if defect.is_void else "flat"
    unseen = ""
    if defect.hidden is not None:
        rim = "".join(_path(outline, frame) for outline in defect.hidden.outlines_mm)
        unseen = (
            f'<path d="{rim}" class="halo"/><path d="{rim}" stroke="{look.colour}" stroke-dasharray="{UNSEEN.dash}"/>'
        )
    return (
        f'<g class="defect {layer} {defect.kind.value}" data-id="{escape(defect.id)}" tabindex="0" role="button" '
        f'aria-label="{escape(defect.id)} {look.word}">'
        f'<path d="{path}" class="halo"/><path d="{path}" stroke="{look.colour}"{dash}/>{unseen}{label}</g>'
    )


def _spot(p: Pinhole, frame: Frame) -> str:
    x, y = frame.at((p.x_mm, p.y_mm))
    r = max(9.0, frame.width_px * SPOT_SHARE)
    state = state_of(p)
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


def _scale_bar(frame: Frame, y: float, size: float) -> str:
    """Draw a bar of a round length whose foot is at ``y`` px, its letters ``size`` px high."""
    length_mm = bar_mm(frame.width_px * frame.mm_per_px)
    long, x = length_mm / frame.mm_per_px, 0.02 * frame.width_px
    return (
        f'<g class="bar"><path d="M{x:.0f} {y - 0.5 * size:.0f}V{y:.0f}H{x + long:.0f}V{y - 0.5 * size:.0f}"/>'
        f'<text x="{x:.0f}" y="{y - 0.6 * size:.0f}" font-size="{size:.0f}">{bar_words(length_mm)}</text></g>'
    )
