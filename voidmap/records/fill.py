"""The fill plan: methods, amounts, batches, lifts, coats."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from voidmap.records.common import RULES, Interval


@dataclass(frozen=True)
class Method:
    """How one defect is treated, and why."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str
    method: str
    """tinted_resin, sawdust_glue, thin_resin, wax_stick, patch or leave."""
    why: str
    prepare: tuple[str, ...] = ()
    """What to do before, in order."""


@dataclass(frozen=True)
class Allowances:
    """What is mixed over and above the voids' own volume, ml."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    overfill_ml: float
    soak_ml: float
    cup_ml: float


@dataclass(frozen=True)
class Pour:
    """What one void gets out of one cup."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str
    lift: int
    """1 is the lowest lift of this void."""
    lifts: int
    ml: float
    """The amount planned for, at the chosen chance of running short."""
    depth_mm: float
    """Height of this lift; stop there even when resin is left."""
    cup: int = 1
    cups: int = 1
    """A lift larger than a cup is poured from several, one straight after the other."""


@dataclass(frozen=True)
class Batch:
    """One cup: what is in it and where it goes."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    number: int
    defects: tuple[str, ...]
    lift: int
    mix_ml: float
    part_a_ml: float
    part_b_ml: float
    part_a_g: float
    part_b_g: float
    pigment_g: float
    minutes: float
    """From the first stir to the last drop."""
    start_h: float = 0.0
    """Hours after the first batch when this one may start."""
    note: str = ""
    resin: str = "fill"
    """fill (tinted) or thin."""
    pours: tuple[Pour, ...] = ()
    """In the order of the walk round the slab."""


@dataclass(frozen=True)
class TimeStep:
    """One bar of the plan's time line."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    start_h: float
    """Hours after the first batch is stirred."""
    end_h: float
    what: str
    kind: str
    """pour, wait, work or coat."""


@dataclass(frozen=True)
class Purchase:
    """What to buy of one product."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    product: str
    need_ml: float
    buy_ml: float
    """The need with the margin."""
    containers: tuple[str, ...] = ()
    """In words, such as "2 x 1 qt"; empty when no sizes were given."""
    cost: float | None = None


@dataclass(frozen=True)
class Dam:
    """Where resin would run off the edge."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str
    length_mm: float
    side: str = ""
    """Which side of the slab, in words."""


@dataclass(frozen=True)
class Tape:
    """Where resin would run out below."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str


@dataclass(frozen=True)
class ChancePoint:
    """The chance of running short when this much is mixed."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    mix_ml: float
    chance_short: float


@dataclass(frozen=True)
class CoatMix:
    """What to mix for one coat; the parts are those of each of its cups."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    coat: str
    """seal coat 1, seal coat 2, ... or flood coat."""
    mix_ml: float
    """All cups together."""
    cups: int
    part_a_ml: float
    part_b_ml: float
    part_a_g: float
    part_b_g: float


@dataclass(frozen=True)
class Coats:
    """Seal and flood coats over the whole top and its edge."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    seal_ml: float
    """One seal coat."""
    flood_ml: float
    """The flood coat."""
    seal_coats: int
    first_seal_extra_ml: float
    """Bark's thirst on the first seal coat."""
    edge_mm: float
    total_ml: float
    buy: tuple[str, ...] = ()
    """Containers to buy, in words."""
    cost: float | None = None
    mixes: tuple[CoatMix, ...] = ()


@dataclass(frozen=True)
class FillPlan:
    """fill.json: what to do next at the bench."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/fill/1"

    resin: dict[str, Any]
    methods: tuple[Method, ...]
    volume_ml: float
    volume_interval_ml: Interval
    allowances: Allowances
    mix_ml: float
    chance_short: float
    batches: tuple[Batch, ...]
    dams: tuple[Dam, ...]
    tape: tuple[Tape, ...]
    coats: Coats
    cautions: tuple[str, ...]
    assumed: tuple[str, ...] = ()
    """Resin values that are assumed, not from a data sheet."""
    contradictions: tuple[str, ...] = ()
    chance_table: tuple[ChancePoint, ...] = ()
    batch_bound: int = 0
    """No plan can need fewer batches than this."""
    inputs: dict[str, Any] = field(default_factory=dict)
    """What the user asked for: overfill, temperature, scale step and so on."""
    schedule: tuple[TimeStep, ...] = ()
    purchases: tuple[Purchase, ...] = ()
    notes: tuple[str, ...] = ()
    """Advice that follows from the figures."""
