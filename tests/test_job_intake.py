"""A job keeps one slab."""

from dataclasses import replace

import numpy as np
import pytest
from fill_jobs import a_desk

from voidmap.errors import JobError, ValueRefused
from voidmap.files import Job
from voidmap.job.intake import IntakeOptions, _same_slab
from voidmap.job.intake_notes import one_place_notes
from voidmap.model import Photo
from voidmap.scale import plane_from_mm_per_px


def test_another_slab_needs_a_job_of_its_own(tmp_path):
    job, desk = Job(tmp_path), a_desk()
    _same_slab(job, desk)
    job.write(desk)
    _same_slab(job, replace(desk, slab=replace(desk.slab, area_mm2=desk.slab.area_mm2 * 1.02)))
    other = replace(desk, slab=replace(desk.slab, area_mm2=desk.slab.area_mm2 * 0.6))
    with pytest.raises(JobError, match="holds another slab"):
        _same_slab(job, other)


@pytest.mark.parametrize("wrong", [{"thickness_mm": 1.0}, {"mm_per_px": 0.0}, {"region": "left"}])
def test_what_can_not_be_is_refused(wrong):
    with pytest.raises(ValueRefused):
        IntakeOptions(**wrong)


def seen_from(x_mm):
    """The plane of a photo taken a metre above the top."""
    plane = plane_from_mm_per_px(Photo("blank.jpg", "", np.zeros((300, 400, 3), np.uint8)), 0.5)
    return replace(plane, reference="boards", translation_mm=np.array([-x_mm, 0.0, 1000.0]))


def test_photos_from_one_place_are_told_to_show_no_depth():
    (note,) = one_place_notes([seen_from(0), seen_from(20), seen_from(-10)])
    assert "show no depth" in note
    assert one_place_notes([seen_from(0), seen_from(200)]) == ()
    assert one_place_notes([seen_from(0)]) == ()
