"""Sheet: what a job folder holds becomes one self-contained page."""

from __future__ import annotations

import base64
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

from voidmap.errors import JobError, ValueRefused
from voidmap.files import Job, load_photo, read_json, write_bytes, write_text
from voidmap.records import CoatRecord, FillPlan, Intake, Verdict

if TYPE_CHECKING:
    from voidmap.report.sheet import CloseUp, Picture

SHEET = "sheet.html"
CLOSE_UP_MM = 12.0
"""Side of a close-up: a pinhole with the finger's breadth of wood around it."""
CLOSE_UP_PX = 110
MOST_CLOSE_UPS = 24


def write_sheet(folder: Path, *, costs: bool = True) -> Path:
    """Write a job's ``sheet.html`` and return its place.

    Parameters
    ----------
    folder
        The job folder.
    costs
        Whether prices are shown.

    Raises
    ------
    JobError
        When the job holds nothing yet.
    """
    from voidmap.job.next_step import next_step
    from voidmap.report.sheet import Sheet, sheet_html

    job = Job(folder)
    coats = job.coats()
    intake = job.read(Intake) if job.has(Intake) else None
    if intake is None and not coats:
        raise JobError(f"the job {folder} holds nothing to show", "run voidmap intake or voidmap coat first")
    sheet = Sheet(
        title=folder.resolve().name,
        intake=intake,
        map=_picture(job, "intake"),
        plan=job.read(FillPlan) if job.has(FillPlan) else None,
        coats=coats,
        coat_pictures=tuple(_picture(job, f"coat-{c.number}") for c in coats),
        verdict=job.read(Verdict) if job.has(Verdict) else None,
        close_ups=_close_ups(job, coats),
        costs=costs,
        next_step=next_step(folder, folder.resolve().name),
    )
    place = job.path(SHEET)
    write_text(place, sheet_html(sheet))
    return place


def write_map(folder: Path, place: Path, *, paper: str = "letter") -> Path:
    """Write a job's map as the kind of file that the name says: .png, .svg, .pdf, .dxf or .csv.

    Raises
    ------
    ValueRefused
        When the name says another kind, or there is no such paper.
    JobError
        When the slab has not been mapped, or its picture is gone.
    """
    from voidmap.report import outlines, tiles

    job = Job(folder)
    intake = job.read(Intake)
    kind = place.suffix.lower()
    if kind == ".svg":
        write_text(place, outlines.map_svg_mm(intake))
    elif kind == ".dxf":
        write_text(place, outlines.map_dxf(intake))
    elif kind == ".csv":
        write_text(place, outlines.map_csv(intake))
    elif kind == ".pdf":
        write_bytes(place, tiles.map_pdf(intake, paper=paper, title=f"{folder.resolve().name} at true size"))
    elif kind == ".png":
        write_bytes(place, _map_png(job, intake))
    else:
        raise ValueRefused(f"{place} is no kind of map", "end the name in .png, .svg, .pdf, .dxf or .csv")
    return place


def _map_png(job: Job, intake: Intake) -> bytes:
    from voidmap.report.picture import map_png

    picture = _picture(job, "intake")
    if picture is None:
        raise JobError(f"the job {job.folder} has lost its picture", "run voidmap intake again")
    return map_png(intake, load_photo(job.path("pictures/intake.jpg")).pixels, picture.frame)


def _picture(job: Job, name: str) -> Picture | None:
    from PIL import Image

    from voidmap.report.nouns import Frame
    from voidmap.report.sheet import Picture

    photo, frame = job.path(f"pictures/{name}.jpg"), job.path(f"pictures/{name}.frame.json")
    if not photo.is_file() or not frame.is_file():
        return None
    with Image.open(photo) as image:
        width, height = image.size
    return Picture(_uri(photo.read_bytes()), Frame(width, height, **read_json(frame)))


def _uri(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"


def _close_ups(job: Job, coats: tuple[CoatRecord, ...]) -> tuple[CloseUp, ...]:
    """Cut each kept site of the newest coat out of every coat's picture."""
    from voidmap.report.sheet import CloseUp

    if len(coats) < 2:
        return ()
    kept = [p for p in coats[-1].pinholes if p.state == "kept"]
    kept.sort(key=lambda p: -p.diameter_mm)
    strips: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for coat in coats:
        for site, uri in _cut(job, coat.number, [(p.site, p.x_mm, p.y_mm) for p in kept[:MOST_CLOSE_UPS]]):
            strips[site].append((uri, f"coat {coat.number}"))
    return tuple(
        CloseUp(site, tuple(uri for uri, _ in strip), tuple(word for _, word in strip))
        for site, strip in strips.items()
    )


def _cut(job: Job, number: int, sites: list[tuple[str, float, float]]) -> list[tuple[str, str]]:
    import io

    from PIL import Image

    from voidmap.report.nouns import Frame

    photo = job.path(f"pictures/coat-{number}.jpg")
    if not photo.is_file():
        return []
    found = []
    with Image.open(photo) as image:
        frame = Frame(*image.size, **read_json(job.path(f"pictures/coat-{number}.frame.json")))
        half = CLOSE_UP_MM / 2 / frame.mm_per_px
        for site, x_mm, y_mm in sites:
            x, y = frame.at((x_mm, y_mm))
            box = (round(x - half), round(y - half), round(x + half), round(y + half))
            out = io.BytesIO()
            image.crop(box).resize((2 * CLOSE_UP_PX, 2 * CLOSE_UP_PX)).save(out, "JPEG", quality=85)
            found.append((site, _uri(out.getvalue())))
    return found
