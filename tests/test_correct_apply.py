"""Corrections: tied to places, kept apart, carried to a new measuring of the same slab."""

import json
import math
from dataclasses import replace

import pytest
from report_jobs import band, defect, disc, intake, slab_outline, to_px

from voidmap.corrections import (
    Action,
    Correction,
    Corrections,
    about_defect,
    apply,
    apply_all,
    from_json,
    merged,
    thickness_of,
    to_json,
)
from voidmap.corrections.keep import group_of
from voidmap.corrections.pixels import photo_points
from voidmap.corrections.place import Rigid, lay_over
from voidmap.corrections.shape import measure
from voidmap.errors import InputError, ValueRefused
from voidmap.records import Kind


def corrected(record, *items):
    return apply(record, Corrections((group_of(record, items),)))


def by_id(record, name):
    return next(d for d in record.defects if d.id == name)


def test_nothing_corrected_changes_nothing():
    record = intake()
    assert apply(record, Corrections()) is record


def test_drop_takes_the_defect_and_its_volume_away():
    record = intake()
    out = corrected(record, about_defect(record, "d01", Action.DROP))
    assert [d.id for d in out.defects] == [d.id for d in record.defects if d.id != "D01"]
    assert out.totals.volume_ml == pytest.approx(record.totals.volume_ml - by_id(record, "D01").volume_ml, rel=0.02)
    assert by_id(record, "D01"), "what was measured is left alone"


def test_kind_to_flat_and_back_to_void():
    record = intake()
    flat = corrected(record, about_defect(record, "D01", Action.KIND, kind=Kind.SOUND_KNOT))
    assert by_id(flat, "D01").depth is None
    assert by_id(flat, "D01").volume_ml == 0
    assert by_id(flat, "D01").from_user == ("kind",)
    void = corrected(record, about_defect(record, "D06", Action.KIND, kind=Kind.KNOT_HOLE))
    assert by_id(void, "D06").volume_ml > 0
    assert void.totals.void_count == record.totals.void_count + 1


def test_a_depth_reading_narrows_the_interval():
    record = intake()
    out = by_id(corrected(record, about_defect(record, "D01", Action.DEPTH, depth_mm=18.0)), "D01")
    old = by_id(record, "D01")
    assert out.depth.source == "probe"
    assert out.depth.mean_mm < 18.0
    lo, hi = out.volume_interval_ml
    assert hi / lo < old.volume_interval_ml.hi / old.volume_interval_ml.lo
    assert out.from_user == ("depth",)


def test_through_means_the_slab_is_thick_there():
    record = intake()
    out = by_id(corrected(record, about_defect(record, "D01", Action.THROUGH, through=True)), "D01")
    assert out.through
    assert out.depth.max_mm == pytest.approx(45.0)
    assert 45.0 / 4 < out.depth.mean_mm < 45.0


def test_thickness_note_and_order():
    record = intake()
    items = (
        thickness_of(38.0),
        about_defect(record, "D02", Action.NOTE, note="<b>check</b>"),
        about_defect(record, "D02", Action.NOTE, note="resawn"),
    )
    out = corrected(record, *items)
    assert out.slab.thickness_mm == 38.0
    assert by_id(out, "D02").note == "resawn"


def test_redraw_and_add_measure_the_drawn_shape():
    record = intake()
    redrawn = about_defect(record, "D01", Action.REDRAW, outline_mm=disc(-210, -40, 30))
    added = Correction(Action.ADD, kind=Kind.HOLE, outline_mm=disc(380, 40, 5), place_mm=(380.0, 40.0))
    out = corrected(record, redrawn, added)
    assert by_id(out, "D01").area_mm2 == pytest.approx(math.pi * 30**2, rel=0.01)
    new = by_id(out, "U01")
    lo, hi = new.area_interval_mm2
    assert lo < math.pi * 25 < hi
    assert new.size_intervals_mm.width_max.lo < 10.0 < new.size_intervals_mm.width_max.hi
    assert new.from_user == ("kind", "outline")
    assert new.volume_ml > 0
    assert not new.opens_on_edge


def test_a_void_drawn_over_the_edge_opens_on_it():
    record = intake()
    added = Correction(Action.ADD, kind=Kind.BARK_VOID, outline_mm=disc(0, -150, 12), place_mm=(0.0, -150.0))
    new = by_id(corrected(record, added), "U01")
    assert new.opens_on_edge
    assert new.edge_opening_mm == pytest.approx(24.0, abs=3.5)


@pytest.mark.parametrize("length", [20.0, 260.0])
def test_measures_of_a_band(length):
    """A rectangle's own sides (plane geometry)."""
    found = measure(band(0, 0, length, 4.0))
    assert found.area_mm2 == pytest.approx(length * 4)
    assert found.length_mm == pytest.approx(length, rel=0.02)
    assert found.width_mean_mm == pytest.approx(4.0, rel=0.02)
    assert found.width_max_mm == pytest.approx(4.0, rel=0.1)


def test_photo_points_follow_from_the_record_alone():
    record = intake()
    places = [(-300.0, 20.0), (0.0, 0.0), (410.0, -100.0)]
    for found, true in zip(photo_points(record, places), to_px(places), strict=True):
        assert found == pytest.approx(true, abs=0.05)


def moved(record, angle_deg, shift, *, noise=0.0):
    """The same slab measured again with its board elsewhere: another frame, other numbers, rims a bit off."""
    lay = Rigid(math.radians(angle_deg), shift)
    wobble = lambda pts: tuple(  # noqa: E731
        (x + noise * math.sin(3.1 * k), y + noise * math.cos(2.3 * k)) for k, (x, y) in enumerate(pts)
    )
    outline = wobble(lay.outline(record.slab.outline_mm))
    defects = tuple(
        replace(d, id=f"D{n:02d}", outline_mm=wobble(lay.outline(d.outline_mm)))
        for n, d in enumerate(reversed(record.defects), start=1)
    )
    return replace(record, slab=replace(record.slab, outline_mm=outline), defects=defects), lay


@pytest.mark.parametrize("angle", [0.0, 31.0, 90.0, 180.0, -118.0])
def test_corrections_go_along_to_a_new_measuring(angle):
    record = intake()
    items = (
        about_defect(record, "D01", Action.DEPTH, depth_mm=20.0),
        about_defect(record, "D03", Action.DROP),
        about_defect(record, "D07", Action.KIND, kind=Kind.BARK_VOID),
        Correction(Action.ADD, kind=Kind.HOLE, outline_mm=disc(380, 40, 5), place_mm=(380.0, 40.0)),
    )
    kept = Corrections((group_of(record, items),))
    again, lay = moved(record, angle, (130.0, -75.0), noise=0.8)
    found = apply_all(again, kept)
    assert found.lost == ()
    out = found.intake
    knot = next(d for d in out.defects if d.kind is Kind.KNOT_HOLE)
    assert "depth" in knot.from_user
    assert len(out.defects) == len(again.defects), "one dropped, one added"
    assert sum(d.kind is Kind.BARK_VOID for d in out.defects) == 2
    new = by_id(out, "U01")
    x, y = lay.point((380.0, 40.0))
    assert measure(new.outline_mm).middle_mm == pytest.approx((x, y), abs=1.0)


def test_a_rectangle_is_told_the_right_way_round_by_its_defects():
    box = ((-300.0, -100.0), (300.0, -100.0), (300.0, 100.0), (-300.0, 100.0))
    marks = [(-200.0, 40.0), (100.0, -60.0), (150.0, 70.0)]
    turn = Rigid(math.pi, (12.0, 5.0))
    found = lay_over(box, turn.outline(box), old_marks_mm=marks, new_marks_mm=[turn.point(m) for m in marks])
    assert found is not None
    assert found.point(marks[0]) == pytest.approx(turn.point(marks[0]), abs=0.5)
    assert lay_over(box, turn.outline(box)) is None, "without defects both ways fit: nobody can tell"


def test_another_slab_loses_no_correction_but_says_so():
    record = intake()
    kept = Corrections((group_of(record, (about_defect(record, "D01", Action.DEPTH, depth_mm=20.0),)),))
    other = intake(outline=tuple((0.6 * x, 1.5 * y) for x, y in slab_outline()))
    found = apply_all(other, kept)
    assert len(found.lost) == 1
    assert "kept but not applied" in found.intake.notes[-1]
    assert all("depth" not in d.from_user for d in found.intake.defects)


def test_a_place_where_nothing_is_any_more_is_reported():
    record = intake()
    kept = Corrections((group_of(record, (about_defect(record, "D01", Action.DEPTH, depth_mm=20.0),)),))
    gone = replace(record, defects=tuple(d for d in record.defects if d.id != "D01"))
    assert "nothing was found" in apply_all(gone, kept).lost[0][1]


def test_json_round_trip_same_file_twice_and_taking_back():
    record = intake()
    items = (about_defect(record, "D01", Action.DEPTH, depth_mm=20.0), about_defect(record, "D03", Action.DROP))
    kept = Corrections((group_of(record, items),))
    back = from_json(json.loads(json.dumps(to_json(kept))), "corrections.json")
    assert back == kept
    assert merged(kept, *back.groups) == kept, "the same file given twice changes nothing"
    forget = Correction(Action.FORGET, defect=items[1].key)
    undone = merged(kept, group_of(record, (forget,)))
    assert by_id(apply(record, undone), "D03")


@pytest.mark.parametrize(
    "values",
    [
        {"action": "depth", "place_mm": [0, 0], "depth_mm": -3},
        {"action": "depth", "place_mm": [0, 0], "depth_mm": float("nan")},
        {"action": "kind", "place_mm": [0, 0]},
        {"action": "add", "kind": "hole", "outline_mm": [[0, 0], [1, 1]]},
        {"action": "drop", "place_mm": [1e9, 0]},
        {"action": "thickness", "thickness_mm": 0},
        {"action": "not_pinhole", "place_mm": [0, 0], "coat": 0},
        {"action": "explode"},
        {"action": "drop", "place_mm": [0, 0], "surprise": 1},
    ],
)
def test_impossible_corrections_are_refused(values):
    group = {"slab_outline_mm": [[0, 0], [1, 0], [1, 1]], "items": [values]}
    with pytest.raises(InputError):
        from_json({"schema": "voidmap/corrections/1", "groups": [group]}, "c.json")


def test_unknown_defect_and_too_deep_are_refused():
    record = intake()
    with pytest.raises(ValueRefused, match="D99"):
        about_defect(record, "D99", Action.DROP)
    with pytest.raises(ValueRefused, match="45 mm thick"):
        about_defect(record, "D01", Action.DEPTH, depth_mm=60.0)


def test_a_crack_is_found_by_a_place_beside_its_moved_rim():
    record = intake(defects=(defect("D01", Kind.CRACK, band(0, 0, 200, 2)),))
    item = about_defect(record, "D01", Action.NOTE, note="seen")
    again = replace(record, defects=(defect("D01", Kind.CRACK, band(0, 2.5, 200, 2)),))
    assert apply(again, Corrections((group_of(record, (item,)),))).defects[0].note == "seen"
