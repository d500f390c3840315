"""Work a defect's depth out again after a correction: one small door to ``voidmap.depth``.

It is opened when a depth is asked for: most commands that know of corrections never ask.
"""

from __future__ import annotations

from dataclasses import replace

from voidmap.records import Defect, DepthEstimate, Interval, Point


def deep(defect: Defect, thickness_mm: float | None) -> Defect:
    """Fuse a void's estimates again; a flat thing has no depth."""
    if not defect.is_void:
        none = Interval(0.0, 0.0)
        return replace(defect, depth=None, volume_ml=0.0, volume_interval_ml=none, through=False, hidden=None)
    estimates = defect.depth.estimates if defect.depth is not None else ()
    return _fused(defect, estimates, thickness_mm)


def with_prior(defect: Defect, thickness_mm: float | None) -> Defect:
    """Give a void the prior of its kind and size; what was measured of its depth stays."""
    from voidmap import depth

    if not defect.is_void:
        return deep(defect, thickness_mm)
    prior = depth.prior_estimate(
        defect.kind,
        area_mm2=defect.area_mm2,
        width_mean_mm=defect.width_mean_mm,
        thickness_mm=thickness_mm,
        opens_on_edge=defect.opens_on_edge,
    )
    return _fused(defect, (prior, *_others(defect, "prior")), thickness_mm)


def with_probe(
    defect: Defect,
    depth_mm: float,
    thickness_mm: float | None,
    *,
    dot_mm: Point | None = None,
    error_mm: float | None = None,
) -> Defect:
    """Add a probe reading: the greatest depth, or the depth at a dot."""
    from voidmap import depth

    if defect.depth is None:
        defect = with_prior(defect, thickness_mm)
    reading = depth.probe_estimate(defect, depth_mm, dot_mm=dot_mm, error_mm=error_mm, thickness_mm=thickness_mm)
    return _fused(defect, (*_others(defect, ""), reading), thickness_mm)


def with_through(defect: Defect, thickness_mm: float | None) -> Defect:
    """Take the user's word that a void goes through the slab, or does not."""
    from voidmap import depth

    if not defect.through:
        return _fused(defect, _others(defect, "through"), thickness_mm)
    void = replace(defect, is_void=True, void_probability=1.0)
    if void.depth is None:
        void = with_prior(void, thickness_mm)
    if thickness_mm is None:
        return void
    bottom = depth.through_estimate(thickness_mm, void.kind, area_mm2=void.area_mm2 or None)
    return _fused(void, (*_others(void, "through"), bottom), thickness_mm)


def _others(defect: Defect, source: str) -> tuple[DepthEstimate, ...]:
    estimates = defect.depth.estimates if defect.depth is not None else ()
    return tuple(e for e in estimates if e.source != source)


def _fused(defect: Defect, estimates: tuple[DepthEstimate, ...], thickness_mm: float | None) -> Defect:
    from voidmap import depth

    return replace(defect, depth=depth.fuse(estimates, thickness_mm=thickness_mm) if estimates else None)
