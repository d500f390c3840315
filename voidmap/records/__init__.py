"""The nouns that a job folder keeps: one frozen dataclass for each thing in a result file.

Field names are the names in the JSON files; the unit stands at the end of the name. An ``..._interval``
is a 95 % interval unless its name says otherwise. Points are ``(x, y)``: ``_px`` in the photo frame
(pixels after EXIF orientation, centre of the first pixel at (0, 0)), ``_mm`` in the slab frame.
Depth is positive downward from the slab's top. "Nothing found" is an empty tuple.

The docstring under a field becomes its description in the published JSON Schema.
"""

from voidmap.records.coats import (
    ClosedSite,
    CoatRecord,
    Expected,
    Pattern,
    Pinhole,
    Power,
    Ratings,
    SiteAdvice,
    Verdict,
)
from voidmap.records.common import RULES, SLITS, Interval, Kind, Outline, Point
from voidmap.records.fill import (
    Allowances,
    Batch,
    ChancePoint,
    CoatMix,
    Coats,
    Dam,
    FillPlan,
    Method,
    Pour,
    Purchase,
    Tape,
    TimeStep,
)
from voidmap.records.intake import (
    BoardPlace,
    Defect,
    Depth,
    DepthEstimate,
    EdgeRun,
    Hidden,
    Intake,
    Lens,
    PhotoRecord,
    ProbeAdvice,
    Quality,
    Reading,
    ScaleRecord,
    SizeIntervals,
    SlabRecord,
    Totals,
)
from voidmap.records.shots import BoardsPrinted, LensFile, Shot, ShotPlan

__all__ = [
    "RULES",
    "SLITS",
    "Allowances",
    "Batch",
    "BoardPlace",
    "BoardsPrinted",
    "ChancePoint",
    "ClosedSite",
    "CoatMix",
    "CoatRecord",
    "Coats",
    "Dam",
    "Defect",
    "Depth",
    "DepthEstimate",
    "EdgeRun",
    "Expected",
    "FillPlan",
    "Hidden",
    "Intake",
    "Interval",
    "Kind",
    "Lens",
    "LensFile",
    "Method",
    "Outline",
    "Pattern",
    "PhotoRecord",
    "Pinhole",
    "Point",
    "Pour",
    "Power",
    "ProbeAdvice",
    "Purchase",
    "Quality",
    "Ratings",
    "Reading",
    "ScaleRecord",
    "Shot",
    "ShotPlan",
    "SiteAdvice",
    "SizeIntervals",
    "SlabRecord",
    "Tape",
    "TimeStep",
    "Totals",
    "Verdict",
]
