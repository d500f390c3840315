"""The intake's voids are carried into the frame that the coats lie in, also after a new intake."""

from dataclasses import replace

import numpy as np
import pytest
from coat_jobs import coat
from report_jobs import intake

from voidmap.corrections.keep import frame_of
from voidmap.corrections.place import Rigid
from voidmap.files import Job
from voidmap.job.coat_voids import defects_on
from voidmap.job.verdict import decide


@pytest.fixture
def job(tmp_path):
    folder = tmp_path / "desk"
    folder.mkdir()
    return Job(folder)


def seen_otherwise(measured, lay):
    """The same slab measured with the board laid elsewhere."""
    defects = tuple(replace(d, outline_mm=lay.outline(d.outline_mm)) for d in measured.defects)
    slab = replace(measured.slab, outline_mm=lay.outline(measured.slab.outline_mm))
    return replace(measured, defects=defects, slab=slab)


def test_in_the_intakes_own_frame_they_stay(job):
    measured = intake()
    job.write(measured)
    assert defects_on(job, ()) == (measured.defects, 0.0)
    assert defects_on(job, (coat(1, [(0, 0)], frame=frame_of(measured)),)) == (measured.defects, 0.0)


def test_after_a_new_intake_they_are_carried_into_the_coats_frame(job):
    measured = intake()
    job.write(seen_otherwise(measured, Rigid(0.4, (130.0, -55.0))))
    known = defects_on(job, (coat(1, [(0, 0)], frame=frame_of(measured)),))
    assert known is not None
    carried, off_mm = known
    assert off_mm < 0.3
    for was, now in zip(measured.defects, carried, strict=True):
        assert now.id == was.id
        assert np.abs(np.array(now.outline_mm) - was.outline_mm).max() < 0.3


def test_coats_that_are_not_tied_to_the_intake_know_none(job):
    assert defects_on(job, ()) is None
    measured = intake()
    job.write(measured)
    assert defects_on(job, (coat(1, [(0, 0)]),)) is None
    other = tuple((3 * x, y) for x, y in frame_of(measured))
    assert defects_on(job, (coat(1, [(0, 0)], frame=other),)) is None


def test_the_verdict_names_the_rim_that_feeds_whichever_intake_is_there(job):
    measured = intake()
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    at_rim = [(20 + 17.5 * np.cos(a), -80 + 17.5 * np.sin(a)) for a in turn]
    inside = tuple((x, y - 60.0) for x, y in ((-100.0, -60.0), (100.0, -60.0), (100.0, 60.0), (-100.0, 60.0)))
    fed = replace(coat(1, at_rim, frame=frame_of(measured)), inspected_mm=(inside,))
    job.write(fed)
    for again in (measured, seen_otherwise(measured, Rigid(-1.1, (-40.0, 300.0)))):
        job.write(again)
        pattern = decide(job.folder).pattern
        assert pattern.edge_fed
        assert any("D04" in word for word in pattern.words)
