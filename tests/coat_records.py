"""Coats made up for tests: pinholes at given places, photos that show what they should."""

import numpy as np

from voidmap.coat.ratings import rate
from voidmap.records import CoatRecord, Interval, PhotoRecord, Pinhole, Power, Quality

WINDOW = ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0))
SHARP = Power(0.2, 0.3, 0.35, 120, 110, ((0.1, 0.05), (0.2, 0.5), (0.3, 0.9), (0.5, 0.99), (2.0, 0.999)))
BLURRED = Power(0.9, 1.4, 1.8, 120, 30, ((0.2, 0.02), (0.5, 0.2), (0.9, 0.5), (1.4, 0.9), (2.0, 0.97)))


def pinhole(n, x, y, *, d=0.8, state="new", probability=1.0):
    return Pinhole(
        f"P{n}", f"S{n:03d}", float(x), float(y), 5 * x, 5 * y, float(d), Interval(d * 0.9, d * 1.1), 9.0, state, 0,
        probability,
    )  # fmt: skip


def coat(number, pinholes, *, closed=(), power=SHARP, hidden=0.0, window=(WINDOW,), grain=0.0):
    quality = Quality(0.3, 0.0, 0.0, "good")
    photo = PhotoRecord(f"coat-{number}.jpg", f"{number:064d}", 4032, 3024, None, quality)
    return CoatRecord(
        number=number,
        photo=photo,
        surface="gloss",
        inspected_area_mm2=200000.0,
        hidden_area_mm2=hidden,
        pinholes=tuple(pinholes),
        closed=tuple(closed),
        count=len(pinholes),
        count_interval=Interval(len(pinholes), len(pinholes) + 3),
        power=power,
        false_calls_per_m2=0.5,
        density_per_m2=len(pinholes) / 0.2,
        ratings=rate([p.diameter_mm for p in pinholes]),
        photos=(photo,),
        mm_per_px=0.1,
        align_rms_mm=0.05 if number > 1 else None,
        inspected_mm=window,
        grain_deg=grain,
    )


def scattered(count, *, seed=1, state="new", start=0):
    places = np.random.default_rng(seed).uniform((5, 5), (495, 395), (count, 2))
    return [pinhole(start + i, x, y, state=state) for i, (x, y) in enumerate(places)]
