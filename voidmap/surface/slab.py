"""The slab's record: area with an interval, edge length, runs of edge."""

from __future__ import annotations

import numpy as np

from voidmap.model import Floats, Plane, SlabFound
from voidmap.records import EdgeRun, Interval, Outline, SlabRecord
from voidmap.surface.edges import area_of, edge_length_mm, resample

# Fixed seed of the draws of the edge's doubt: the same photo gives the same interval.
SEED = 20_251
# Versions of the slab that the interval is worked out from.
DRAWS = 400
# Points of the outline that carry the scale's doubt; it varies slowly over the slab.
SCALE_POINTS = 240


def slab_record(slab: SlabFound, plane: Plane, *, thickness_mm: float | None, grain_deg: float = 0.0) -> SlabRecord:
    """Turn the slab found into its record.

    The area's interval comes from two causes. The scale: each of the plane's draws carries the outline from
    the photo to mm anew. The edge: its doubt is one cause for the whole outline (a blurred rim or a shadow is
    read too wide all around), so it is drawn once a version and does not average away. What is left of telling wood
    from bark, shade and bench comes on top (``area_doubt_mm2``).

    Parameters
    ----------
    slab
        The slab found.
    plane
        The plane of the photo that the slab was found in.
    thickness_mm
        As the user gave it, mm.
    grain_deg
        Direction of the grain in the slab frame.

    Returns
    -------
    SlabRecord
    """
    outline = slab.outline_mm
    cut = np.array([kind == "cut" for kind in slab.edge_kinds])
    area = area_of(outline)
    length = edge_length_mm(outline, cut)
    areas = _drawn_areas(area, outline, plane, float(np.hypot(length * slab.edge_blur_mm, slab.area_doubt_mm2)))
    lo, hi = (float(v) for v in np.percentile(areas, [2.5, 97.5]))
    return SlabRecord(
        area_mm2=area,
        area_interval_mm2=Interval(min(lo, area), max(hi, area)),
        edge_mm=length,
        thickness_mm=thickness_mm,
        outline_mm=_points(outline),
        outline_px=_points(plane.to_px(outline)),
        edge_runs=edge_runs(slab),
        leaves_frame=slab.leaves_frame,
        grain_deg=grain_deg,
    )


def edge_runs(slab: SlabFound) -> tuple[EdgeRun, ...]:
    """Return the runs of sawn and live edge, in the order of the outline; runs on the photo's border are left out."""
    kinds = slab.edge_kinds
    count = len(kinds)
    lengths = np.hypot(*(np.roll(slab.outline_mm, -1, axis=0) - slab.outline_mm).T)
    starts = [k for k in range(count) if kinds[k] != kinds[k - 1]] or [0]
    runs = []
    for start, end in zip(starts, [*starts[1:], starts[0] + count], strict=True):
        if kinds[start] != "cut":
            along = float(lengths[np.arange(start, end) % count].sum())
            runs.append(EdgeRun(kind=kinds[start], length_mm=along, start=start))
    return tuple(runs)


def _drawn_areas(area: float, outline: Floats, plane: Plane, doubt_mm2: float) -> Floats:
    rng = np.random.default_rng(SEED)
    edge = rng.normal(0.0, doubt_mm2, DRAWS)
    rows = np.arange(DRAWS) % max(1, len(plane.draws))
    coarse = resample(outline, max(1.0, 4 * np.sqrt(area) / SCALE_POINTS))
    photo = plane.to_px(coarse)
    own = area_of(coarse)
    ratio = np.array([area_of(plane.drawn(int(r)).to_mm(photo)) / own for r in np.unique(rows)])
    scale = ratio[rows] if len(plane.draws) else np.ones(DRAWS)
    return np.asarray(area * scale + edge, dtype=np.float64)


def _points(array: Floats) -> Outline:
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in array)
