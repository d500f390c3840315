"""What the job sheet is made from."""

from __future__ import annotations

from dataclasses import dataclass

from voidmap.records import CoatRecord, FillPlan, Intake, Point, Verdict


@dataclass(frozen=True)
class Frame:
    """A picture in the slab frame: its size, the place of its first pixel, and its scale."""

    width_px: int
    height_px: int
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def at(self, point_mm: Point) -> Point:
        """Carry a slab point to picture pixels."""
        return (point_mm[0] - self.x0_mm) / self.mm_per_px, (point_mm[1] - self.y0_mm) / self.mm_per_px


@dataclass(frozen=True)
class Picture:
    """A square-on picture of the job: its data URI and its frame."""

    uri: str
    frame: Frame


@dataclass(frozen=True)
class CloseUp:
    """A site through the coats: its number and one small picture (data URI) a coat, with a word for each."""

    site: str
    uris: tuple[str, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """All that a job sheet shows; what is not there yet is None or empty."""

    title: str
    intake: Intake | None
    map: Picture | None
    plan: FillPlan | None
    coats: tuple[CoatRecord, ...]
    coat_pictures: tuple[Picture | None, ...]
    verdict: Verdict | None
    close_ups: tuple[CloseUp, ...] = ()
    costs: bool = True
    next_step: str = ""

    @property
    def pictures(self) -> tuple[tuple[str, str, Picture], ...]:
        """Name, words and picture of the slab and of each coat, in the order of the work."""
        found = [("intake", "the slab at intake", self.map)]
        found += [
            (f"coat-{c.number}", f"coat {c.number}", picture)
            for c, picture in zip(self.coats, self.coat_pictures, strict=True)
        ]
        return tuple((name, words, picture) for name, words, picture in found if picture is not None)
