"""Many doubtful small things on one slab are its figure; few, or many beside sure ones, are what they seem."""

from dataclasses import replace

import numpy as np
import pytest

from voidmap.job.intake_notes import crowd_notes
from voidmap.model import Region
from voidmap.records import Kind
from voidmap.surface.crowded import less_likely_in_crowds

LOOK = {"is_line": 0.0, "is_dot": 1.0, "dark_middle": -0.3, "rim_width": 1.0, "step": 0.3, "dark_spread": 0.2}


def thing(area_mm2: float, chance: float, kind: Kind = Kind.HOLE) -> Region:
    look = LOOK | {"log_area": np.log(area_mm2), "log_length": np.log(np.sqrt(area_mm2))}
    return Region(
        mask=np.ones((2, 2), bool),
        corner=(0, 0),
        outline_mm=np.zeros((4, 2)),
        kind=kind,
        void_probability=chance,
        kind_chances=dict.fromkeys(Kind, 0.1) | {kind: 0.5, Kind.STAIN: 0.2},
        area_mm2=area_mm2,
        area_interval_mm2=(0.9 * area_mm2, 1.1 * area_mm2),
        length_mm=np.sqrt(area_mm2),
        width_mean_mm=np.sqrt(area_mm2),
        width_max_mm=np.sqrt(area_mm2),
        rim_mm=4 * np.sqrt(area_mm2),
        opens_on_edge=False,
        edge_opening_mm=0.0,
        through_probability=0.0,
        measures=look,
    )


@pytest.mark.parametrize(
    ("doubtful", "sure", "called"),
    [
        (4, 0, True),
        (40, 0, False),  # ten times as many as a slab has: its pores
        (40, 80, True),  # a slab that beetles were in: most of its holes are sure
    ],
)
def test_doubtful_small_things_are_the_less_likely_the_more_there_are(doubtful: int, sure: int, called: bool) -> None:
    told = less_likely_in_crowds([thing(5.0, 0.8)] * doubtful + [thing(5.0, 0.95)] * sure)
    assert [r.kind.is_void for r in told] == [called] * doubtful + [True] * sure
    assert (told[0].void_probability == 0.8) is called
    if not called:
        # 40 where 4 may be: the odds of 4 to 1 are divided by 10 to the power of 2.3.
        assert told[0].void_probability == pytest.approx(4 / (4 + 10**2.3))
        assert told[0].kind is Kind.STAIN


def test_a_large_thing_in_such_a_photo_is_less_doubted_and_a_flat_one_stays_what_it_is() -> None:
    crowd = [thing(5.0, 0.8)] * 16
    knot = replace(thing(300.0, 0.1), kind=Kind.SOUND_KNOT)
    told = less_likely_in_crowds([*crowd, thing(900.0, 0.9, Kind.BARK_VOID), knot])
    # 16 where 4 may be: the odds of 9 to 1 are divided by 4.
    assert told[-2].void_probability == pytest.approx(9 / 13)
    assert told[-2].kind is Kind.BARK_VOID
    assert told[-1].kind is Kind.SOUND_KNOT
    assert told[-1].void_probability < 0.1


def test_a_crowd_is_told_and_how_great_it_is() -> None:
    (note,) = crowd_notes(less_likely_in_crowds([thing(5.0, 0.8)] * 30))
    assert note.startswith("7.5 times as many small things")
    assert crowd_notes(less_likely_in_crowds([thing(5.0, 0.8)] * 4)) == ()


def test_no_things_are_no_crowd() -> None:
    assert less_likely_in_crowds([]) == []
    assert crowd_notes([]) == ()
