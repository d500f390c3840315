"""From the photos of a coat, looked through and laid into the slab frame, to its record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from voidmap.job.coat_look import SEED
from voidmap.records import CoatRecord, Interval, PhotoRecord, Pinhole

if TYPE_CHECKING:
    from voidmap.coat.align import Alignment
    from voidmap.coat.join import Joined
    from voidmap.coat.power import Study
    from voidmap.job.coat_look import Seen
    from voidmap.model import Floats

    Shows = Callable[[Floats], Any]


def record_of(
    looked: Sequence[Seen],
    study: Study,
    photos: tuple[PhotoRecord, ...],
    alignments: Sequence[Alignment],
    earlier: Sequence[CoatRecord],
    *,
    number: int,
    sanded: bool,
    smallest_mm: float,
    notes: tuple[str, ...],
) -> CoatRecord:
    """Count, join and track the pinholes of a coat's photos."""
    import numpy as np

    from voidmap.coat import count, inspected
    from voidmap.coat.pod import fit_values
    from voidmap.coat.ratings import rate
    from voidmap.coat.track import track

    seen = [_seen(one, a) for one, a in zip(looked, alignments, strict=True)]
    area = inspected.area_of(
        [one.view for one in looked],
        [_to_slab(one, a) for one, a in zip(looked, alignments, strict=True)],
        [_to_photo(one, a) for one, a in zip(looked, alignments, strict=True)],
    )
    residuals = [a.rms_mm for a in alignments if np.isfinite(a.rms_mm)]
    residual = max(residuals, default=1 / looked[0].px_per_mm)
    pinholes, both = _joined(looked, alignments, seen, area.inspected_mm2, residual)
    best = max(looked, key=lambda one: one.view.inspected_mm2 * one.px_per_mm**2)
    chance = np.array([p.probability for p in pinholes])
    interval = count.count_interval(
        chance,
        np.array([p.diameter_mm for p in pinholes]),
        study.fit,
        np.random.default_rng(SEED),
        smallest_mm=smallest_mm,
    )
    tracked = track(
        pinholes,
        earlier,
        residual_mm=residual,
        is_seen=lambda places: np.any([s(places) for s in seen], axis=0),
        mm_per_px=1 / best.px_per_mm,
        curve=study.power.curve,
        area_mm2=max(area.inspected_mm2, 1.0),
    )
    area_m2 = max(area.inspected_mm2 / 1e6, 1e-9)
    move = alignments[0].move
    return CoatRecord(
        number=number,
        photo=photos[0],
        surface="sanded" if sanded else "gloss",
        inspected_area_mm2=area.inspected_mm2,
        hidden_area_mm2=area.hidden_mm2,
        pinholes=tracked.pinholes,
        closed=tracked.closed,
        count=len(tracked.pinholes),
        count_interval=interval,
        power=replace(study.power, fit=fit_values(study.fit)),
        false_calls_per_m2=float((1 - chance).sum()) / area_m2,
        density_per_m2=len(tracked.pinholes) / area_m2,
        ratings=rate([p.diameter_mm for p in tracked.pinholes]),
        photos=photos,
        mm_per_px=1 / best.px_per_mm,
        align_rms_mm=max(residuals) if residuals else None,
        frame_from_slab=(move.x_mm, move.y_mm, move.angle_deg),
        inspected_mm=area.outlines_mm,
        grain_deg=_grain_deg(looked[0], alignments[0]),
        notes=(*notes, *_recaptured(both, interval, pinholes)),
        smallest_mm=smallest_mm,
    )


def _to_slab(one: Seen, alignment: Alignment) -> Callable[[Floats], Floats]:
    return lambda px: alignment.bend(one.plane.to_mm(px))


def _to_photo(one: Seen, alignment: Alignment) -> Callable[[Floats], Floats]:
    return lambda mm: one.plane.to_px(alignment.bend.back(mm))


def _seen(one: Seen, alignment: Alignment) -> Shows:
    return lambda mm: one.view.is_seen(one.plane.to_px(alignment.bend.back(mm)))


def _grain_deg(one: Seen, alignment: Alignment) -> float | None:
    """Return the grain's direction in the slab frame, degrees from x toward y in [-90, 90)."""
    import numpy as np

    if one.grain_px is None:
        return None
    start, end = _to_slab(one, alignment)(np.array(one.grain_px))
    angle = float(np.degrees(np.arctan2(end[1] - start[1], end[0] - start[0])))
    return round((angle + 90.0) % 180.0 - 90.0, 2)


def _joined(
    looked: Sequence[Seen], alignments: Sequence[Alignment], seen: Sequence[Shows], area_mm2: float, residual_mm: float
) -> tuple[tuple[Pinhole, ...], Joined | None]:
    """Return the coat's pinholes, each once and numbered, and how the photos agree."""
    import numpy as np

    from voidmap.coat.join import join
    from voidmap.coat.track import same_place_sigma

    each = [_pinholes(one, a, k) for k, (one, a) in enumerate(zip(looked, alignments, strict=True))]
    if len(looked) == 1:
        return each[0], None
    places = [np.array([(p.x_mm, p.y_mm) for p in found]).reshape(-1, 2) for found in each]
    sizes = [np.array([p.diameter_mm for p in found]) for found in each]
    sigma = [same_place_sigma(residual_mm, 1 / one.px_per_mm, size) for one, size in zip(looked, sizes, strict=True)]
    strength = [np.array([p.score for p in found]) for found in each]
    both = join(places, strength, sigma, seen, area_mm2=max(area_mm2, 1.0))
    chosen = [each[k][i] for k, i in both.chosen]
    return tuple(replace(p, id=f"P{n:03d}") for n, p in enumerate(chosen, start=1)), both


def _recaptured(both: Joined | None, interval: Interval, pinholes: Sequence[Pinhole]) -> tuple[str, ...]:
    """Say what two photos make of the count, and whether the stated interval agrees."""
    if both is None or both.total is None or both.error is None:
        return ()
    first, second, shared = both.counts
    seen = first + second - shared
    missed_most = both.total + 1.96 * both.error - seen
    room = interval.hi - len(pinholes)
    agrees = "which the interval above allows" if missed_most <= room else "more than the interval above says"
    return (
        f"Where both photos look, one found {first}, the other {second}, both {shared}: by capture and recapture "
        f"{both.total:.0f} (standard error {both.error:.0f}) are there, {agrees}.",
    )


def _pinholes(one: Seen, alignment: Alignment, photo: int) -> tuple[Pinhole, ...]:
    import numpy as np

    found = one.spots
    if len(found) == 0:
        return ()
    own_mm = one.plane.to_mm(found.places_px)
    diameter_mm = found.diameter_px * one.plane.mm_per_px_at(own_mm)
    places_mm = alignment.bend(own_mm)
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
            photo=photo,
            probability=round(float(found.probability[i]), 4),
        )
        for i in range(len(found))
    )
