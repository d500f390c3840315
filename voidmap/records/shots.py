"""Before the job: printed boards, lens files, shot plans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from voidmap.records.common import RULES
from voidmap.records.intake import BoardPlace, Lens


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
