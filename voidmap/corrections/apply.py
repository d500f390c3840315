"""Apply corrections to a measured intake: a pure function, measured + corrections -> intake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from voidmap.corrections import shape
from voidmap.corrections.nouns import Action, Correction, Corrections
from voidmap.corrections.pixels import photo_points
from voidmap.corrections.place import Rigid, at_place, lay_over, place_in
from voidmap.corrections.redepth import deep, with_prior, with_probe, with_through
from voidmap.records import Defect, Intake, Interval, Kind, Outline, SizeIntervals

DRAWN_EDGE_MM = 0.7
"""A line drawn by finger on a picture runs this far in or out of the true rim, all along (95 %; an estimate)."""
EDGE_REACH_MM = 1.5
"""A drawn void this close to the slab's edge opens on it."""


@dataclass(frozen=True)
class Applied:
    """An intake with its corrections, and the corrections that found no place, each with the reason."""

    intake: Intake
    lost: tuple[tuple[Correction, str], ...] = ()


def apply(measured: Intake, corrections: Corrections) -> Intake:
    """Return a measured intake with corrections applied.

    ``from_user`` of a defect names the fields that the user set. Depths and volumes are worked out again;
    corrections that find no place any more are named in ``notes``, never dropped in silence.
    """
    return apply_all(measured, corrections).intake


def apply_all(measured: Intake, corrections: Corrections) -> Applied:
    """Like :func:`apply`, and say which corrections found no place."""
    standing = corrections.standing
    if not standing.groups:
        return Applied(measured)
    work = _Work(measured)
    marks = [place_in(d) for d in measured.defects]
    for group in standing.groups:
        items = [item for item in group.items if item.action not in (Action.PINHOLE, Action.NOT_PINHOLE)]
        if not items:
            continue
        outline = group.slab_outline_mm
        lay = lay_over(
            outline,
            outline if _same(outline, measured) else measured.slab.outline_mm,
            old_marks_mm=group.marks_mm,
            new_marks_mm=marks,
        )
        for item in items:
            work.take(item, lay)
    return Applied(work.result(), tuple(work.lost))


def _same(outline_mm: Outline, measured: Intake) -> bool:
    """Whether a kept (thinned) outline is of this very measuring."""
    return len(outline_mm) >= 3 and set(outline_mm) <= {(round(x, 3), round(y, 3)) for x, y in measured.slab.outline_mm}


class _Work:
    """The defects while corrections are taken, one after the other."""

    def __init__(self, measured: Intake) -> None:
        self.measured = measured
        self.slab = measured.slab
        self.defects: list[Defect] = list(measured.defects)
        self.lost: list[tuple[Correction, str]] = []
        self.added = 0

    def take(self, item: Correction, lay: Rigid | None) -> None:
        """Apply one correction, or put it with the lost ones."""
        if item.action is Action.THICKNESS:
            self.slab = replace(self.slab, thickness_mm=item.thickness_mm)
            self.defects = [self._fresh(d) for d in self.defects]
            return
        if lay is None:
            self.lost.append((item, "the slab's outline could not be laid onto the one it was made on"))
            return
        if item.action is Action.ADD:
            self._add(item, lay)
            return
        assert item.place_mm is not None, "a correction of a defect has a place, checked at birth"
        index = at_place(self.defects, lay.point(item.place_mm), slack_mm=lay.misfit_mm)
        if index is None:
            # What was to be dropped and is not found at all needs no dropping.
            if item.action is not Action.DROP:
                self.lost.append((item, "nothing was found at its place"))
            return
        if item.action is Action.DROP:
            del self.defects[index]
        else:
            self.defects[index] = _ON_DEFECT[item.action](self, self.defects[index], item, lay)

    def result(self) -> Intake:
        """Return the intake with volumes worked out again."""
        from voidmap import depth

        defects, totals = depth.volumes(self.defects, scale_rel=self.measured.scale.length_interval_rel)
        notes = (*self.measured.notes, *(_lost_sentence(item, why) for item, why in self.lost))
        return replace(self.measured, slab=self.slab, defects=tuple(defects), totals=totals, notes=notes)

    def _fresh(self, defect: Defect) -> Defect:
        return deep(defect, self.slab.thickness_mm)

    def _add(self, item: Correction, lay: Rigid) -> None:
        self.added += 1
        kind = item.kind or Kind.HOLE
        blank = Defect(
            id=f"U{self.added:02d}",
            kind=kind,
            is_void=kind.is_void,
            void_probability=1.0 if kind.is_void else 0.0,
            area_mm2=0.0,
            area_interval_mm2=Interval(0.0, 0.0),
            length_mm=0.0,
            width_mean_mm=0.0,
            width_max_mm=0.0,
            outline_mm=(),
            outline_px=(),
            opens_on_edge=False,
            edge_opening_mm=0.0,
            through=False,
            depth=None,
            volume_ml=0.0,
            volume_interval_ml=Interval(0.0, 0.0),
            from_user=("kind", "outline"),
            note=item.note,
        )
        drawn = self._drawn(blank, lay.outline(item.outline_mm))
        self.defects.append(with_prior(drawn, self.slab.thickness_mm))

    def _drawn(self, defect: Defect, outline_mm: Outline) -> Defect:
        found = shape.measure(outline_mm)
        doubt = (
            (2 * self.measured.scale.length_interval_rel * found.area_mm2) ** 2 + (DRAWN_EDGE_MM * found.rim_mm) ** 2
        ) ** 0.5
        opening = _edge_opening_mm(outline_mm, self.slab.outline_mm)
        sizes = (found.length_mm, found.width_mean_mm, found.width_max_mm)
        return replace(
            defect,
            area_mm2=found.area_mm2,
            area_interval_mm2=Interval(max(0.0, found.area_mm2 - doubt), found.area_mm2 + doubt),
            length_mm=found.length_mm,
            width_mean_mm=found.width_mean_mm,
            width_max_mm=found.width_max_mm,
            rim_mm=found.rim_mm,
            size_intervals_mm=SizeIntervals(*(_by_hand(size) for size in sizes)) if defect.is_void else None,
            outline_mm=outline_mm,
            outline_px=photo_points(self.measured, outline_mm),
            opens_on_edge=opening > 0,
            edge_opening_mm=opening,
            from_user=_with(defect, "outline"),
            hidden=None,
        )

    def redraw(self, defect: Defect, item: Correction, lay: Rigid) -> Defect:
        """Give a defect the outline that the user drew."""
        return self._fresh(self._drawn(defect, lay.outline(item.outline_mm)))

    def change_kind(self, defect: Defect, item: Correction, lay: Rigid) -> Defect:
        """Give a defect the kind that the user saw."""
        kind = item.kind or defect.kind
        changed = replace(
            defect,
            kind=kind,
            is_void=kind.is_void,
            void_probability=1.0 if kind.is_void else 0.0,
            size_intervals_mm=defect.size_intervals_mm if kind.is_void else None,
            through=defect.through and kind.is_void,
            from_user=_with(defect, "kind"),
            # What the program said of its own doubt is settled.
            note=defect.note if "note" in defect.from_user else "",
        )
        return with_prior(changed, self.slab.thickness_mm)

    def set_depth(self, defect: Defect, item: Correction, lay: Rigid) -> Defect:
        """Take a depth reading; a thing with a depth is a void."""
        assert item.depth_mm is not None, "checked at birth"
        dot = lay.point(item.dot_mm) if item.dot_mm is not None else None
        void = replace(defect, is_void=True, void_probability=1.0, from_user=_with(defect, "depth"))
        return with_probe(void, item.depth_mm, self.slab.thickness_mm, dot_mm=dot, error_mm=item.error_mm)

    def set_through(self, defect: Defect, item: Correction, lay: Rigid) -> Defect:
        """Say whether a void goes through the slab."""
        changed = replace(defect, through=bool(item.through), from_user=_with(defect, "through"))
        return with_through(changed, self.slab.thickness_mm)

    def set_note(self, defect: Defect, item: Correction, lay: Rigid) -> Defect:
        """Put the user's remark to a defect."""
        return replace(defect, note=item.note, from_user=_with(defect, "note"))


_ON_DEFECT: dict[Action, Callable[[_Work, Defect, Correction, Rigid], Defect]] = {
    Action.REDRAW: _Work.redraw,
    Action.KIND: _Work.change_kind,
    Action.DEPTH: _Work.set_depth,
    Action.THROUGH: _Work.set_through,
    Action.NOTE: _Work.set_note,
}


def _with(defect: Defect, name: str) -> tuple[str, ...]:
    return defect.from_user if name in defect.from_user else (*defect.from_user, name)


def _by_hand(size_mm: float) -> Interval:
    """95 % interval of a length between two places of a drawn line."""
    return Interval(max(0.0, size_mm - 2 * DRAWN_EDGE_MM), size_mm + 2 * DRAWN_EDGE_MM)


def _edge_opening_mm(outline_mm: Outline, slab_mm: Outline) -> float:
    """Length of the slab's edge that lies in a drawn void or within reach of it."""
    step = 0.5
    edge = shape.resample(slab_mm, step)
    low = [min(p[i] for p in outline_mm) - EDGE_REACH_MM for i in (0, 1)]
    high = [max(p[i] for p in outline_mm) + EDGE_REACH_MM for i in (0, 1)]
    near = edge[((edge >= low) & (edge <= high)).all(axis=1)]
    if len(near) == 0:
        return 0.0
    touching = shape.inside(near, outline_mm) | (shape.distance_mm(near, outline_mm) <= EDGE_REACH_MM)
    return float(touching.sum() * step)


def _lost_sentence(item: Correction, why: str) -> str:
    what = f"{item.action.value.replace('_', ' ')} of {item.defect}" if item.defect else item.action.value
    return f"A correction of yours is kept but not applied ({what}): {why}."
