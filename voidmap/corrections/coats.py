"""Apply the user's marks to a counted coat: pinholes that are none taken out, pinholes that were missed put in.

What is worked out again is the count, the tracking and what follows from them; nothing is measured again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from voidmap.coat.count import count_interval
from voidmap.coat.pod import fit_of_values
from voidmap.coat.ratings import rate
from voidmap.coat.track import track
from voidmap.corrections import shape
from voidmap.corrections.nouns import Action, Correction, Corrections
from voidmap.corrections.place import STAY, Rigid, lay_over
from voidmap.model import Floats
from voidmap.records import CoatRecord, Interval, Outline, Pinhole, Point

MARKS = (Action.PINHOLE, Action.NOT_PINHOLE)
REACH_MM = 0.8
"""A mark belongs to a pinhole whose centre is this close, or whose rim is around it: two photos of one coat place
a pinhole within some tenths of a millimetre of each other."""
ADDED_REL = 0.3
"""A diameter judged by eye on the sheet is good to this share of it (95 %; an estimate)."""
SEED = 20241
"""Of the count's simulation: the same marks give the same figures."""
NO_PHOTO_PLACE = (-1.0, -1.0)


def apply_to_coat(
    measured: CoatRecord, corrections: Corrections, earlier: Sequence[CoatRecord] = (), *, retrack: bool = False
) -> CoatRecord:
    """Return a coat as measured with the user's marks on it.

    Parameters
    ----------
    measured
        The coat as it was counted, before any mark.
    corrections
        All that the user corrected; marks of other coats are left alone.
    earlier
        The earlier coats, their marks applied.
    retrack
        Whether an earlier coat changed, so that the sites must be followed again even without a mark here.

    Returns
    -------
    CoatRecord
        ``measured`` itself when there is nothing to change. Marks that find no place are named in ``notes``.
    """
    marks = list(_marks_of(measured, corrections.standing))
    if not marks and not retrack:
        return measured
    pinholes = list(measured.pinholes)
    said: list[str] = []
    lost: list[str] = []
    for item, lay in marks:
        if lay is None:
            lost.append(_lost(item, "the slab's outline could not be laid onto the one it was made on"))
            continue
        _mark(pinholes, item, lay, said)
    return _counted(measured, tuple(pinholes), earlier, (*measured.notes, *lost), tuple(said))


def _marks_of(measured: CoatRecord, standing: Corrections) -> list[tuple[Correction, Rigid | None]]:
    found = []
    for group in standing.groups:
        items = [item for item in group.items if item.action in MARKS and item.coat == measured.number]
        if items:
            lay = lay_frames(group.slab_outline_mm, measured.frame_outline_mm)
            found += [(item, lay) for item in items]
    return found


def lay_frames(old_mm: Outline, new_mm: Outline) -> Rigid | None:
    """Return how places of one slab frame are carried into another, each known by the slab's outline in it.

    Without an outline on either side the frame is that of the job's first coat, which stays.
    """
    if not old_mm or not new_mm:
        return STAY
    return lay_over(old_mm, new_mm)


def _mark(pinholes: list[Pinhole], item: Correction, lay: Rigid, said: list[str]) -> None:
    """Take one mark; what it did is said in one sentence."""
    assert item.place_mm is not None, "a mark has a place, checked at birth"
    place = lay.point(item.place_mm)
    index = _nearest(pinholes, place)
    if item.action is Action.NOT_PINHOLE:
        if index is not None:
            gone = pinholes.pop(index)
            why = item.note or "not a pinhole"
            said.append(f"{gone.site or 'A spot'} at {_at(place)} taken out: {why}.")
        return
    if index is not None:
        there = pinholes[index]
        pinholes[index] = replace(there, probability=1.0, from_user=True)
        said.append(f"{there.site} at {_at(place)} confirmed.")
        return
    diameter = item.diameter_mm or REACH_MM
    number = 1 + sum(p.from_user and p.id.startswith("U") for p in pinholes)
    pinholes.append(
        Pinhole(
            id=f"U{number:02d}",
            site="",
            x_mm=round(place[0], 3),
            y_mm=round(place[1], 3),
            x_px=NO_PHOTO_PLACE[0],
            y_px=NO_PHOTO_PLACE[1],
            diameter_mm=diameter,
            diameter_interval_mm=Interval((1 - ADDED_REL) * diameter, (1 + ADDED_REL) * diameter),
            score=0.0,
            state="new",
            from_user=True,
        )
    )
    said.append(f"A pinhole of {diameter:g} mm at {_at(place)} added.")


def _nearest(pinholes: Sequence[Pinhole], place: Point) -> int | None:
    gaps = [np.hypot(p.x_mm - place[0], p.y_mm - place[1]) - max(REACH_MM, p.diameter_mm / 2) for p in pinholes]
    best = int(np.argmin(gaps)) if gaps else 0
    return best if gaps and gaps[best] <= 0 else None


def _at(place: Point) -> str:
    return f"({place[0]:.0f}, {place[1]:.0f}) mm"


def _lost(item: Correction, why: str) -> str:
    what = f"{item.action.value.replace('_', ' ')} {item.defect}".strip()
    return f"A mark of yours is kept but not applied ({what}): {why}."


def _counted(
    measured: CoatRecord,
    pinholes: tuple[Pinhole, ...],
    earlier: Sequence[CoatRecord],
    notes: tuple[str, ...],
    said: tuple[str, ...],
) -> CoatRecord:
    """Follow the sites again and count again."""
    residual = measured.align_rms_mm if measured.align_rms_mm is not None else measured.mm_per_px
    tracked = track(
        pinholes,
        earlier,
        residual_mm=residual,
        is_seen=lambda places: _is_seen(measured, places),
        mm_per_px=measured.mm_per_px,
        curve=measured.power.curve,
        area_mm2=max(measured.inspected_area_mm2, 1.0),
    )
    kept = _own_sites(tracked.pinholes, pinholes, earlier)
    called = [p for p in kept if p.x_px != NO_PHOTO_PLACE[0]]
    chance = np.array([p.probability for p in called])
    interval = count_interval(
        chance,
        np.array([p.diameter_mm for p in called]),
        fit_of_values(measured.power.fit),
        np.random.default_rng(SEED),
        smallest_mm=measured.smallest_mm,
        known=sum(p.diameter_mm >= measured.smallest_mm for p in kept) - sum(_matters(p, measured) for p in called),
    )
    area_m2 = max(measured.inspected_area_mm2 / 1e6, 1e-9)
    return replace(
        measured,
        pinholes=kept,
        closed=tracked.closed,
        count=len(kept),
        count_interval=interval,
        false_calls_per_m2=float((1 - chance).sum()) / area_m2,
        density_per_m2=len(kept) / area_m2,
        ratings=rate([p.diameter_mm for p in kept]),
        notes=notes,
        from_user=said,
    )


def _matters(pinhole: Pinhole, record: CoatRecord) -> bool:
    return pinhole.diameter_mm >= record.smallest_mm


def _own_sites(
    tracked: Sequence[Pinhole], before: Sequence[Pinhole], earlier: Sequence[CoatRecord]
) -> tuple[Pinhole, ...]:
    """Give new pinholes the site number that they had: a place keeps its number, whatever else is marked."""
    known = {p.site for record in earlier for p in record.pinholes}
    number = max((int(name[1:]) for name in known | {p.site for p in before if p.site}), default=0)
    used = {p.site for p in tracked if p.site in known}
    out = []
    for now, was in zip(tracked, before, strict=True):
        if now.site in known:
            out.append(now)
            continue
        site = was.site
        if not site or site in used or site in known:
            number += 1
            site = f"S{number:03d}"
        used.add(site)
        out.append(replace(now, site=site))
    return tuple(out)


def _is_seen(measured: CoatRecord, places_mm: Floats) -> NDArray[np.bool_]:
    """Whether the coat's photos show places (N, 2) slab mm, as far as the record tells."""
    places = np.asarray(places_mm, dtype=np.float64).reshape(-1, 2)
    seen = np.zeros(len(places), bool)
    for outline in measured.inspected_mm:  # an outline inside another one is a hole
        seen ^= shape.inside(places, outline)
    known = {(round(c.x_mm, 3), round(c.y_mm, 3)): c.seen for c in measured.closed}
    for k, (x, y) in enumerate(places):
        seen[k] = known.get((round(float(x), 3), round(float(y), 3)), bool(seen[k]))
    return seen
