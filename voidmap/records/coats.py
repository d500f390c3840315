"""Coats: pinholes with their tracks, and the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from voidmap.records.common import RULES, Interval, Outline, Point
from voidmap.records.intake import PhotoRecord


@dataclass(frozen=True)
class Pinhole:
    """A pinhole, crater or bubble seen in a coat."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    id: str
    site: str
    """The place's number, kept for the life of the job."""
    x_mm: float
    y_mm: float
    x_px: float
    y_px: float
    """In the photo named by ``photo`` of this pinhole."""
    diameter_mm: float
    diameter_interval_mm: Interval
    score: float
    """Signal over local noise."""
    state: str
    """new, kept or uncertain."""
    photo: int = 0
    """Index into the record's photos."""
    probability: float = 1.0
    """Chance that it is a pinhole, by the classifier; 1 for one that the user set."""
    from_user: bool = False
    """The user set it; one that no photo showed has the photo place (-1, -1)."""


@dataclass(frozen=True)
class ClosedSite:
    """A site of an earlier coat that was looked at and is gone, or could not be looked at."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    site: str
    x_mm: float
    y_mm: float
    seen: bool = True
    """True: the place was inspected and nothing is there. False: the place was not seen this time."""
    in_view: bool = True
    """False: the place lies where this coat was not inspected. (True and not seen: too small for this photo.)"""


@dataclass(frozen=True)
class Power:
    """What this photo could show: planted pinholes of known size, found by the very detector."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    d50_mm: float | None
    d90_mm: float | None
    d90_95_mm: float | None
    planted: int
    found: int
    curve: tuple[Point, ...] = ()
    """(diameter_mm, probability of detection)."""
    fit: tuple[float, ...] = ()
    """Of the curve: intercept and slope of its log odds over ln(diameter in mm), the intercept's variance, their
    covariance and the slope's variance; the chance that it rises to (taken times the rest), and the 1 sigma of the
    doubt about all of it in log odds. Empty when no curve could be told."""


@dataclass(frozen=True)
class Ratings:
    """Words of published rating scales, as a help; not a certified rating."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    iso4628_2: str | None
    astm_d714: str | None
    note: str = ""


@dataclass(frozen=True)
class CoatRecord:
    """coat-N.json: what is left after coat N."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/coat/1"

    number: int
    photo: PhotoRecord
    surface: str
    """gloss or sanded."""
    inspected_area_mm2: float
    hidden_area_mm2: float
    pinholes: tuple[Pinhole, ...]
    closed: tuple[ClosedSite, ...]
    count: int
    count_interval: Interval
    power: Power
    false_calls_per_m2: float
    density_per_m2: float
    ratings: Ratings
    photos: tuple[PhotoRecord, ...] = ()
    """All photos of this coat; photo is the first."""
    mm_per_px: float = 0.0
    align_rms_mm: float | None = None
    """Residual of the alignment with the earlier coats; null on the first coat."""
    frame_from_slab: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """(x_mm, y_mm, angle_deg) that carries this photo's own board frame into the job's slab frame."""
    inspected_mm: tuple[Outline, ...] = ()
    """Outlines of what was inspected, in the slab frame; an outline inside another one is a hole."""
    grain_deg: float | None = None
    """Direction of the grain in the slab frame, degrees from x toward y; null when none could be told."""
    notes: tuple[str, ...] = ()
    smallest_mm: float = 0.5
    """The smallest pinhole that mattered when it was counted."""
    frame_outline_mm: Outline = ()
    """The slab's outline in the frame that the places are in: it ties them to the wood. Empty without an intake."""
    from_user: tuple[str, ...] = ()
    """What the user's own marks changed, one sentence each."""


@dataclass(frozen=True)
class SiteAdvice:
    """A site that outlived coats, and what to do there."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    site: str
    x_mm: float
    y_mm: float
    coats_seen: int
    advice: str


@dataclass(frozen=True)
class Expected:
    """How many pinholes are expected after one more coat."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    count: float
    interval: Interval


@dataclass(frozen=True)
class Pattern:
    """Where the pinholes sit, against chance."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    edge_fed: bool
    along_grain: bool
    scattered: bool
    repeat_ratio: float | None
    """Sites seen again over sites expected again by chance; null with one coat."""
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class Verdict:
    """verdict.json: what to do next, and why."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/verdict/1"

    decision: str
    """seal_again, spot_fill, flood or reshoot."""
    confidence: float
    reasons: tuple[str, ...]
    sites: tuple[SiteAdvice, ...]
    expected_after_next: Expected
    closure_rate: float | None
    closure_interval: Interval
    pattern: Pattern
    coat: int = 0
    """The coat that the verdict is about."""
    finish: str = "client"
    would_change: tuple[str, ...] = ()
    """What would change the decision."""
    inputs: dict[str, Any] = field(default_factory=dict)
    """What the user asked for: numbers in place of the finish's, prices."""
