"""Coat: photos after a coat become a count of what is left, tracked in the slab frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.errors import JobError, ScaleError, ValueRefused
from voidmap.files import Job, load_photos, open_job, read_json
from voidmap.job.ahead import load_ahead
from voidmap.job.little_light import little_light_notes
from voidmap.records import CoatRecord, PhotoRecord

if TYPE_CHECKING:
    from voidmap.coat.align import Alignment
    from voidmap.job.coat_look import Seen, Shown
    from voidmap.model import Photo, Plane

STEPS = ("reading photos", "scale", "finding pinholes", "what the photo could show", "earlier coats", "writing")
LATER = ("voidmap.coat.power", "voidmap.coat.align", "voidmap.coat.track", "voidmap.job.marks")
"""What decoding the photos does not import, and all that follows does."""
UNSEEN = "Small pinholes may be gone, and the planted ones, which are not smoothed, do not tell."
SMALLEST_MM = 0.5
"""The size that matters when none is said: about what an eye finds at arm's length in a glossy coat."""


@dataclass(frozen=True)
class CoatOptions:
    """What the user says about a coat's photos."""

    number: int
    sanded: bool = False
    smallest_mm: float = SMALLEST_MM
    lens_file: Path | None = None
    bar_x_mm: tuple[float, ...] = ()
    bar_y_mm: tuple[float, ...] = ()
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
    ready = load_ahead(LATER)
    job = open_job(folder)
    earlier = _earlier(job, options.number)
    step(STEPS[0])
    photos = load_photos(list(photo_files))
    ready()
    from voidmap import scale
    from voidmap.coat.bend import Bend, Move
    from voidmap.coat.inspected import pictures_of
    from voidmap.job.coat_fills import without_fills
    from voidmap.job.coat_look import Shown, look, study_of, view_of
    from voidmap.job.coat_place import picture, place
    from voidmap.job.coat_record import record_of
    from voidmap.job.marks import carry_over
    from voidmap.job.pictures import picture_of

    _refuse_used(photos, earlier)
    step(STEPS[1])
    whole = options.region == "whole" or options.mm_per_px is not None
    # Laying the photos into the job's frame asks for no pinholes: a second processor does it meanwhile.
    with ThreadPoolExecutor(1) as beside:
        drawing = beside.submit(lambda: [pictures_of(photo) for photo in photos])
        planes, together = _planes(photos, options)
        shots = list(zip(photos, drawing.result(), planes, strict=True))
        views = beside.submit(lambda: [view_of(*shot, whole=whole) for shot in shots])
        records = _photo_records(photos, planes)
        shown = [Shown(*shot, view) for shot, view in zip(shots, views.result(), strict=True)]
        placed = beside.submit(place, job, shown, earlier, options.number, together=together)
        drawn = beside.submit(lambda: picture_of(picture(shown, [a.bend for a in placed.result()[0]])))
        step(STEPS[2])
        seen = [look(one, record, sanded=options.sanded) for one, record in zip(shown, records, strict=True)]
        step(STEPS[3])
        # One photo has its power in its own frame; several must be laid onto each other first.
        bends = [Bend.plain(Move())] if len(seen) == 1 else [a.bend for a in placed.result()[0]]
        study = study_of(seen, bends, sanded=options.sanded, smallest_mm=options.smallest_mm)
        step(STEPS[4])
        by_wood, notes = placed.result()
    alignments = _by_sites(seen, by_wood, earlier)
    kept = drawn.result() if alignments is by_wood else picture_of(picture(shown, [a.bend for a in alignments]))
    pinholes, told = without_fills(job, seen, alignments, earlier)
    result = record_of(
        pinholes,
        study,
        records,
        alignments,
        earlier,
        number=options.number,
        sanded=options.sanded,
        smallest_mm=options.smallest_mm,
        notes=(
            *notes,
            *told,
            *_bench_notes(shown),
            *scale.cropped_notes(photos, planes),
            *little_light_notes(photos, UNSEEN),
        ),
    )
    step(STEPS[5])
    result = carry_over(job, result, earlier)
    kept.write(job, f"coat-{options.number}")
    return result


def _by_sites(
    seen: Sequence[Seen], alignments: tuple[Alignment, ...], earlier: Sequence[CoatRecord]
) -> tuple[Alignment, ...]:
    """Return the alignments, that of a coat's only photo by the sites where these speak against it."""
    import numpy as np

    from voidmap.coat.by_sites import laid_by_sites
    from voidmap.coat.track import sites_of

    if len(seen) > 1 or not earlier:
        return alignments
    sites_mm = np.array([(site.x_mm, site.y_mm) for site in sites_of(earlier)]).reshape(-1, 2)
    laid = laid_by_sites(alignments[0], seen[0].plane.to_mm(seen[0].spots.places_px), sites_mm)
    return alignments if laid is alignments[0] else (laid,)


def _bench_notes(shown: Sequence[Shown]) -> tuple[str, ...]:
    """Say what of each photo is taken for bench: only the user knows when it is not."""
    return tuple(
        f"{one.view.bench_share:.0%} of {one.photo.file}, beyond an edge from side to side, is taken for bench and not "
        "looked at. If it is the top too, say so (--region whole)."
        for one in shown
        if one.view.bench_share > 0
    )


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


def _planes(photos: Sequence[Photo], options: CoatOptions) -> tuple[tuple[Plane, ...], bool]:
    """Solve the photos' planes; also tell whether boards tie them into one frame."""
    from voidmap import scale

    if options.mm_per_px is not None:
        if len(photos) > 1:
            raise ScaleError("--mm-per-px takes one picture", "give one picture of each coat")
        return (scale.plane_from_mm_per_px(photos[0], options.mm_per_px),), True
    lens = None
    if options.lens_file is not None:
        lens = scale.lens_for_photo(read_json(options.lens_file), photos[0], str(options.lens_file))

    def solved(some: Sequence[Photo]) -> tuple[Plane, ...]:
        return scale.solve_planes(
            some,
            lens=lens,
            bar_x_mm=options.bar_x_mm,
            bar_y_mm=options.bar_y_mm,
            board_thickness_mm=options.board_thickness_mm,
        )

    try:
        return solved(photos), True
    except ScaleError:
        if len(photos) == 1:
            raise
    # A board was moved between the photos, or they show different ones: each stands alone, the wood ties them.
    return tuple(solved([photo])[0] for photo in photos), False


def _photo_records(photos: Sequence[Photo], planes: Sequence[Plane]) -> tuple[PhotoRecord, ...]:
    from voidmap import scale

    return tuple(
        PhotoRecord(p.file, p.sha256, p.width_px, p.height_px, p.taken, scale.assess_quality(p, plane))
        for p, plane in zip(photos, planes, strict=True)
    )
