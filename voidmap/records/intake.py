"""The slab at intake: photos, scale, outline, defects with their depths, and probe readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from voidmap.records.common import RULES, Interval, Kind, Outline


@dataclass(frozen=True)
class Quality:
    """How good a photo is, judged before any time is spent on it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    sharpness: float | None
    """MTF50 of the board's own edges, cycles per pixel; null when no board edge could be measured."""
    clipped_fraction: float
    """Share of pixels at the top of the scale in all channels, 0 to 1."""
    glare_fraction: float
    """Share of pixels in glare (near-clipped and colourless), 0 to 1."""
    verdict: str
    """good, usable or reshoot."""
    reasons: tuple[str, ...] = ()
    """One sentence for each thing that limits the photo."""
    noise: float | None = None
    """Standard deviation of the noise in a flat grey patch, in 8-bit steps."""
    smallest_defect_mm: float | None = None
    """The smallest defect that this photo can show, mm."""


@dataclass(frozen=True)
class PhotoRecord:
    """A photo that went into a result."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken: str | None
    """Date and time in the camera data, ISO 8601; null when there is none."""
    quality: Quality


@dataclass(frozen=True)
class BoardPlace:
    """One scale board, where it lies in the slab frame."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    number: int
    """0 is board A, 1 is board B, and so on."""
    corners_found: int
    x_mm: float
    y_mm: float
    angle_deg: float
    tilt_deg: float
    """Tilt against the plane of the other boards (or of the whole fit), degrees."""
    bow_mm: float = 0.0
    """How far the sheet's middle lies off its ends, mm; positive: the middle lies lower."""


@dataclass(frozen=True)
class Lens:
    """Brown-Conrady lens: focal lengths and centre in px, and its distortion terms."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    fx: float
    fy: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0
    source: str = "photo"
    """photo (solved in the photo itself), file (a lens file), or scale (a picture already to scale)."""
    covariance: tuple[tuple[float, ...], ...] = ()
    """Of a lens file: covariance (9, 9) of fx, fy, cx, cy, k1, k2, p1, p2, k3; empty elsewhere."""


@dataclass(frozen=True)
class ScaleRecord:
    """How pixels became millimetres."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    reference: str
    """boards, a4, letter, id1, points or mm_per_px."""
    boards: tuple[BoardPlace, ...]
    mm_per_px: float
    """At the middle of the slab."""
    length_interval_rel: float
    """Half-width of the 95 % interval of a length across the slab, as a share of the length."""
    reprojection_rms_px: float
    lens: Lens


@dataclass(frozen=True)
class EdgeRun:
    """A run of the slab's edge: sawn or live."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    kind: str
    """sawn or live."""
    length_mm: float
    start: int
    """Index into outline_mm where the run starts (it ends where the next one starts)."""


@dataclass(frozen=True)
class SlabRecord:
    """The slab's top."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    area_mm2: float
    area_interval_mm2: Interval
    edge_mm: float
    thickness_mm: float | None
    outline_mm: Outline
    outline_px: Outline
    """The same points in photos[0]; as many as outline_mm, in the same order."""
    edge_runs: tuple[EdgeRun, ...] = ()
    leaves_frame: bool = False
    """True when the slab leaves the photo: area and edge are then of the part in view."""
    grain_deg: float = 0.0
    """Direction of the grain in the slab frame, degrees from x toward y, in [-90, 90)."""


@dataclass(frozen=True)
class DepthEstimate:
    """What one method says of a void's depth, with its error split into causes.

    Errors are relative and taken as log-normal. ``shared_rel`` names the causes that other voids of the
    same slab share (scale, lens, lamp, depth model); ``own_rel`` is this void's own.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    source: str
    """prior, probe, parallax, shadow or through."""
    mean_mm: float
    max_mm: float
    own_rel: float
    shared_rel: dict[str, float] = field(default_factory=dict)
    greatest_read: bool = False
    """True when ``max_mm`` was read with a gauge: but for its error, no place of the void is deeper."""
    floor_seen: float = 1.0
    """Chance that the floor was measured; else only the walls above it were, and the void is deeper than stated."""
    void_nats: float = 0.0
    """Log-likelihood ratio of a void to a flat thing by what this method saw; 0 when it says nothing of that."""


@dataclass(frozen=True)
class Depth:
    """A void's depth after fusing what is known."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    mean_mm: float
    max_mm: float
    mean_interval_mm: Interval
    source: str
    """The method that weighs most: prior, probe, parallax, shadow or through."""
    estimates: tuple[DepthEstimate, ...] = ()
    disagreement: str | None = None
    """A sentence when two methods disagree beyond their intervals."""


@dataclass(frozen=True)
class SizeIntervals:
    """95 % intervals of a void's length and widths, mm."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    length: Interval
    width_mean: Interval
    width_max: Interval


@dataclass(frozen=True)
class Hidden:
    """What of a void may go on under a board or another thing that lies on the slab; nobody has seen it."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    share: float
    """Expected volume under there, as a share of that of the bare part."""
    share_log_sd: float
    """Standard error of the share's natural logarithm."""
    outlines_mm: tuple[Outline, ...]
    """Where it may go on, one for each thing that covers it."""
    volume_ml: float
    """Expected volume under there; the void's volume_ml counts it."""
    volume_interval_ml: Interval
    """The low end is 0: it may end at the board."""


@dataclass(frozen=True)
class Defect:
    """A void, or a flat thing that looks like one."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    id: str
    kind: Kind
    is_void: bool
    void_probability: float
    area_mm2: float
    area_interval_mm2: Interval
    length_mm: float
    width_mean_mm: float
    width_max_mm: float
    outline_mm: Outline
    outline_px: Outline
    """In photos[0]; as many points as outline_mm, in the same order."""
    opens_on_edge: bool
    edge_opening_mm: float
    through: bool
    depth: Depth | None
    """null for flat things."""
    volume_ml: float
    volume_interval_ml: Interval
    rim_mm: float = 0.0
    """Length of the rim (both sides of a crack), mm."""
    size_intervals_mm: SizeIntervals | None = None
    """Of length_mm, width_mean_mm and width_max_mm; null for flat things."""
    from_user: tuple[str, ...] = ()
    """Names of the fields that the user's own corrections set."""
    note: str = ""
    hidden: Hidden | None = None
    """Of a void that goes on under what lies on the slab; all but the volume is of the part that lies bare."""


@dataclass(frozen=True)
class Totals:
    """Sums over the voids."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    void_count: int
    void_area_mm2: float
    volume_ml: float
    volume_interval_ml: Interval


@dataclass(frozen=True)
class Intake:
    """intake.json: the slab as it came."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/intake/1"

    photos: tuple[PhotoRecord, ...]
    scale: ScaleRecord
    slab: SlabRecord
    defects: tuple[Defect, ...]
    totals: Totals
    notes: tuple[str, ...] = ()
    """What the user should know: assumptions, disagreements, things in view that were left out."""


@dataclass(frozen=True)
class Reading:
    """A reading worth taking."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str
    """The void's id."""
    expected_mm: float
    """The greatest depth that is expected there."""
    total_interval_ml: Interval
    """What the total's 95 % interval would become with this reading and those named before it, if it finds what is
    likelier: a void of about that depth, or none."""
    void_interval_ml: Interval
    """What the void's own 95 % interval would become; 0 where none is likelier."""
    dots_mm: Outline
    """Numbered places (1, 2, ...) for depth readings inside the void, slab mm; the first near its deepest."""
    void_probability: float = 1.0
    """Of less than a half: the map has it flat, and whether it is hollow is what is to be looked for."""


@dataclass(frozen=True)
class ProbeAdvice:
    """What to probe next, and what is known now."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/probe/1"

    total_ml: float
    total_interval_ml: Interval
    readings: tuple[Reading, ...]
    """Best first; each counts on those before it."""
    looks: tuple[Reading, ...] = ()
    """Flat things whose being voids or none leaves most of the total open, best first, each on its own."""
    recorded: tuple[str, ...] = ()
    """What was recorded by this call, one sentence each."""
    disagreements: tuple[str, ...] = ()
    """Where a reading and the photos are more apart than their errors allow."""
