"""What ``resin.toml`` holds: every value with its unit, its usual figure and the range that can be right.

The usual figures are common practice, no source, unless a comment names one; the file marks each value
"assumed" until its owner has read it off a data sheet and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Field:
    """One value of the file.

    ``shape`` is number, pair (two numbers), range (low, high) or length (a text such as "1/8 in").
    ``usual`` is None for a value that may be left out. ``lo`` and ``hi`` bound every number in it.
    """

    usual: Any
    lo: float
    hi: float
    unit: str
    says: str
    shape: str = "number"


def _product(**usual: Any) -> dict[str, Field]:
    ratio = "parts A to parts B"
    return {
        "ratio_by_volume": Field(usual["ratio"], 0.05, 1000, "A : B", f"{ratio}, measured by volume", "pair"),
        "ratio_by_weight": Field(None, 0.05, 1000, "A : B", f"{ratio}, weighed; leave out when not given", "pair"),
        "density_a_g_per_ml": Field(usual["a"], 0.7, 2.5, "g/ml", "density of part A"),
        "density_b_g_per_ml": Field(usual["b"], 0.7, 2.5, "g/ml", "density of part B"),
        "working_time_min": Field(usual["minutes"], 2, 1440, "min", "working time (pot life)"),
        "working_time_at_c": Field(24.0, 5, 45, "°C", "the temperature that the working time is stated for"),
        "halves_per_c": Field(10.0, 4, 30, "°C", "warming that halves the working time"),
        "greatest_mass_g": Field(usual["mass"], 10, 50_000, "g", "greatest mass in one cup"),
        "greatest_pour_depth_mm": Field(usual["depth"], 0.5, 200, "mm", "greatest depth of one pour"),
        "recoat_earliest_h": Field(usual["earliest"], 0.2, 200, "h", "earliest time for the next lift or coat"),
        "recoat_latest_h": Field(usual["latest"], 0.5, 1000, "h", "after this, sand before the next lift or coat"),
        "cure_before_sanding_h": Field(usual["cure"], 1, 1000, "h", "cure before it can be sanded"),
    }


SECTIONS: dict[str, dict[str, Field]] = {
    # Greatest mass: technical pages say that 8 fl oz in one cup can overheat (8 fl oz at 1.1 g/ml is 260 g).
    "fill": _product(ratio=[2, 1], a=1.16, b=1.0, minutes=15, mass=250, depth=12, earliest=4, latest=24, cure=24),
    "thin": _product(ratio=[2, 1], a=1.12, b=0.98, minutes=25, mass=150, depth=6, earliest=4, latest=24, cure=24),
    "coat": _product(ratio=[1, 1], a=1.16, b=1.0, minutes=30, mass=1000, depth=3, earliest=4, latest=24, cure=24),
    "pigment": {
        "share_percent": Field(2.0, 0, 30, "% by weight of the mix", "pigment or powder"),
        "limit_percent": Field(6.0, 0, 50, "% by weight of the mix", "more than this may keep the resin from curing"),
    },
    "soak": {
        "crack": Field([0.5, 2.0], 0, 200, "ml per m of rim", "low and high", "range"),
        "seam_gap": Field([0.5, 2.0], 0, 200, "ml per m of rim", "low and high", "range"),
        "hole": Field([0.5, 3.0], 0, 200, "ml per m of rim", "low and high", "range"),
        "knot_hole": Field([2.0, 8.0], 0, 200, "ml per m of rim", "low and high; punky wood drinks more", "range"),
        "bark_void": Field([2.0, 10.0], 0, 200, "ml per m of rim", "low and high; bark is thirsty", "range"),
    },
    "bench": {
        "temperature_c": Field(22.0, 5, 45, "°C", "temperature of shop, slab and resin"),
        "cup_loss_ml": Field(3.0, 0, 100, "ml per batch", "what stays in the cup and on the stick"),
        "stir_min": Field(3.0, 0.5, 30, "min", "stirring, scraping the walls and the bottom"),
        "pour_ml_per_min": Field(60.0, 1, 5000, "ml/min", "how fast a void takes the resin"),
        "minutes_per_void": Field(0.5, 0, 30, "min", "aiming, pricking bubbles, wiping"),
        "walk_m_per_min": Field(30.0, 1, 200, "m/min", "walking between voids with a full cup"),
        "workday_h": Field(10.0, 1, 24, "h", "from the first stir of a day; 24 works round the clock"),
        "narrow_in_one_pour_mm": Field(
            0.0, 0, 20, "mm", "voids narrower than this are poured in one go; 0 unless the data sheet allows it"
        ),
        "turnaround_min": Field(10.0, 0, 240, "min", "fresh cup, gloves and weighing between two batches"),
        "working_time_used_percent": Field(80.0, 10, 100, "%", "share of the working time that is planned with"),
    },
    "coats": {
        "seal_fl_oz_per_ft2": Field(1.0, 0.1, 10, "fl oz (US) per ft²", "one seal coat"),
        "flood_fl_oz_per_ft2": Field(3.0, 0.5, 30, "fl oz (US) per ft²", "the flood coat"),
        "seal_coats": Field(2.0, 0, 10, "coats", "seal coats before the flood coat"),
        "live_edge_factor": Field(1.5, 1, 5, "times", "a live edge's surface against a sawn one's"),
        "bark_thirst_ml_per_m": Field(10.0, 0, 500, "ml per m of live edge", "extra on the first seal coat"),
        "margin_percent": Field(10.0, 0, 100, "%", "bought over what is needed"),
        "flood_thickness": Field(None, 0.05, 50, "", "flood film, as in 1/8 in, if stated", "length"),
        "trowel_notch_width": Field(None, 0.3, 50, "", "square notch, as in 1/8 in, if used", "length"),
        "trowel_notch_depth": Field(None, 0.3, 50, "", "square notch, as in 1/8 in, if used", "length"),
        "trowel_land": Field(None, 0.3, 200, "", "land between two notches, if used", "length"),
    },
}
PRODUCTS = {"fill": "the tinted fill resin", "thin": "the thin resin", "coat": "the coating resin"}
HEADS = {
    "fill": "Tinted fill resin for voids",
    "thin": "Thin resin for hairlines and soft wood",
    "coat": "Resin for seal and flood coats",
    "pigment": "Pigment or powder in the fill",
    "soak": "What the walls of a void drink",
    "bench": "Your bench and your hand",
    "coats": "Coats over the whole top",
}
EXAMPLES = {"pair": "[100, 43]", "length": '"1/8 in"'}
SOURCES = ("data sheet", "assumed")


def write_template() -> str:
    """Return the text of a fresh ``resin.toml``: usual values, every one marked as assumed."""
    lines = [
        "# Resin and bench values of this job. Every value below is ASSUMED: a usual figure, not your product's.",
        '# Read your data sheet, change the value, and change its source to "data sheet":',
        '#   working_time_min = { value = 40, source = "data sheet" }',
        "# The plan repeats every assumed value on top. The data sheet is right where it and this file differ.",
    ]
    for section, fields in SECTIONS.items():
        lines += ["", f"[{section}]  # {HEADS[section]}"]
        for key, field in fields.items():
            note = f"  # {field.unit + ': ' if field.unit else ''}{field.says}"
            if field.usual is None:
                example = EXAMPLES[field.shape]
                lines.append(f'# {key} = {{ value = {example}, source = "data sheet" }}{note}')
            else:
                lines.append(f'{key} = {{ value = {_toml(field.usual)}, source = "assumed" }}{note}')
        if section in PRODUCTS:
            lines += [
                "# What you can buy (A and B together), with your price; mass and label_ml as the label gives them.",
                "# containers = [",
                '#   { size = "1 qt", price = 0.0 },',
                '#   { size = "1 gal", price = 0.0, mass = "4.2 kg", label_ml = 3785 },',
                "# ]",
            ]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    return "[" + ", ".join(f"{v:g}" for v in value) + "]" if isinstance(value, list) else f"{value:g}"
