"""Shop units in and out: lengths, areas, volumes, masses, temperatures and times as people type them.

Everything stored is metric (mm, mm², ml, g, °C, h). The factors are exact, from NIST SP 811 (2008),
appendix B.8; ounces, quarts and gallons are US ones unless the text says imperial. An "oz" alone is refused
where a volume is asked for: it may mean fluid ounces or ounces of weight, which differ by the density.
"""

from __future__ import annotations

import math
import re
import unicodedata
from fractions import Fraction
from typing import NoReturn

from voidmap.errors import ValueRefused

MM_PER_IN = 25.4
MM_PER_FT = 304.8
MM_PER_MIL = 0.0254
MM2_PER_IN2 = 645.16
MM2_PER_FT2 = 92_903.04
ML_PER_IN3 = 16.387064
ML_PER_GAL = 3785.411784
"""US gallon: 231 in³."""
ML_PER_QT = 946.352946
ML_PER_PT = 473.176473
ML_PER_CUP = 236.5882365
ML_PER_FL_OZ = 29.5735295625
"""US fluid ounce: 1/128 gallon."""
ML_PER_IMPERIAL_FL_OZ = 28.4130625
ML_PER_IMPERIAL_GAL = 4546.09
G_PER_OZ = 28.349523125
"""Ounce of weight (avoirdupois)."""
G_PER_LB = 453.59237
MM3_PER_ML = 1000.0
MM_PER_FL_OZ_FT2 = ML_PER_FL_OZ * MM3_PER_ML / MM2_PER_FT2
"""Film that one US fl oz/ft² makes, mm (0.318327)."""

LONGEST_TEXT = 40
"""Characters; no quantity needs more."""

_LENGTHS = {
    "mm": 1.0,
    "millimetre": 1.0,
    "millimeter": 1.0,
    "cm": 10.0,
    "centimetre": 10.0,
    "centimeter": 10.0,
    "m": 1000.0,
    "metre": 1000.0,
    "meter": 1000.0,
    "μm": 0.001,
    "um": 0.001,
    "mil": MM_PER_MIL,
    "thou": MM_PER_MIL,
    "in": MM_PER_IN,
    "inch": MM_PER_IN,
    "inches": MM_PER_IN,
    '"': MM_PER_IN,
    "ft": MM_PER_FT,
    "foot": MM_PER_FT,
    "feet": MM_PER_FT,
    "'": MM_PER_FT,
}
_AREAS = {
    **dict.fromkeys(("mm2", "sq mm", "square mm"), 1.0),
    **dict.fromkeys(("cm2", "sq cm", "square cm"), 100.0),
    **dict.fromkeys(("m2", "sq m", "square m", "square metre", "square meter"), 1e6),
    **dict.fromkeys(("in2", "sq in", "square in", "square inch", "square inches"), MM2_PER_IN2),
    **dict.fromkeys(("ft2", "sq ft", "square ft", "square foot", "square feet", "sqft"), MM2_PER_FT2),
}
_VOLUMES = {
    **dict.fromkeys(("ml", "cc", "cm3", "millilitre", "milliliter"), 1.0),
    "cl": 10.0,
    "dl": 100.0,
    **dict.fromkeys(("l", "litre", "liter"), 1000.0),
    **dict.fromkeys(("in3", "cu in", "cubic in", "cubic inch", "cubic inches"), ML_PER_IN3),
    **dict.fromkeys(
        ("fl oz", "floz", "fluid oz", "fluid ounce", "us fl oz", "us fluid ounce", "us floz"), ML_PER_FL_OZ
    ),
    **dict.fromkeys(("cup", "us cup"), ML_PER_CUP),
    **dict.fromkeys(("pt", "pint", "us pt", "us pint"), ML_PER_PT),
    **dict.fromkeys(("qt", "quart", "us qt", "us quart"), ML_PER_QT),
    **dict.fromkeys(("gal", "gallon", "us gal", "us gallon"), ML_PER_GAL),
    **dict.fromkeys(
        ("imp fl oz", "imperial fl oz", "uk fl oz", "imperial fluid ounce", "imp floz"), ML_PER_IMPERIAL_FL_OZ
    ),
    **dict.fromkeys(("imp gal", "imperial gal", "uk gal", "imperial gallon"), ML_PER_IMPERIAL_GAL),
}
_MASSES = {
    "mg": 0.001,
    **dict.fromkeys(("g", "gram", "gr"), 1.0),
    **dict.fromkeys(("kg", "kilogram", "kilo"), 1000.0),
    **dict.fromkeys(("oz", "ounce"), G_PER_OZ),
    **dict.fromkeys(("lb", "pound"), G_PER_LB),
}
_TIMES = {
    **dict.fromkeys(("min", "minute"), 1 / 60),
    **dict.fromkeys(("h", "hr", "hour"), 1.0),
    **dict.fromkeys(("d", "day"), 24.0),
}
_NUMBER = (
    r"(?:(?P<whole>\d+(?:\.\d*)?|\.\d+)(?![\d.]*\s*/))?"
    r"(?:(?(whole)(?:\s*-\s*|\s+))(?P<top>\d+)\s*/\s*(?P<bottom>\d+))?"
)
_QUANTITY = re.compile(_NUMBER + r"\s*(?P<unit>[^\d.,/+-][^\d.,/+-]*\d?)?\Z")
_FEET_INCHES = re.compile(r"(?P<feet>[^a-z']+)(?:ft|feet|foot|')\s*(?P<inches>[^a-z\"]+)(?:in|inch|inches|\")\Z")
_TEMPERATURE = re.compile(r"(?P<sign>-)?\s*(?P<value>\d+(?:\.\d*)?|\.\d+)\s*(?:°|deg(?:rees?)?)?\s*(?P<unit>[a-z]*)\Z")


def parse_length_mm(text: str) -> float:
    """Return a typed length in mm: ``12mm``, ``3.2 m``, ``3/8 in``, ``1½"``, ``1-3/4 in``, ``1' 2 1/2"``.

    Raises
    ------
    ValueRefused
        When there is no unit, a sign, or something that is no length.
    """
    plain = _plain(text)
    if match := _FEET_INCHES.match(plain):
        feet, inches = _number(match["feet"], text, "length"), _number(match["inches"], text, "length")
        if inches >= 12 or feet.denominator != 1:
            _refuse(text, "length", "give whole feet and less than 12 inches, as in 1' 2 1/2\"")
        return float((feet * 12 + inches) * Fraction(repr(MM_PER_IN)))
    return _quantity(plain, text, _LENGTHS, "length", ("12mm", "3/8 in"))


def parse_area_mm2(text: str) -> float:
    """Return a typed area in mm²: ``12 ft2``, ``0.8 m²``, ``40 sq in``.

    Raises
    ------
    ValueRefused
        When it is no area with a unit.
    """
    return _quantity(_plain(text), text, _AREAS, "area", ("0.8m2", "12 ft2"))


def parse_volume_ml(text: str) -> float:
    """Return a typed volume in ml: ``250ml``, ``1.5 l``, ``8 fl oz``, ``1 qt``, ``1/2 gal``, ``2 imp fl oz``.

    Raises
    ------
    ValueRefused
        When it is no volume with a unit; "oz" alone is refused, as it may be a weight.
    """
    plain = _plain(text)
    if re.search(r"(?<!fl )(?<!fluid )(?<![a-z])(oz|ounces?)\Z", plain):
        _refuse(
            text,
            "volume",
            "write fl oz for US fluid ounces, imp fl oz for imperial ones, or ml; a weight in ounces is not a volume",
        )
    return _quantity(plain, text, _VOLUMES, "volume", ("250ml", "8 fl oz"))


def parse_mass_g(text: str) -> float:
    """Return a typed mass in g: ``0.1g``, ``1.2 kg``, ``4 oz`` (ounces of weight), ``1 lb``.

    Raises
    ------
    ValueRefused
        When it is no mass with a unit.
    """
    plain = _plain(text)
    if "fl" in plain.split() or "floz" in plain:
        _refuse(text, "mass", "fluid ounces are a volume; give grams, or ounces of weight as 4 oz")
    return _quantity(plain, text, _MASSES, "mass", ("100g", "4 oz"))


def parse_time_h(text: str) -> float:
    """Return a typed time in hours: ``40min``, ``6h``, ``2 days``.

    Raises
    ------
    ValueRefused
        When it is no time with a unit.
    """
    return _quantity(_plain(text), text, _TIMES, "time", ("40min", "6h"))


def parse_clock_h(text: str) -> float:
    """Return a time of day in hours after midnight: ``8:00``, ``13:30``, ``8 am``, ``1:30 pm``.

    Raises
    ------
    ValueRefused
        When it is no time of day.
    """
    match = re.fullmatch(r"(\d{1,2})(?::([0-5]\d))?\s*(am|pm)?", _plain(text))
    if not match or (match[2] is None and match[3] is None):
        _refuse(text, "time of day", "write it as 8:00 or 1:30 pm")
    hour = int(match[1])
    if hour > (12 if match[3] else 23) or (match[3] and hour == 0):
        _refuse(text, "time of day", "write it as 8:00 or 1:30 pm")
    if match[3]:
        hour = hour % 12 + (12 if match[3] == "pm" else 0)
    return hour + int(match[2] or 0) / 60


def parse_temperature_c(text: str) -> float:
    """Return a typed temperature in °C: ``75F``, ``24 °C``.

    Raises
    ------
    ValueRefused
        When the scale is not named, or it lies below absolute zero.
    """
    match = _TEMPERATURE.match(_plain(text))
    if not match:
        _refuse(text, "temperature", "write it as 75F or 24C")
    value = float(match["value"]) * (-1 if match["sign"] else 1)
    unit = match["unit"]
    if unit not in ("c", "celsius", "f", "fahrenheit"):
        _refuse(text, "temperature", f"say which scale, as in {match['value']}F or {match['value']}C")
    celsius = (value - 32) * 5 / 9 if unit.startswith("f") else value
    if celsius < -273.15:
        _refuse(text, "temperature", "nothing is that cold; write it as 75F or 24C")
    return celsius


def shop_length(mm: float, denominator: int = 16) -> str:
    """Return a length in inches to the nearest 1/``denominator`` (``1 3/8 in``); from ten feet up in ft and in."""
    steps = math.floor(abs(mm) / MM_PER_IN * denominator + 0.5)
    if steps == 0:
        return "0 in" if mm == 0 else f"under 1/{denominator} in"
    sign = "-" if mm < 0 else ""
    inches = Fraction(steps, denominator)
    feet, rest = divmod(inches, 12) if inches >= 120 else (0, inches)
    words = [f"{feet} ft"] if feet else []
    whole, part = divmod(rest, 1)
    figures = [str(whole)] if whole else []
    figures += [f"{part.numerator}/{part.denominator}"] if part else []
    words += [" ".join(figures) + " in"] if figures else []
    return sign + " ".join(words)


def shop_volume(ml: float) -> str:
    """Return a volume in US fl oz, from one gallon up in gallons."""
    if ml >= ML_PER_GAL:
        return f"{ml / ML_PER_GAL:.2f} gal"
    ounces = ml / ML_PER_FL_OZ
    digits = 2 if ounces < 1 else 1 if ounces < 100 else 0
    return f"{ounces:.{digits}f} fl oz"


def shop_area(mm2: float) -> str:
    """Return an area in ft², below half a square foot in in²."""
    if mm2 < MM2_PER_FT2 / 2:
        square_inches = mm2 / MM2_PER_IN2
        return f"{square_inches:.{2 if square_inches < 1 else 1}f} in²"
    return f"{mm2 / MM2_PER_FT2:.1f} ft²"


def shop_temperature(celsius: float) -> str:
    """Return a temperature in whole °F."""
    return f"{celsius * 9 / 5 + 32:.0f} °F"


def _plain(text: str) -> str:
    """Lower case, one space, plain signs: vulgar fractions as n/d, primes as ' and ", ² as 2."""
    spaced = "".join(f" {c}" if unicodedata.category(c) == "No" and "⁄" in _folded(c) else c for c in text)
    plain = _folded(spaced.replace("º", "°")).lower().replace("⁄", "/")
    plain = re.sub(r"(?<=[a-z])\.", "", plain)
    for sign in "′’‘`":
        plain = plain.replace(sign, "'")
    for sign in ("''", "”", "“"):
        plain = plain.replace(sign, '"')
    for sign in "−–—":
        plain = plain.replace(sign, "-")
    return " ".join(plain.split())


def _folded(text: str) -> str:
    return unicodedata.normalize("NFKC", text)


def _quantity(plain: str, text: str, table: dict[str, float], what: str, examples: tuple[str, str]) -> float:
    remedy = f"write it as {examples[0]} or {examples[1]}"
    match = _QUANTITY.match(plain) if len(plain) <= LONGEST_TEXT else None
    if plain.startswith("-"):
        _refuse(text, what, f"it can't be negative; {remedy}")
    if match is None or (match["whole"] is None and match["top"] is None):
        if "," in plain:
            _refuse(text, what, f"use a decimal point and no commas; {remedy}")
        _refuse(text, what, remedy)
    number = _number(plain[: match.end("bottom") if match["top"] else match.end("whole")], text, what)
    unit = (match["unit"] or "").strip()
    if not unit:
        raise ValueRefused(f"{text.strip()} has no unit", remedy)
    factor = table.get(unit, table.get(unit.removesuffix("s")))
    if factor is None:
        raise ValueRefused(f'"{unit}" is not a unit of {what}', remedy)
    return float(number * Fraction(repr(factor)))


def _number(figures: str, text: str, what: str) -> Fraction:
    """Return the number that figures such as ``1 3/4``, ``3/8`` or ``2.5`` stand for, exactly."""
    match = re.fullmatch(_NUMBER, figures.strip())
    if match is None or len(figures) > LONGEST_TEXT or (match["whole"] is None and match["top"] is None):
        _refuse(text, what, "write plain figures, as in 12, 2.5 or 1 3/4")
    whole = Fraction(match["whole"].rstrip(".") if match["whole"] else 0)
    if match["top"] is None:
        return whole
    bottom = int(match["bottom"])
    if bottom == 0:
        _refuse(text, what, "a fraction can't have 0 below the line")
    part = Fraction(int(match["top"]), bottom)
    if whole.denominator != 1 or part >= 1:
        _refuse(text, what, "write whole figures, a space and a fraction under 1, as in 1 3/4")
    return whole + part


def _refuse(text: str, what: str, remedy: str) -> NoReturn:
    shown = text.strip() if len(text.strip()) <= LONGEST_TEXT else text.strip()[:LONGEST_TEXT] + "..."
    raise ValueRefused(f'"{shown}" can\'t be used as {"an" if what == "area" else "a"} {what}', remedy)
