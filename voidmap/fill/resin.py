"""The resin noun: a job's ``resin.toml``, checked, with a record of what is only assumed."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Any

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.fill.values import PRODUCTS, SECTIONS, SOURCES, Field

_REMEDY = "correct it in resin.toml, or delete the file and run voidmap fill for a fresh one"


@dataclass(frozen=True)
class Container:
    """What a product is sold in: A and B together; what is not given is None.

    ``mass_g`` and ``label_ml`` are a second and third figure on the label, to be checked against the size.
    """

    label: str
    ml: float
    price: float | None = None
    mass_g: float | None = None
    label_ml: float | None = None


@dataclass(frozen=True)
class Product:
    """One two-part resin as its data sheet (or a usual figure) gives it."""

    name: str
    ratio_a: float
    ratio_b: float
    """Parts by volume."""
    density_a_g_per_ml: float
    density_b_g_per_ml: float
    working_time_min: float
    working_time_at_c: float
    halves_per_c: float
    greatest_mass_g: float
    greatest_pour_depth_mm: float
    recoat_earliest_h: float
    recoat_latest_h: float
    cure_before_sanding_h: float
    ratio_by_weight: tuple[float, float] | None = None
    """Parts by weight, when the file gives them too."""
    containers: tuple[Container, ...] = ()

    @property
    def share_a(self) -> float:
        """Part A's share of the mixed volume."""
        return self.ratio_a / (self.ratio_a + self.ratio_b)

    @property
    def density_g_per_ml(self) -> float:
        """Density of the mix (volumes taken as additive)."""
        return self.share_a * self.density_a_g_per_ml + (1 - self.share_a) * self.density_b_g_per_ml

    @property
    def weight_ratio(self) -> float:
        """Grams of A for one gram of B."""
        return self.ratio_a * self.density_a_g_per_ml / (self.ratio_b * self.density_b_g_per_ml)

    def working_time_at(self, celsius: float) -> float:
        """Return the working time at a temperature, min: halved for every ``halves_per_c`` warmer."""
        return self.working_time_min * 2 ** ((self.working_time_at_c - celsius) / self.halves_per_c)

    def window_at(self, celsius: float) -> tuple[float, float]:
        """Return the earliest and latest recoat time at a temperature, h.

        Cure slows and quickens as the working time does; to stay on the safe side the window never opens
        earlier nor closes later than the data sheet says.
        """
        factor = 2 ** ((self.working_time_at_c - celsius) / self.halves_per_c)
        earliest = self.recoat_earliest_h * max(1.0, factor)
        return earliest, max(earliest, self.recoat_latest_h * min(1.0, factor))


@dataclass(frozen=True)
class Resin:
    """All of ``resin.toml``; ``assumed`` has a line for every value that is no data sheet's."""

    fill: Product
    thin: Product
    coat: Product
    values: dict[str, dict[str, Any]]
    assumed: tuple[str, ...]

    def number(self, section: str, key: str) -> float:
        """Return a plain number of the file."""
        return float(self.values[section][key])

    def soak_ml_per_m(self, kind: str) -> tuple[float, float]:
        """Return the low and high of what a metre of rim of this kind of void drinks, ml."""
        low, high = self.values["soak"][kind]
        return float(low), float(high)

    @property
    def pigment_share(self) -> float:
        """Pigment's mass as a share of the mix's."""
        return self.number("pigment", "share_percent") / 100


def read_resin(text: str) -> Resin:
    """Return the resin that the text of a ``resin.toml`` describes; what it leaves out is assumed.

    Raises
    ------
    ValueRefused
        When it is no TOML, or a key is unknown or its value can't be right; the key is named.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueRefused(f"resin.toml can't be read ({error})", _REMEDY) from error
    for section in raw:
        if section not in SECTIONS or not isinstance(raw[section], dict):
            raise ValueRefused(f"resin.toml has no section {section}", f"use one of {', '.join(SECTIONS)}")
    values: dict[str, dict[str, Any]] = {}
    assumed: list[str] = []
    for section, fields in SECTIONS.items():
        given = dict(raw.get(section, {}))
        containers = given.pop("containers", [])
        unknown = [key for key in given if key not in fields]
        if unknown or (containers and section not in PRODUCTS):
            key = unknown[0] if unknown else "containers"
            raise ValueRefused(f"resin.toml has an unknown key {section}.{key}", f"use one of {', '.join(fields)}")
        values[section] = {}
        for key, field in fields.items():
            value, source = _value(f"{section}.{key}", field, given.get(key))
            values[section][key] = value
            if source == "assumed" and value is not None and not _stands_in(key, given):
                assumed.append(f"{section}.{key} = {_said(value)}{' ' + field.unit if field.unit else ''}")
        if section in PRODUCTS:
            values[section]["containers"] = _containers(section, containers)
    products = {name: _product(name, values[name], raw.get(name, {})) for name in PRODUCTS}
    _check_pigment(values["pigment"])
    return Resin(**products, values=values, assumed=tuple(assumed))


def _stands_in(key: str, given: dict[str, Any]) -> bool:
    """Whether the usual volume ratio is not used because the file gives the ratio by weight alone."""
    return key == "ratio_by_volume" and key not in given and "ratio_by_weight" in given


def _value(name: str, field: Field, given: Any) -> tuple[Any, str]:
    if given is None:
        return field.usual, "assumed"
    source = "assumed"
    if isinstance(given, dict):
        odd = set(given) - {"value", "source"}
        if odd or "value" not in given:
            raise ValueRefused(f"{name} in resin.toml is not of the form {{ value, source }}", _REMEDY)
        source = given.get("source", "assumed")
        if source not in SOURCES:
            raise ValueRefused(f'the source of {name} in resin.toml is "{source}"', f"say {' or '.join(SOURCES)}")
        given = given["value"]
    return _checked(name, field, given), source


def _checked(name: str, field: Field, given: Any) -> Any:
    limits = f"{field.lo:g} to {field.hi:g} {field.unit}".strip()
    if field.shape == "length":
        if not isinstance(given, str):
            raise ValueRefused(f"{name} in resin.toml is not a length", 'write it as "1/8 in" or "3 mm"')
        try:
            figures = [units.parse_length_mm(given)]
        except ValueRefused as error:
            raise ValueRefused(f"{name} in resin.toml: {error.wrong}", error.remedy) from error
        limits = f"{field.lo:g} to {field.hi:g} mm"
    else:
        wanted = 1 if field.shape == "number" else 2
        figures = given if isinstance(given, list) else [given]
        if len(figures) != wanted or isinstance(given, list) == (wanted == 1):
            raise ValueRefused(f"{name} in resin.toml is not {'one number' if wanted == 1 else 'two numbers'}", _REMEDY)
    if not all(isinstance(f, (int, float)) and not isinstance(f, bool) and field.lo <= f <= field.hi for f in figures):
        raise ValueRefused(f"{name} in resin.toml can't be {_said(given)}", f"it lies within {limits}")
    if field.shape == "range" and figures[0] > figures[1]:
        raise ValueRefused(f"{name} in resin.toml has its low above its high", "write the low one first")
    return figures[0] if field.shape in ("number", "length") else list(figures)


def _containers(section: str, given: Any) -> list[Container]:
    found = []
    if not isinstance(given, list):
        raise ValueRefused(f"{section}.containers in resin.toml is not a list", _REMEDY)
    for entry in given:
        if not isinstance(entry, dict) or "size" not in entry or set(entry) - {"size", "price", "mass", "label_ml"}:
            raise ValueRefused(f"{section}.containers in resin.toml has an entry without size", _REMEDY)
        price = entry.get("price")
        if price is not None and (not isinstance(price, (int, float)) or not 0 <= price < 1e6):
            raise ValueRefused(f"{section}.containers in resin.toml has a price of {price}", "give a number, 0 or more")
        label = entry.get("label_ml")
        if label is not None and (isinstance(label, bool) or not isinstance(label, (int, float)) or not label > 0):
            raise ValueRefused(
                f"{section}.containers in resin.toml has a label_ml of {label}", "give ml as on the label"
            )
        try:
            ml = units.parse_volume_ml(str(entry["size"]))
            mass = units.parse_mass_g(str(entry["mass"])) if "mass" in entry else None
        except ValueRefused as error:
            raise ValueRefused(f"{section}.containers in resin.toml: {error.wrong}", error.remedy) from error
        if not 1 <= ml <= 1e6:
            raise ValueRefused(f"{section}.containers in resin.toml has a size of {entry['size']}", _REMEDY)
        found.append(Container(str(entry["size"]), ml, float(price) if price else None, mass, label))
    return found


def _product(name: str, values: dict[str, Any], given: dict[str, Any]) -> Product:
    plain = {key: v for key, v in values.items() if key not in ("ratio_by_volume", "ratio_by_weight", "containers")}
    weights = values["ratio_by_weight"]
    volumes = values["ratio_by_volume"]
    if weights is not None and "ratio_by_volume" not in given:
        volumes = [weights[0] / values["density_a_g_per_ml"], weights[1] / values["density_b_g_per_ml"]]
    if values["recoat_latest_h"] < values["recoat_earliest_h"]:
        raise ValueRefused(f"{name}.recoat_latest_h in resin.toml is before recoat_earliest_h", _REMEDY)
    return Product(
        name=name,
        ratio_a=volumes[0],
        ratio_b=volumes[1],
        ratio_by_weight=(weights[0], weights[1]) if weights is not None else None,
        containers=tuple(values["containers"]),
        **plain,
    )


def _check_pigment(values: dict[str, Any]) -> None:
    if values["share_percent"] > values["limit_percent"]:
        raise ValueRefused(
            f"pigment.share_percent in resin.toml is {values['share_percent']:g} % "
            f"but pigment.limit_percent is {values['limit_percent']:g} %",
            "use less pigment, or the limit of its data sheet",
        )


def _said(value: Any) -> str:
    if isinstance(value, list):
        return " to ".join(_said(v) for v in value)
    return f"{value:g}" if isinstance(value, (int, float)) and not isinstance(value, bool) else str(value)
