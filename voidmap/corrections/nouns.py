"""The nouns of ``corrections.json``, checked at birth, and their JSON form."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from typing import Any, ClassVar

from voidmap.errors import InputError, ValueRefused
from voidmap.records import RULES, Kind, Outline, Point

SCHEMA = "voidmap/corrections/1"

DEEPEST_MM = 400.0
"""No slab is thicker, so no void is deeper."""
LONGEST_NOTE = 2000
"""Characters; a note is a remark, not a document."""
SIZE_LIMIT_MM = 20_000.0
"""No point of a slab is farther than this from the frame's origin."""


class Action(StrEnum):
    """What a correction does."""

    DROP = "drop"
    ADD = "add"
    REDRAW = "redraw"
    KIND = "kind"
    DEPTH = "depth"
    THROUGH = "through"
    NOTE = "note"
    THICKNESS = "thickness"
    PINHOLE = "pinhole"
    NOT_PINHOLE = "not_pinhole"
    FORGET = "forget"


@dataclass(frozen=True)
class Correction:
    """One thing that the user knows better.

    Raises
    ------
    ValueRefused
        When a value is missing or impossible.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    action: Action
    place_mm: Point | None = None
    """Where on the slab, in the frame of the group's outline; null for the thickness and for forget."""
    defect: str = ""
    """The defect's id at that time, for people to read; the place decides."""
    kind: Kind | None = None
    depth_mm: float | None = None
    dot_mm: Point | None = None
    """Where the depth was read; null: it is the greatest depth."""
    error_mm: float | None = None
    """Standard error of the depth gauge, mm; null: the usual one."""
    through: bool | None = None
    thickness_mm: float | None = None
    outline_mm: Outline = ()
    note: str = ""
    coat: int | None = None
    diameter_mm: float | None = None
    made: str = ""
    """When, ISO 8601; empty when unknown."""
    key: str = ""
    """Names this correction; made from its content when left empty."""

    def __post_init__(self) -> None:
        """Refuse what can't be right; give it a key."""
        check(self)
        if not self.key:
            object.__setattr__(self, "key", _key(self))


@dataclass(frozen=True)
class Group:
    """Corrections made on one measuring of the slab."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    slab_outline_mm: Outline
    """The slab's outline when they were made: the frame that their places are in."""
    items: tuple[Correction, ...]
    marks_mm: Outline = ()
    """Places of all defects then: they tell which way round a rectangular slab lay."""


@dataclass(frozen=True)
class Corrections:
    """corrections.json: all that the user corrected, oldest first."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    groups: tuple[Group, ...] = ()

    @property
    def items(self) -> tuple[Correction, ...]:
        """All corrections, oldest first, taken-back ones included."""
        return tuple(item for group in self.groups for item in group.items)

    @property
    def standing(self) -> Corrections:
        """The corrections that were not taken back, without the taking back."""
        gone = {item.defect for item in self.items if item.action is Action.FORGET}
        groups = (
            replace(
                group,
                items=tuple(i for i in group.items if i.action is not Action.FORGET and i.key not in gone),
            )
            for group in self.groups
        )
        return Corrections(tuple(group for group in groups if group.items))


_NEEDS: dict[Action, tuple[str, ...]] = {
    Action.DROP: ("place_mm",),
    Action.ADD: ("kind", "outline_mm"),
    Action.REDRAW: ("place_mm", "outline_mm"),
    Action.KIND: ("place_mm", "kind"),
    Action.DEPTH: ("place_mm", "depth_mm"),
    Action.THROUGH: ("place_mm", "through"),
    Action.NOTE: ("place_mm",),
    Action.THICKNESS: ("thickness_mm",),
    Action.PINHOLE: ("place_mm", "coat", "diameter_mm"),
    Action.NOT_PINHOLE: ("place_mm", "coat"),
    Action.FORGET: ("defect",),
}


def check(item: Correction) -> None:
    """Refuse a correction whose values are missing or impossible.

    Raises
    ------
    ValueRefused
        With what is wrong and what to do.
    """
    what = f"{item.action} of {item.defect}" if item.defect else f"{item.action}"
    for name in _NEEDS[item.action]:
        if getattr(item, name) in (None, (), ""):
            raise ValueRefused(f"the correction '{what}' lacks its {name}", "make it again in the job sheet")
    _in_range(what, "depth", item.depth_mm, 0.0, DEEPEST_MM, "mm")
    _in_range(what, "gauge error", item.error_mm, 0.0, 20.0, "mm")
    _in_range(what, "thickness", item.thickness_mm, 3.0, DEEPEST_MM, "mm")
    _in_range(what, "diameter", item.diameter_mm, 0.0, 50.0, "mm")
    if item.coat is not None and not 1 <= item.coat <= 99:
        raise ValueRefused(f"coat {item.coat} in '{what}' can't be right", "coats are numbered from 1")
    if len(item.note) > LONGEST_NOTE:
        raise ValueRefused(f"the note in '{what}' is too long", f"keep it under {LONGEST_NOTE} characters")
    points = (*item.outline_mm, *(p for p in (item.place_mm, item.dot_mm) if p is not None))
    if not all(math.isfinite(v) and abs(v) <= SIZE_LIMIT_MM for point in points for v in point):
        raise ValueRefused(f"a point in '{what}' is not on any slab", "draw it again in the job sheet")
    if item.outline_mm and len(item.outline_mm) < 3:
        raise ValueRefused(f"the outline in '{what}' has fewer than three points", "draw it again")


def _in_range(what: str, name: str, value: float | None, lo: float, hi: float, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and lo < value <= hi):
        raise ValueRefused(
            f"a {name} of {value:g} {unit} in '{what}' can't be right",
            f"give more than {lo:g} and at most {hi:g} {unit}",
        )


def _key(item: Correction) -> str:
    values = _adapter(Correction).dump_python(item, mode="json")
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:10]


@cache
def _adapter(cls: type[Any]) -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(cls)


def to_json(corrections: Corrections) -> dict[str, Any]:
    """Return the corrections as plain JSON values, the schema first."""
    values: dict[str, Any] = _adapter(Corrections).dump_python(corrections, mode="json", exclude_defaults=True)
    return {"schema": SCHEMA, "groups": values.get("groups", [])}


def from_json(values: Any, name: str) -> Corrections:
    """Return the corrections that JSON values hold.

    Raises
    ------
    InputError
        When the values are not corrections; the message names the place.
    ValueRefused
        When a value in them can't be right.
    """
    from pydantic import ValidationError

    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise InputError(f"{name} is not a {SCHEMA} file", "give the file that the job sheet saved")
    fields = {key: value for key, value in values.items() if key != "schema"}
    try:
        found: Corrections = _adapter(Corrections).validate_python(fields)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise InputError(
            f"{name} is damaged at {place} ({first['msg']})", "save it from the job sheet again"
        ) from error
    return found
