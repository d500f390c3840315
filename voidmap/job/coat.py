"""Coat: photos after a coat become a count of what is left, tracked in the slab frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from voidmap.errors import JobError, ScaleError, ValueRefused
from voidmap.files import Job, load_photos, open_job, read_json
from voidmap.records import CoatRecord, Intake, PhotoRecord, Pinhole

if TYPE_CHECKING:
    from voidmap.coat.align import Alignment
    from voidmap.coat.inspected import View
    from voidmap.coat.power import Study
    from voidmap.coat.spots import Spots
    from voidmap.model import Floats, Ortho, Photo, Plane

STEPS = ("reading photos", "scale", "finding pinholes", "what the photo could show", "earlier coats", "writing")
SMALLEST_MM = 0.5
"""The size that matters when none is said: about what an eye finds at arm's length in a glossy coat."""
PICTURE_SIDE_PX = 2600
"""The square-on picture kept with the job is worked out at this size."""
SEED = 20240
"""Of the planted pinholes: the same photo gives the same figures."""


@dataclass(frozen=True)
class CoatOptions:
    """What the user says about a coat's photos."""

    number: int
    sanded: bool = False
    smallest_mm: float = SMALLEST_MM
    lens_file: Path | None = None
    bar_x_mm: float = 100.0
    bar_y_mm: float = 100.0
    board_thickness_mm: float = 0.0
    mm_per_px: float | None = None
    region: str = "auto"

    def __post_init__(self) -> None:
        """Refuse what can't be right."""
        if not 1 <= self.number <= 99:
            raise ValueRefused(f"there is no coat number {self.number}", "count coats from 1")
        if not 0.05 <= self.smallest_mm <= 10.0:
            raise ValueRefused(
                f"a smallest pinhole of {self.smallest_mm:g} mm can't be right", "give a size such as 0.5mm"
            )
        if self.region not in ("auto", "whole"):
            raise ValueRefused(f"there is no region {self.region}", "say auto or whole")
        if self.mm_per_px is not None and not 0.001 <= self.mm_per_px <= 10.0:
            raise ValueRefused(f"{self.mm_per_px:g} mm per pixel can't be right", "give mm in one pixel, as in 0.07")


@dataclass(frozen=True)
class Looked:
    """One photo of the coat, looked through."""

    photo: Photo
    plane: Plane
    view: View
    spots: Spots
    study: Study
    blur_px: float
    px_per_mm: float
    grain_px: tuple[tuple[float, float], tuple[float, float]] | None
    """Two places along the grain, photo px."""


def inspect(folder: Path, photo_files: Sequence[Path], options: CoatOptions, step: Callable[[str], None]) -> CoatRecord:
    """Count and track the pinholes after a coat, and write ``coat-N.json`` and its picture.

    Parameters
    ----------
    folder
        The job folder; made when it is not there.
    photo_files
        Photos of this coat: one, or several that together show more (glare in one is seen in another).
    options
        What the user says.
    step
        Called with each step's name (``STEPS``) when it begins.

    Raises
    ------
    InputError
        When the photos, the scale, the coat's number or the job can't be used.
    """
    from voidmap.coat.align import laid
    from voidmap.job.marks import carry_over
    from voidmap.job.pictures import write_picture

    job = open_job(folder)
    earlier = _earlier(job, options.number)
    step(STEPS[0])
    photos = load_photos(list(photo_files))
    _refuse_used(photos, earlier)
    step(STEPS[1])
    planes = _planes(photos, options)
    records = _photo_records(photos, planes)
    step(STEPS[2])
    looked = []
    for photo, plane, record in zip(photos, planes, records, strict=True):
        looked.append(_look(photo, plane, record, options, step))
    step(STEPS[4])
    ortho = _ortho(looked[0])
    alignment, notes = _place(job, looked[0], ortho, earlier, options.number)
    result = _record(looked, records, alignment, earlier, options, notes)
    step(STEPS[5])
    result = carry_over(job, result, earlier)
    write_picture(job, f"coat-{options.number}", laid(ortho, alignment.bend))
    return result


def _earlier(job: Job, number: int) -> tuple[CoatRecord, ...]:
    done = job.coat_numbers()
    if done and number < done[-1]:
        raise JobError(
            f"coat {number} comes before coat {done[-1]}, which the job has already",
            f"coats go in order: the next one is {done[-1] + 1}",
        )
    return tuple(job.read(CoatRecord, number=n) for n in done if n < number)


def _refuse_used(photos: Sequence[Photo], earlier: Sequence[CoatRecord]) -> None:
    used = {p.sha256: c.number for c in earlier for p in (c.photos or (c.photo,))}
    for photo in photos:
        if photo.sha256 in used:
            raise JobError(
                f"{photo.file} is the very photo of coat {used[photo.sha256]}", "take a photo after the new coat"
            )


def _planes(photos: Sequence[Photo], options: CoatOptions) -> tuple[Plane, ...]:
    from voidmap import scale

    if options.mm_per_px is not None:
        if len(photos) > 1:
            raise ScaleError("--mm-per-px takes one picture", "give one picture of each coat")
        return (scale.plane_from_mm_per_px(photos[0], options.mm_per_px),)
    lens = None
    if options.lens_file is not None:
        lens = scale.lens_for_photo(read_json(options.lens_file), photos[0], str(options.lens_file))
    return scale.solve_planes(
        photos,
        lens=lens,
        bar_x_mm=options.bar_x_mm,
        bar_y_mm=options.bar_y_mm,
        board_thickness_mm=options.board_thickness_mm,
    )


def _photo_records(photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[PhotoRecord, ...]:
    from voidmap import scale

    return tuple(
        PhotoRecord(p.file, p.sha256, p.width_px, p.height_px, p.taken, scale.assess_quality(p, plane))
        for p, plane in zip(photos, planes, strict=True)
    )


def _look(photo: Photo, plane: Plane, record: PhotoRecord, options: CoatOptions, step: Callable[[str], None]) -> Looked:
    """Find the pinholes in one photo, and what it could show."""
    import cv2
    import numpy as np

    from voidmap.coat import blur, ground, inspected, power, spots

    slab_px, sheets_px = _surroundings(photo, plane, options)
    view = inspected.view_of(photo, plane, slab_px=slab_px, sheets_px=sheets_px)
    px_per_mm = view.px_per_mm
    blur_px = blur.of_sharpness(record.quality.sharpness)
    look = view.full_look(photo.pixels.shape)

    def find(grey: Any) -> Spots:
        return spots.find_spots(grey, look, px_per_mm=px_per_mm, blur_px=blur_px)

    grey = np.asarray(cv2.cvtColor(np.ascontiguousarray(photo.pixels), cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    found = find(grey)
    step(STEPS[3])
    study = power.power_study(
        photo.pixels,
        view,
        found,
        find,
        np.random.default_rng(SEED),
        smallest_mm=options.smallest_mm,
        px_per_mm=px_per_mm,
        blur_px=blur_px,
        sanded=options.sanded,
    )
    return Looked(photo, plane, view, found, study, blur_px, px_per_mm, ground.along_grain(grey, look))


def _surroundings(photo: Photo, plane: Plane, options: CoatOptions) -> tuple[Floats | None, tuple[Floats, ...]]:
    """Return the slab's outline in photo px (None: it fills the frame) and the outlines of the boards' sheets."""
    from voidmap.coat import surround

    sheets = surround.sheets_px(photo.pixels, plane)
    if options.region == "whole" or options.mm_per_px is not None:
        return None, sheets
    return surround.surface_px(photo.pixels, sheets), sheets


def _ortho(one: Looked) -> Ortho:
    """Lay the photo square-on in its own frame, as fine as the job keeps it."""
    from voidmap import scale

    x0, y0, x1, y1 = scale.footprint_mm(one.plane)
    mm_per_px = max(1 / one.px_per_mm, max(x1 - x0, y1 - y0) / PICTURE_SIDE_PX)
    return scale.rectify(one.photo, one.plane, mm_per_px=mm_per_px)


def _place(
    job: Job, one: Looked, ortho: Ortho, earlier: Sequence[CoatRecord], number: int
) -> tuple[Alignment, tuple[str, ...]]:
    """Find how the photo's own frame is carried into the job's slab frame."""
    from voidmap.coat import align
    from voidmap.job.pictures import kept_picture

    # A first coat that is photographed again is laid onto its own earlier picture: the job's frame stays.
    alone = "intake" if job.has(Intake) else f"coat-{number}"
    names = [f"coat-{c.number}" for c in reversed(earlier)][:2] or [alone]
    pictures = [p for p in (kept_picture(job, name) for name in names) if p is not None]
    best = align.unmoved(align.Move())
    if not pictures:
        return best, ()
    new = align.ready(ortho, hidden_mm=tuple(one.plane.to_mm(s) for s in one.view.sheets_px))
    for picture in pictures:
        tried = align.align(new, align.ready(picture), guess=align.Move())
        best = max(best, tried, key=lambda a: a.correlation)
        if best.same_wood:
            return best, ()
    if earlier:
        raise JobError(
            f"{one.photo.file} doesn't show the same wood as coat {earlier[-1].number} of this job",
            "photograph the same part of the same slab, or start another job folder",
        )
    words = ("The coat could not be laid onto the intake photo: its frame is its own board's.",)
    return align.unmoved(align.Move()), words if job.has(Intake) else ()


def _record(
    looked: Sequence[Looked],
    records: tuple[PhotoRecord, ...],
    alignment: Alignment,
    earlier: tuple[CoatRecord, ...],
    options: CoatOptions,
    notes: tuple[str, ...],
) -> CoatRecord:
    import numpy as np

    from voidmap.coat import count, inspected
    from voidmap.coat.align import carried
    from voidmap.coat.pod import fit_values
    from voidmap.coat.ratings import rate
    from voidmap.coat.track import track

    one = looked[0]
    bend, move = alignment.bend, alignment.move
    pinholes, words = _joined(looked, bend)
    inspected_mm2 = _inspected_mm2(looked)
    known = bool(np.isfinite(alignment.rms_mm))
    residual = alignment.rms_mm if known else 1 / one.px_per_mm

    def is_seen(places_mm: Floats) -> Any:
        own = carried(np.asarray(np.linalg.inv(bend), dtype=np.float64), places_mm)
        return np.any([p.view.is_seen(p.plane.to_px(own)) for p in looked], axis=0)

    area_m2 = inspected_mm2 / 1e6
    inside = is_seen(np.array([(p.x_mm, p.y_mm) for p in pinholes]).reshape(-1, 2))
    chance = np.array([looked[p.photo].spots.probability[int(p.id[1:]) - 1] for p in pinholes])
    pinholes = tuple(replace(p, id=f"P{n:03d}") for n, p in enumerate(pinholes, start=1))
    interval = count.count_interval(
        chance,
        np.array([p.diameter_mm for p in pinholes]),
        one.study.fit,
        np.random.default_rng(SEED),
        smallest_mm=options.smallest_mm,
    )
    tracked = track(pinholes, earlier, residual_mm=residual, is_seen=is_seen)
    false_calls = float((1 - chance).sum())
    return CoatRecord(
        number=options.number,
        photo=records[0],
        surface="sanded" if options.sanded else "gloss",
        inspected_area_mm2=inspected_mm2,
        hidden_area_mm2=max(0.0, one.view.inspected_mm2 + one.view.hidden_mm2 - inspected_mm2),
        pinholes=tracked.pinholes,
        closed=tracked.closed,
        count=len(tracked.pinholes),
        count_interval=interval,
        power=replace(one.study.power, fit=fit_values(one.study.fit)),
        false_calls_per_m2=false_calls / max(area_m2, 1e-9),
        density_per_m2=float(inside.sum()) / max(area_m2, 1e-9),
        ratings=rate([p.diameter_mm for p in tracked.pinholes]),
        photos=records,
        mm_per_px=1 / one.px_per_mm,
        align_rms_mm=alignment.rms_mm if known else None,
        frame_from_slab=(move.x_mm, move.y_mm, move.angle_deg),
        inspected_mm=inspected.outlines_mm(one.view, lambda px: carried(bend, one.plane.to_mm(px))),
        grain_deg=_grain_deg(one, bend),
        notes=(*notes, *words),
        smallest_mm=options.smallest_mm,
    )


def _grain_deg(one: Looked, bend: Floats) -> float | None:
    """Return the grain's direction in the slab frame, degrees from x toward y in [-90, 90)."""
    import numpy as np

    from voidmap.coat.align import carried

    if one.grain_px is None:
        return None
    start, end = carried(bend, one.plane.to_mm(np.array(one.grain_px)))
    angle = float(np.degrees(np.arctan2(end[1] - start[1], end[0] - start[0])))
    return round((angle + 90.0) % 180.0 - 90.0, 2)


def _joined(looked: Sequence[Looked], bend: Floats) -> tuple[tuple[Pinhole, ...], tuple[str, ...]]:
    """Join the photos' pinholes, and say what two photos make of the count."""
    import numpy as np

    from voidmap.coat.join import join

    each = [tuple(replace(p, photo=k) for p in _pinholes(one, bend)) for k, one in enumerate(looked)]
    if len(looked) == 1:
        return each[0], ()
    places = [np.array([(p.x_mm, p.y_mm) for p in found]).reshape(-1, 2) for found in each]
    both = join(places, [np.array([p.score for p in found]) for found in each])
    words: tuple[str, ...] = ()
    if both.total is not None and both.error is not None:
        words = (
            f"Two photos found {len(each[0])} and {len(each[1])}: by capture and recapture about {both.total:.0f} "
            f"(standard error {both.error:.0f}) are there in what both show.",
        )
    return tuple(each[k][i] for k, i in both.chosen), words


def _inspected_mm2(looked: Sequence[Looked]) -> float:
    """Area that at least one photo shows: the first one's, and of each next what none before it shows."""
    import numpy as np

    from voidmap.coat.inspected import SHRINK

    total = 0.0
    for k, one in enumerate(looked):
        rows, columns = np.nonzero(one.view.seen)
        fresh = np.ones(len(rows), bool)
        if k:
            cells = np.column_stack([columns, rows])[:: SHRINK**2] * SHRINK + (SHRINK - 1) / 2
            own_mm = one.plane.to_mm(cells)
            known = np.any([p.view.is_seen(p.plane.to_px(own_mm)) for p in looked[:k]], axis=0)
            fresh = np.repeat(~known, SHRINK**2)[: len(rows)]
        total += float(one.view.cell_mm2[rows[fresh], columns[fresh]].sum())
    return total


def _pinholes(one: Looked, bend: Floats) -> tuple[Pinhole, ...]:
    import numpy as np

    from voidmap.coat.align import carried
    from voidmap.records import Interval

    found = one.spots
    if len(found) == 0:
        return ()
    own_mm = one.plane.to_mm(found.places_px)
    diameter_mm = found.diameter_px * one.plane.mm_per_px_at(own_mm)
    places_mm = carried(bend, own_mm)
    spread = np.exp(1.96 * found.diameter_rel)
    return tuple(
        Pinhole(
            id=f"P{i + 1:03d}",
            site="",
            x_mm=round(float(places_mm[i, 0]), 3),
            y_mm=round(float(places_mm[i, 1]), 3),
            x_px=round(float(found.x_px[i]), 2),
            y_px=round(float(found.y_px[i]), 2),
            diameter_mm=round(float(diameter_mm[i]), 3),
            diameter_interval_mm=Interval(
                round(float(diameter_mm[i] / spread[i]), 3), round(float(diameter_mm[i] * spread[i]), 3)
            ),
            score=round(float(found.score[i]), 2),
            state="new",
            probability=round(float(found.probability[i]), 4),
        )
        for i in range(len(found))
    )
