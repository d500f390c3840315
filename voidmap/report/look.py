"""How each kind is drawn: colour, line style and letter, so that no one of them is needed to tell kinds apart."""

from __future__ import annotations

from dataclasses import dataclass

from voidmap.records import Kind


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

DECISIONS = {
    "seal_again": "Seal again",
    "spot_fill": "Spot-fill",
    "flood": "Flood",
    "reshoot": "Photograph again",
}

GUIDE = (
    "Lay two or more boards flat on the top, far apart, not over voids, and not on the bench.",
    "Measure the printed check bars with a steel rule and tell voidmap what you found.",
    "Even light for the map: a bright room or an overcast door, no flash, no lamp shining into the lens.",
    "Hold the phone level, all edges in view, lens wiped, and let it focus; lean it on something when it is dim.",
    "For depth take two more photos from 150 to 400 mm to either side, at the same height.",
    "For a coat, come close until a pinhole of the size that matters is at least three pixels across.",
    "For gloss, one lamp from the side; move it between two photos, so that glare in one is seen in the other.",
)
