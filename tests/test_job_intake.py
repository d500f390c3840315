"""A job keeps one slab."""

from dataclasses import replace

import pytest
from fill_jobs import a_desk

from voidmap.errors import JobError, ValueRefused
from voidmap.files import Job
from voidmap.job.intake import IntakeOptions, _same_slab


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
