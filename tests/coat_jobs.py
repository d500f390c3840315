"""Coat records without photos, for the tests of marks and of the sheet: all values are invented."""

from dataclasses import replace

import numpy as np

from voidmap.coat.count import count_interval
from voidmap.coat.pod import Fit, fit_values
from voidmap.coat.ratings import rate
from voidmap.coat.track import track
from voidmap.records import CoatRecord, Interval, PhotoRecord, Pinhole, Power, Quality

FIT = Fit(4.0, 5.0, True, 0.0, ((0.09, 0.02), (0.02, 0.16)))
FIELD = ((-100.0, -60.0), (100.0, -60.0), (100.0, 60.0), (-100.0, 60.0))
GLARE = ((60.0, 20.0), (90.0, 20.0), (90.0, 50.0), (60.0, 50.0))
"""A hole in what was inspected."""
FRAME = {"x0_mm": -110.0, "y0_mm": -70.0, "mm_per_px": 0.25}
SIZE_PX = (880, 560)


def spot(number, x, y, *, mm=0.8, chance=0.97):
    return Pinhole(
        id=f"P{number:03d}",
        site="",
        x_mm=x,
        y_mm=y,
        x_px=10 * x + 2000,
        y_px=10 * y + 1500,
        diameter_mm=mm,
        diameter_interval_mm=Interval(0.8 * mm, 1.2 * mm),
        score=9.0,
        state="new",
        probability=chance,
    )


def coat(number, places, earlier=(), *, frame=(), photo=None):
    """A coat as ``voidmap coat`` records it, from places (x, y) mm."""
    spots = tuple(spot(n, x, y) for n, (x, y) in enumerate(places, start=1))
    residual = 0.2
    tracked = track(spots, earlier, residual_mm=residual, is_seen=lambda p: np.ones(len(p), bool))
    chance = np.array([p.probability for p in spots])
    sizes = np.array([p.diameter_mm for p in spots])
    quality = Quality(sharpness=0.2, clipped_fraction=0.0, glare_fraction=0.01, verdict="good")
    shot = PhotoRecord(photo or f"coat-{number}.jpg", f"{number:02d}" * 32, 4000, 3000, "2026-03-04T10:00:00", quality)
    area = 200 * 120 - 30 * 30
    return CoatRecord(
        number=number,
        photo=shot,
        surface="gloss",
        inspected_area_mm2=area,
        hidden_area_mm2=900.0,
        pinholes=tracked.pinholes,
        closed=tracked.closed,
        count=len(spots),
        count_interval=count_interval(chance, sizes, FIT, np.random.default_rng(1), smallest_mm=0.5),
        power=Power(0.45, 0.6, 0.7, 60, 50, ((0.2, 0.01), (0.5, 0.6), (1.0, 0.98)), fit_values(FIT)),
        false_calls_per_m2=float((1 - chance).sum()) / (area / 1e6),
        density_per_m2=len(spots) / (area / 1e6),
        ratings=rate(sizes.tolist()),
        photos=(shot,),
        mm_per_px=0.1,
        align_rms_mm=residual if earlier else None,
        inspected_mm=(FIELD, GLARE),
        frame_outline_mm=frame,
    )


def two_coats(*, frame=()):
    """Four pinholes after coat 1; two of them and two new ones after coat 2."""
    first = coat(1, [(-50, -20), (-10, 0), (30, 10), (75, -40)], frame=frame)
    return first, coat(2, [(-50.1, -20.1), (30.1, 10.0), (0, 40), (-80, 30)], (first,), frame=frame)


def write_coats(job, records):
    """Put coats into a job: the record, the record as measured, and a drawn picture."""
    import json

    from PIL import Image, ImageDraw

    from voidmap.job.marks import measured_name

    job.path("pictures").mkdir(parents=True, exist_ok=True)
    for record in records:
        job.write(record)
        job.write(record, name=measured_name(record.number))
        picture = Image.new("RGB", SIZE_PX, "#c89a66")
        draw = ImageDraw.Draw(picture)
        for p in record.pinholes:
            x, y = (p.x_mm - FRAME["x0_mm"]) / FRAME["mm_per_px"], (p.y_mm - FRAME["y0_mm"]) / FRAME["mm_per_px"]
            draw.ellipse((x - 3, y - 3, x + 3, y + 3), fill="#2c2118")
        picture.save(job.path(f"pictures/coat-{record.number}.jpg"), quality=80)
        job.path(f"pictures/coat-{record.number}.frame.json").write_text(json.dumps(FRAME))


def shifted(record, dx, dy):
    """The same count in a frame that lies otherwise."""
    pinholes = tuple(replace(p, x_mm=p.x_mm + dx, y_mm=p.y_mm + dy) for p in record.pinholes)
    closed = tuple(replace(c, x_mm=c.x_mm + dx, y_mm=c.y_mm + dy) for c in record.closed)
    seen = tuple(tuple((x + dx, y + dy) for x, y in outline) for outline in record.inspected_mm)
    outline = tuple((x + dx, y + dy) for x, y in record.frame_outline_mm)
    return replace(record, pinholes=pinholes, closed=closed, inspected_mm=seen, frame_outline_mm=outline)
