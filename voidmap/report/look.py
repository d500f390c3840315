"""How each kind is drawn: colour, line style and letter, so that no one of them is needed to tell kinds apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voidmap.records import Defect, Kind


@dataclass(frozen=True)
class Look:
    """A kind's drawing: colour (hex), SVG dash pattern in screen px (empty: solid), and its word."""

    colour: str
    dash: str
    word: str


# Colours after the Okabe-Ito set for colour-blind eyes, darkened until white letters on them reach 4.5 : 1 (WCAG).
LOOKS: dict[Kind, Look] = {
    Kind.CRACK: Look("#b5460f", "", "crack"),
    Kind.KNOT_HOLE: Look("#0b6a9c", "9 4", "knot hole"),
    Kind.BARK_VOID: Look("#8a3a6b", "14 4 3 4", "bark void"),
    Kind.HOLE: Look("#1f1f1f", "3 3", "hole"),
    Kind.SEAM_GAP: Look("#00705a", "18 5", "seam gap"),
    Kind.SOUND_KNOT: Look("#5f5f5f", "2 6", "sound knot"),
    Kind.STAIN: Look("#6b6200", "1 5", "stain"),
}
UNSEEN = Look("#000000", "3 9", "unseen, under a board")
"""The line around what may lie under a board, sparser than any kind's own; on the map it has its void's colour."""

SOURCES = {
    "prior": "typical",
    "probe": "probed",
    "parallax": "from photos",
    "shadow": "from the shadow",
    "through": "goes through",
}
"""Where a depth comes from, in words."""

DECISIONS = {
    "seal_again": "Seal again",
    "spot_fill": "Spot-fill",
    "flood": "Flood",
    "reshoot": "Photograph again",
}

SPOT_COLOURS = {"new": "#0b6a9c", "kept": "#b5460f", "uncertain": "#3f3f3f", "set": "#00705a"}
"""Of the marks around pinholes; their shapes (ring, square, dotted ring, diamond) tell them apart as well."""
SPOT_WORDS = {
    "new": "ring: new",
    "kept": "square: at a site seen before",
    "uncertain": "dotted ring: uncertain",
    "set": "diamond: set by you",
}


def legend(defects: Sequence[Defect]) -> list[Look]:
    """Return the looks of the lines on a map of defects, each once; what lies unseen under a board comes last."""
    looks = [LOOKS[kind] for kind in dict.fromkeys(d.kind for d in defects)]
    return [*looks, UNSEEN] if any(d.hidden is not None for d in defects) else looks
