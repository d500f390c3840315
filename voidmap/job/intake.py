"""Intake: photos of a slab become a map of its voids with depths and volumes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.errors import JobError, ScaleError, ValueRefused
from voidmap.files import CORRECTIONS, MEASURED, RESIN, Job, load_photos, open_job, read_json, write_text
from voidmap.job.ahead import load_ahead
from voidmap.job.intake_notes import BESIDE_EDGE, assumptions
from voidmap.job.lamp import find_lamp, hide_pegs, parse_peg, photos_by_day
from voidmap.job.wood import wood_notes
from voidmap.records import (
    Defect,
    DepthEstimate,
    Hidden,
    Intake,
    Interval,
    Lens,
    Outline,
    PhotoRecord,
    ScaleRecord,
    SlabRecord,
    Totals,
)

if TYPE_CHECKING:
    from voidmap.depth.lamplight import LampLight
    from voidmap.job.pictures import KeptPicture
    from voidmap.model import Floats, Ortho, Photo, Plane, Region, SlabFound
    from voidmap.surface.outline import Heights

STEPS = ("reading photos", "scale", "outline", "voids", "depth", "writing")
_NO_VOLUME = Interval(0.0, 0.0)
SAME_SLAB_RATIO = 1.2
"""Two measurings of one slab never differ this much in area, even when a photo cuts off an end."""


@dataclass(frozen=True)
class IntakeOptions:
    """What the user says about the photos.

    ``points`` is the text of ``--points``; ``region`` is auto or whole; ``pegs`` are the texts of ``--peg``: each a
    peg that stands on the slab in the last photo, by the light of one lamp.
    """

    thickness_mm: float | None = None
    lens_file: Path | None = None
    bar_x_mm: tuple[float, ...] = ()
    bar_y_mm: tuple[float, ...] = ()
    board_thickness_mm: float = 0.0
    reference: str = "boards"
    points: str | None = None
    mm_per_px: float | None = None
    region: str = "auto"
    pegs: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what can't be right."""
        if self.thickness_mm is not None and not 3.0 <= self.thickness_mm <= 400.0:
            raise ValueRefused(
                f"a slab {self.thickness_mm:g} mm thick can't be right",
                "give the thickness as in 45mm or 1 3/4in",
            )
        for text in self.pegs:
            parse_peg(text)
        if self.region not in ("auto", "whole"):
            raise ValueRefused(f"there is no region {self.region}", "say auto or whole")
        if (self.points is not None) != (self.reference == "points"):
            raise ValueRefused("--points and --reference points go together", "give both, or neither")
        if self.mm_per_px is not None and self.reference != "boards":
            raise ValueRefused("--mm-per-px is a scale of its own", "leave out --reference and --points")
        if self.mm_per_px is not None and not 0.001 <= self.mm_per_px <= 10.0:
            raise ValueRefused(f"{self.mm_per_px:g} mm per pixel can't be right", "give mm in one pixel, as in 0.07")

    @property
    def bars_read(self) -> bool:
        """Whether a printed check bar was measured."""
        return bool(self.bar_x_mm or self.bar_y_mm)


def take_in(folder: Path, photo_files: Sequence[Path], options: IntakeOptions, step: Callable[[str], None]) -> Intake:
    """Map a slab and write the job's ``measured.json`` and ``intake.json``.

    Parameters
    ----------
    folder
        The job folder; made when it is not there.
    photo_files
        The photos; defects' outlines are given in the first.
    options
        What the user says about the photos.
    step
        Called with each step's name (``STEPS``) when it begins.

    Returns
    -------
    Intake
        As measured, with the user's own corrections applied.

    Raises
    ------
    InputError
        When the photos, the scale or the job folder can't be used.
    CantTell
        When the slab can't be told from what it lies on.
    """
    job = open_job(folder)
    step(STEPS[0])
    ready = load_ahead()
    photos = load_photos(list(photo_files))
    step(STEPS[1])
    planes = _planes(photos, options)
    with ThreadPoolExecutor(1) as beside:
        # How good the photos are and the picture for the sheet are not asked for before the records are written.
        told = beside.submit(_photo_records, photos, planes, bars_read=options.bars_read)
        found = _find(photos, planes, options, step, ready)
        picture = beside.submit(found.picture)
        step(STEPS[4])
        defects, totals = _measure(found, photos, planes, options)
        records, notes = told.result()
    step(STEPS[5])
    measured = Intake(
        photos=records,
        scale=_scale_record(planes[0], found.slab),
        slab=_slab_record(found, planes[0], options.thickness_mm),
        defects=defects,
        totals=totals,
        notes=(
            *notes,
            *found.wood,
            *assumptions(photos[: found.day], planes, found, defects, thick=options.thickness_mm is not None),
        ),
    )
    _same_slab(job, measured)
    return _written(job, measured, picture.result())


@dataclass(frozen=True, eq=False)
class _Found:
    """What the photos show: the first ``day`` photos by daylight, the regions in the picture laid square-on."""

    day: int
    ortho: Ortho
    slab: SlabFound
    light: LampLight | None
    grain_deg: float
    regions: tuple[Region, ...]
    wood: tuple[str, ...]
    """Notes of photos that show other wood."""

    def picture(self) -> KeptPicture:
        """Return the picture that the job keeps."""
        from voidmap.job.pictures import picture_of

        return picture_of(self.ortho, around_mm=self.slab.outline_mm)


def _find(
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    options: IntakeOptions,
    step: Callable[[str], None],
    ready: Callable[[], None],
) -> _Found:
    """Find the slab and what is on it; ``ready`` is called before the heavy libraries are used."""
    pegs = tuple(parse_peg(text) for text in options.pegs)
    day = photos_by_day(photos, pegs)
    ortho = _ortho(photos[:day], planes[:day])
    step(STEPS[2])
    ready()
    from voidmap import surface

    slab = surface.whole_slab(ortho) if options.region == "whole" else _find_slab(ortho, photos[:day], planes)
    if planes[0].reference == "boards" and not options.bars_read:
        surface.refuse_rescaled(ortho, planes[0].patterns_mm)
    by_day = photos[:day], planes[:day]
    light = None
    if pegs:
        alone = day == len(photos)
        light = find_lamp(photos[-1], planes[-1], ortho if alone else None, slab, pegs)
        slab = hide_pegs(slab, ortho, light) if alone else slab
    step(STEPS[3])
    # Whether the photos show one wood hangs on nothing that is found on it: a second processor looks meanwhile.
    with ThreadPoolExecutor(1) as beside:
        wood = beside.submit(wood_notes, slab, *by_day)
        grain_deg = surface.grain_direction_deg(ortho, slab)
        seen = surface.find_regions(ortho, slab, planes[0], grain_deg=grain_deg)
        notes = wood.result()
    whole = _with_floors(seen, ortho, slab, *by_day, options.thickness_mm)
    regions = (*whole, *surface.bay_regions(ortho, slab, planes[0]))
    return _Found(day, ortho, slab, light, grain_deg, regions, notes)


def _with_floors(
    regions: tuple[Region, ...],
    ortho: Ortho,
    slab: SlabFound,
    photos: Sequence[Photo],
    planes: Sequence[Plane],
    thickness_mm: float | None,
) -> tuple[Region, ...]:
    """Return the regions with what several photos show of their floors beside what one does."""
    if len(photos) < 2:
        return regions
    from voidmap import surface
    from voidmap.depth.beyond import floors_beyond

    pieces = floors_beyond(regions, ortho, slab, photos, planes, thickness_mm=thickness_mm)
    return surface.enlarged(regions, pieces, ortho, planes[0])


def _slab_record(found: _Found, plane: Plane, thickness_mm: float | None) -> SlabRecord:
    from voidmap import surface

    return surface.slab_record(found.slab, plane, thickness_mm=thickness_mm, grain_deg=found.grain_deg)


def _written(job: Job, measured: Intake, picture: KeptPicture) -> Intake:
    """Write the job's files; return the record with the user's corrections applied."""
    from voidmap.fill.values import write_template

    record = _corrected(job, measured)
    job.write(measured, name=MEASURED)
    job.write(record)
    picture.write(job, "intake")
    if not job.path(RESIN).exists():
        write_text(job.path(RESIN), write_template())
    return record


def _corrected(job: Job, measured: Intake) -> Intake:
    """Apply the user's corrections; a job that has none loads nothing for it."""
    if not job.path(CORRECTIONS).exists():
        return measured
    from voidmap import corrections

    return corrections.carry_over(job, measured)


def _same_slab(job: Job, measured: Intake) -> None:
    """Refuse to map one slab over another: the first one's records would be lost."""
    if not job.has(Intake):
        return
    there, here = job.read(Intake).slab.area_mm2, measured.slab.area_mm2
    if max(there, here) > SAME_SLAB_RATIO * min(there, here):
        raise JobError(
            f"the job {job.folder} holds another slab ({there / 1e6:.2f} m², this one {here / 1e6:.2f} m²)",
            "name a new folder for this slab",
        )


def _planes(photos: Sequence[Photo], options: IntakeOptions) -> tuple[Plane, ...]:
    from voidmap import scale

    if options.mm_per_px is not None:
        if len(photos) > 1:
            raise ScaleError("--mm-per-px takes one picture", "give the other pictures jobs of their own")
        return (scale.plane_from_mm_per_px(photos[0], options.mm_per_px),)
    lens: Lens | None = None
    if options.lens_file is not None:
        lens = scale.lens_for_photo(read_json(options.lens_file), photos[0], str(options.lens_file))
    if options.reference == "points":
        if len(photos) > 1:
            raise ScaleError("points picked by hand belong to one photo", "give one photo, or use boards")
        return (scale.plane_from_points(photos[0], str(options.points), lens=lens),)
    return scale.solve_planes(
        photos,
        lens=lens,
        reference=options.reference,
        bar_x_mm=options.bar_x_mm,
        bar_y_mm=options.bar_y_mm,
        board_thickness_mm=options.board_thickness_mm,
    )


def _photo_records(
    photos: Sequence[Photo], planes: Sequence[Plane], *, bars_read: bool
) -> tuple[tuple[PhotoRecord, ...], tuple[str, ...]]:
    from voidmap import scale

    records = tuple(
        PhotoRecord(p.file, p.sha256, p.width_px, p.height_px, p.taken, scale.assess_quality(p, plane))
        for p, plane in zip(photos, planes, strict=True)
    )
    return records, scale.plane_notes(photos, planes, bars_read=bars_read)


def _ortho(photos: Sequence[Photo], planes: Sequence[Plane]) -> Ortho:
    """Lay the first photo square-on; on a long top, all photos in one picture."""
    from voidmap import scale

    if len(photos) > 1 and scale.is_long_top(planes):
        return scale.mosaic(photos, planes)
    return scale.rectify(photos[0], planes[0])


def _find_slab(ortho: Ortho, photos: Sequence[Photo], planes: Sequence[Plane]) -> SlabFound:
    from voidmap import scale, surface

    alone = len(photos) < 2 or scale.is_long_top(planes)
    slab = surface.find_slab(ortho, planes[0].patterns_mm, None if alone else _heights(photos, planes))
    scale.refuse_beside(slab, planes, ortho, photos)
    return slab


def _heights(photos: Sequence[Photo], planes: Sequence[Plane]) -> Heights | None:
    """Return what tells the top from the bench; only more than one photo loads it."""
    from voidmap.depth.heights import heights_of

    return heights_of(photos, planes)


def _measure(
    found: _Found, photos: Sequence[Photo], planes: Sequence[Plane], options: IntakeOptions
) -> tuple[tuple[Defect, ...], Totals]:
    from voidmap import depth, surface

    day, regions, thickness_mm = found.day, found.regions, options.thickness_mm
    estimates = depth.estimate_depths(regions, found.ortho, photos[:day], planes[:day], thickness_mm=thickness_mm)
    if found.light is not None:
        from voidmap.depth.lamplight import add_shadow

        estimates = add_shadow(regions, estimates, found.light, thickness_mm=thickness_mm)
    under = surface.hidden_parts(regions, found.ortho, found.slab, grain_deg=found.grain_deg)
    defects = [
        _defect(region, known, planes[0], thickness_mm, hidden)
        for region, known, hidden in zip(regions, estimates, under, strict=True)
    ]
    defects.sort(key=lambda d: (not d.is_void, -d.area_mm2))
    numbered = [replace(d, id=f"D{n:02d}") for n, d in enumerate(defects, start=1)]
    return depth.volumes(numbered, scale_rel=_scale_rel(planes[0], regions))


def _defect(
    region: Region,
    estimates: tuple[DepthEstimate, ...],
    plane: Plane,
    thickness_mm: float | None,
    hidden: Hidden | None,
) -> Defect:
    from voidmap import depth

    kind, chance = depth.revise_kind(region, estimates)
    known = depth.fuse(estimates, thickness_mm=thickness_mm) if kind.is_void else None
    return Defect(
        id="",
        kind=kind,
        is_void=kind.is_void,
        void_probability=chance,
        area_mm2=region.area_mm2,
        area_interval_mm2=region.area_interval_mm2,
        length_mm=region.length_mm,
        width_mean_mm=region.width_mean_mm,
        width_max_mm=region.width_max_mm,
        outline_mm=points(region.outline_mm),
        outline_px=points(plane.to_px(region.outline_mm)),
        opens_on_edge=region.opens_on_edge and kind.is_void,
        edge_opening_mm=region.edge_opening_mm if kind.is_void else 0.0,
        through=known is not None and known.source == "through",
        depth=known,
        volume_ml=0.0,
        volume_interval_ml=_NO_VOLUME,
        rim_mm=region.rim_mm,
        size_intervals_mm=region.size_intervals_mm if kind.is_void else None,
        note=BESIDE_EDGE if region.beside_edge else "",
        hidden=hidden if kind.is_void else None,
    )


def points(array: Floats) -> Outline:
    """Return (N, 2) points as an outline, to a thousandth of a unit."""
    return tuple((x, y) for x, y in array.round(3).tolist())


def _scale_rel(plane: Plane, regions: Sequence[Region]) -> float:
    """Half-width of the 95 % interval of a length among the voids, as a share of it."""
    import numpy as np

    from voidmap import scale

    if not regions:
        return 0.0
    middles = np.array([np.mean(region.outline_mm, axis=0) for region in regions])
    return scale.length_interval_rel(plane, middles)


def _scale_record(plane: Plane, slab: SlabFound) -> ScaleRecord:
    from voidmap import scale

    middle = slab.outline_mm.mean(axis=0, keepdims=True)
    return ScaleRecord(
        reference=plane.reference,
        boards=plane.boards,
        mm_per_px=float(plane.mm_per_px_at(middle)[0]),
        length_interval_rel=scale.length_interval_rel(plane, slab.outline_mm),
        reprojection_rms_px=plane.reprojection_rms_px,
        lens=plane.lens,
    )
