"""What to do with each defect, why, and how to prepare it.

The rules weigh kind, width, depth and place together; their limits are common practice, no source. A user may
overrule any of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.records import SLITS, Defect, EdgeRun, Kind, Method, Outline, SlabRecord

METHODS = {
    "tinted_resin": "tinted resin",
    "sawdust_glue": "sawdust and wood glue",
    "thin_resin": "thin resin",
    "wax_stick": "hard wax stick",
    "patch": "bark or wood patch",
    "leave": "leave alone",
}
HAIRLINE_MM = 0.3
"""Below this a filled, tinted resin bridges the gap; thin resin is drawn in."""
NARROW_MM = units.MM_PER_IN / 16
"""Below this a line can be hidden with dust and glue; above it dust and glue shrink and show."""
GLUE_DEPTH_MM = 10.0
"""Dust and glue can't be packed deeper, and shrink in the depth."""
GLUE_LENGTH_MM = 300.0
"""Longer cracks work with the seasons: a filling must bond both sides."""
LARGE_HOLE_MM = 10.0
"""A hole from this size up is filled like a knot hole, not drop by drop."""
PINHOLE_MM = 1.0
"""Holes below this trap their air; the seal coats' thin film or wax closes them."""
PATCH_OPENING_MM = 150.0
"""A dam longer than this on a live edge leaves a straight wall of resin where the bark was."""
PATCH_DEPTH_SHARE = 0.7
"""Of the slab's thickness: a broken edge this deep has nothing left to pour onto."""
UNSURE = 0.8
"""Below this chance of being a void, feel it with a pick before mixing."""


def choose_methods(
    defects: Sequence[Defect], slab: SlabRecord, *, overrule: Mapping[str, str] | None = None
) -> tuple[Method, ...]:
    """Return a method with its reason and preparation for every defect, in their order.

    Parameters
    ----------
    defects, slab
        As mapped.
    overrule
        Defect id to method name: the user's own choice.

    Raises
    ------
    ValueRefused
        When the user names a defect or a method that is not there.
    """
    wanted = {defect_id.strip().upper(): name for defect_id, name in (overrule or {}).items()}
    known = {d.id.upper() for d in defects}
    for defect_id, name in wanted.items():
        if defect_id not in known:
            raise ValueRefused(f"there is no defect {defect_id} in this job", f"name one of {_few(known)}")
        if name not in METHODS:
            raise ValueRefused(f"there is no method {name}", f"say one of {', '.join(METHODS)}")
    return tuple(_method(d, slab, wanted.get(d.id.upper())) for d in defects)


def _few(names: set[str]) -> str:
    listed = sorted(names)
    return ", ".join(listed[:12]) + (f" or {len(listed) - 12} more" if len(listed) > 12 else "")


def _method(defect: Defect, slab: SlabRecord, chosen: str | None) -> Method:
    name, why = suggest(defect, slab)
    if chosen is not None and chosen != name:
        name, why = chosen, f"your choice (suggested was {METHODS[name]}: {why})"
    return Method(defect.id, name, why, preparation(defect, slab, name))


def suggest(defect: Defect, slab: SlabRecord) -> tuple[str, str]:
    """Return the usual method for a defect, and the reason in words."""
    if not defect.is_void:
        what = "sound knot" if defect.kind is Kind.SOUND_KNOT else "stain"
        return "leave", f"a {what} is flat: the seal coats cover it"
    if defect.kind in SLITS:
        return _line(defect)
    if defect.kind is Kind.HOLE:
        return _hole(defect, slab)
    return _cavity(defect, slab)


def _line(defect: Defect) -> tuple[str, str]:
    width, depth = defect.width_mean_mm, depth_mm(defect)
    wide = f"{_mm(width)} wide on average"
    if width < HAIRLINE_MM:
        return "thin_resin", f"{wide}: too fine for a tinted fill, thin resin is drawn in"
    if width >= NARROW_MM:
        return "tinted_resin", f"{wide}: too wide to hide, a tinted fill bonds both sides"
    if defect.through or defect.opens_on_edge:
        place = "goes through" if defect.through else "runs out on the edge"
        return "tinted_resin", f"{wide} and {place}: dust and glue would fall out or tear there"
    if depth > GLUE_DEPTH_MM:
        return "tinted_resin", f"{wide} but {_mm(depth)} deep: dust and glue can't be packed so deep"
    if defect.length_mm > GLUE_LENGTH_MM:
        return "tinted_resin", f"{wide} but {_mm(defect.length_mm)} long: it works with the seasons and must be bonded"
    return "sawdust_glue", f"{wide}, short and shallow: dust of the same slab with glue hides it"


def _hole(defect: Defect, slab: SlabRecord) -> tuple[str, str]:
    across = 2 * math.sqrt(defect.area_mm2 / math.pi)
    if across >= LARGE_HOLE_MM:
        return _cavity(defect, slab)
    if across < PINHOLE_MM:
        return "thin_resin", f"{_mm(across)} across: a thick fill traps the air in it"
    return "tinted_resin", f"{_mm(across)} across: drop by drop, with a wire to let the air out"


def _cavity(defect: Defect, slab: SlabRecord) -> tuple[str, str]:
    depth = depth_mm(defect)
    deep = slab.thickness_mm is not None and depth >= PATCH_DEPTH_SHARE * slab.thickness_mm
    if defect.opens_on_edge and defect.edge_opening_mm > PATCH_OPENING_MM and (defect.through or deep):
        side = edge_place(defect, slab)
        if side.kind != "sawn":
            return "patch", (
                f"open for {_mm(defect.edge_opening_mm)} on a live edge and {_mm(depth)} deep: resin would "
                "stand as a straight wall, a patch keeps the edge's line"
            )
    where = "opens on the edge, dammed" if defect.opens_on_edge else "closed all round"
    size = f"{units.shop_area(defect.area_mm2)}, {units.shop_length(depth)} ({_mm(depth)}) deep"
    return "tinted_resin", f"{size}, {where}: a fill that bonds and shows"


def depth_mm(defect: Defect) -> float:
    """Return a defect's greatest depth, 0 for a flat thing."""
    return defect.depth.max_mm if defect.depth is not None else 0.0


PLACE_POINTS = 64
"""So many points of a defect's outline tell which run of the edge is nearest."""


def edge_place(defect: Defect, slab: SlabRecord) -> EdgeRun:
    """Return the run of the slab's edge that lies nearest to a defect."""
    if not slab.edge_runs or not slab.outline_mm or not defect.outline_mm:
        return EdgeRun("unknown", 0.0, 0)
    near = _nearest_segment(slab.outline_mm, defect.outline_mm[:: max(1, len(defect.outline_mm) // PLACE_POINTS)])
    runs = sorted(slab.edge_runs, key=lambda run: run.start)
    return next((run for run in reversed(runs) if run.start <= near), runs[-1])


def _nearest_segment(edge: Outline, points: Outline) -> int:
    """Return the index of the closed outline's segment that comes nearest to any of the points."""
    start, at = np.asarray(edge), np.asarray(points)[:, None]
    along = np.roll(start, -1, axis=0) - start
    long2 = np.maximum((along**2).sum(axis=1), 1e-12)
    t = np.clip(((at - start) * along).sum(axis=2) / long2, 0, 1)
    gap2 = ((at - start - t[..., None] * along) ** 2).sum(axis=2)
    return int(gap2.min(axis=0).argmin())


def side_name(defect: Defect, slab: SlabRecord) -> str:
    """Return in words which side of the slab a defect opens on, seen as in the map (x right, y down)."""
    if not slab.outline_mm or not defect.outline_mm:
        return ""
    xs, ys = [p[0] for p in slab.outline_mm], [p[1] for p in slab.outline_mm]
    x = sum(p[0] for p in defect.outline_mm) / len(defect.outline_mm)
    y = sum(p[1] for p in defect.outline_mm) / len(defect.outline_mm)
    gaps = {"left end": x - min(xs), "right end": max(xs) - x, "top side": y - min(ys), "bottom side": max(ys) - y}
    kind = edge_place(defect, slab).kind
    return min(gaps, key=lambda name: gaps[name]) + (f", {kind} edge" if kind in ("live", "sawn") else "")


def preparation(defect: Defect, slab: SlabRecord, method: str) -> tuple[str, ...]:
    """Return what to do to a defect before it is filled, in order."""
    if method == "leave":
        return ()
    steps = []
    if defect.void_probability < UNSURE:
        steps.append("feel it with a pick before mixing: it may be flat")
    if defect.kind is Kind.BARK_VOID:
        steps.append("pick out loose bark down to sound wood, wire-brush")
    elif defect.kind is Kind.KNOT_HOLE:
        steps.append("pick out what is loose; where the pick sinks in (punky), soak with thin resin first")
    elif defect.kind in SLITS:
        steps.append("clear dust and glue out with a thin blade")
    else:
        steps.append("clear it with a wire or a drill bit turned by hand")
    steps.append("vacuum")
    if method in ("tinted_resin", "thin_resin"):
        steps += _keep_in(defect, slab)
    if method == "sawdust_glue":
        steps.append("rub in glue, pack dust sanded off this slab, repeat until proud, sand while damp")
    if method == "wax_stick":
        steps.append("only after the last seal coat has cured: melt in, level, wipe clean")
    if method == "patch":
        steps.append("fit bark or wood of the same slab, glue, clamp, and fill its joint as a crack")
    return tuple(steps)


def _keep_in(defect: Defect, slab: SlabRecord) -> list[str]:
    steps = []
    if defect.opens_on_edge:
        side = side_name(defect, slab) or "edge"
        steps.append(
            f"dam {units.shop_length(dam_mm(defect))} ({_mm(dam_mm(defect))}) on the {side}: "
            "a board faced with release tape, seams sealed"
        )
    if defect.through:
        steps.append("tape below, pressed down hard, with a backing board under it")
    return steps


DAM_LAP_MM = 25.0
"""A dam reaches this far past the opening on both sides, to seal on sound wood."""


def dam_mm(defect: Defect) -> float:
    """Return how long a dam must be for a defect that opens on the edge, mm."""
    return defect.edge_opening_mm + 2 * DAM_LAP_MM


def _mm(value: float) -> str:
    return f"{value:.1f} mm" if value < 10 else f"{value:.0f} mm"
