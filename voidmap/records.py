"""The nouns that a job folder keeps: one frozen dataclass for each thing in a result file.

Field names are the names in the JSON files; the unit stands at the end of the name. An ``..._interval``
is a 95 % interval unless its name says otherwise. Points are ``(x, y)``: ``_px`` in the photo frame
(pixels after EXIF orientation, centre of the first pixel at (0, 0)), ``_mm`` in the slab frame.
Depth is positive downward from the slab's top. "Nothing found" is an empty tuple.

The docstring under a field becomes its description in the published JSON Schema.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, ClassVar, NamedTuple


class Interval(NamedTuple):
    """A 95 % interval, in the unit of the value it belongs to."""

    lo: float
    hi: float


Point = tuple[float, float]
Outline = tuple[Point, ...]

RULES: dict[str, Any] = {"use_attribute_docstrings": True, "extra": "forbid"}


class Kind(StrEnum):
    """What a finisher calls the thing."""

    CRACK = "crack"
    KNOT_HOLE = "knot_hole"
    BARK_VOID = "bark_void"
    HOLE = "hole"
    SEAM_GAP = "seam_gap"
    SOUND_KNOT = "sound_knot"
    STAIN = "stain"

    @property
    def is_void(self) -> bool:
        """Whether resin would sink into it."""
        return self not in (Kind.SOUND_KNOT, Kind.STAIN)


# --- intake ---------------------------------------------------------------------------------------


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
    from_user: tuple[str, ...] = ()
    """Names of the fields that the user's own corrections set."""
    note: str = ""


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


# --- probe ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reading:
    """A reading worth taking."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    defect: str
    """The void's id."""
    expected_mm: float
    """The greatest depth that is expected there."""
    total_interval_ml: Interval
    """What the total's 95 % interval would become with this reading and those named before it."""
    void_interval_ml: Interval
    """What the void's own 95 % interval would become."""
    dots_mm: Outline
    """Numbered places (1, 2, ...) for depth readings inside the void, slab mm; the first near its deepest."""


@dataclass(frozen=True)
class ProbeAdvice:
    """What to probe next, and what is known now."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/probe/1"

    total_ml: float
    total_interval_ml: Interval
    readings: tuple[Reading, ...]
    """Best first; each counts on those before it."""
    recorded: tuple[str, ...] = ()
    """What was recorded by this call, one sentence each."""
    disagreements: tuple[str, ...] = ()
    """Where a reading and the photos are more apart than their errors allow."""


# --- fill -----------------------------------------------------------------------------------------


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


# --- coats ----------------------------------------------------------------------------------------


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
    """Intercept and slope of the curve's log odds over ln(diameter in mm), the intercept's variance, their
    covariance and the slope's variance; empty when no curve could be told."""


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


# --- boards, lens, shots --------------------------------------------------------------------------


@dataclass(frozen=True)
class BoardsPrinted:
    """What ``voidmap boards`` wrote."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/boards/1"

    file: str
    paper: str
    boards: int
    """Boards on it, one a page: A, B, and so on."""


@dataclass(frozen=True)
class LensFile:
    """A lens file: one camera at one zoom and picture size."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/lens/1"

    camera: str | None
    width_px: int
    height_px: int
    focal_mm: float | None
    focal_35mm_mm: float | None
    lens: Lens
    covariance: tuple[tuple[float, ...], ...]
    """(9, 9) of fx, fy, cx, cy, k1, k2, p1, p2, k3."""
    terms: tuple[str, ...]
    """Distortion terms that the photos support; the others are zero."""
    bic: dict[str, float]
    """Bayesian information criterion of each set of terms that was tried; the lowest is taken."""
    rms_px: float
    corner_sigma_px: float
    photos: tuple[str, ...]
    coverage: tuple[tuple[int, ...], ...]
    """Corners seen in each cell of a 4 x 3 grid over the frame, row by row."""
    coverage_fraction: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Shot:
    """One photo to take."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES

    number: int
    x_mm: float
    y_mm: float
    """Middle of the frame, from the slab's corner; x along the length."""
    boards: tuple[str, ...]
    """Letters of the boards in view."""


@dataclass(frozen=True)
class ShotPlan:
    """How to photograph a slab so that the smallest thing of interest is three pixels wide."""

    __pydantic_config__: ClassVar[dict[str, Any]] = RULES
    SCHEMA: ClassVar[str] = "voidmap/shots/1"

    length_mm: float
    width_mm: float
    smallest_mm: float
    height_mm: float
    """Of the lens above the top."""
    mm_per_px: float
    frame_mm: tuple[float, float]
    columns: int
    rows: int
    overlap: float
    shots: tuple[Shot, ...]
    boards: tuple[BoardPlace, ...]
    depth_of_field_mm: tuple[float, float] | None
    """Nearest and farthest sharp distance from the lens; null when the aperture is unknown."""
    notes: tuple[str, ...] = ()
    svg: str = ""
    """The plan, drawn."""
