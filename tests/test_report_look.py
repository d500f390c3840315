"""Kinds can be told apart without colour, and every letter can be read (WCAG 2.2, 1.4.3 and 1.4.1)."""

import numpy as np
import pytest
from report_jobs import defect, disc

from voidmap.records import Kind
from voidmap.report.callouts import callouts
from voidmap.report.look import LOOKS, SPOT_COLOURS, SPOT_WORDS


def luminance(colour):
    """Relative luminance of sRGB as WCAG 2.2 defines it."""
    values = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_luminance_is_that_of_the_standard():
    assert luminance("#ffffff") == pytest.approx(1.0)
    assert luminance("#000000") == 0.0
    # WCAG's own well-known example: #767676 is the lightest grey that passes 4.5 : 1 on white.
    assert 1.05 / (luminance("#767676") + 0.05) >= 4.5 > 1.05 / (luminance("#777777") + 0.05)


@pytest.mark.parametrize("kind", Kind)
def test_white_letters_can_be_read_on_every_kind(kind):
    assert 1.05 / (luminance(LOOKS[kind].colour) + 0.05) >= 4.5


@pytest.mark.parametrize("state", SPOT_COLOURS)
def test_marks_of_pinholes_stand_out_from_their_halo_and_are_told_in_words(state):
    assert 1.05 / (luminance(SPOT_COLOURS[state]) + 0.05) >= 4.5, "their labels carry white letters"
    assert SPOT_WORDS[state].split(":")[0] in ("ring", "square", "dotted ring", "diamond")


def test_no_kind_needs_its_colour():
    assert len({look.dash for look in LOOKS.values()}) == len(Kind)
    assert len({look.word for look in LOOKS.values()}) == len(Kind)


def test_labels_never_meet_and_stay_beside_the_slab():
    rng = np.random.default_rng(5)
    crowd = [
        defect(f"D{k:02d}", Kind.HOLE, disc(float(x), float(y), 2.0))
        for k, (x, y) in enumerate(zip(rng.normal(100, 30, 60), rng.normal(0, 20, 60), strict=True))
    ]
    sides = callouts(crowd, (-450.0, 450.0), middle_mm=0.0, wide_mm=60.0)
    assert sorted(d.id for side in sides for d, _, _ in side) == sorted(d.id for d in crowd)
    for side in sides:
        for row in {k for _, _, k in side}:
            xs = sorted(x for _, x, k in side if k == row)
            assert np.diff(xs).min(initial=60.0) >= 60.0 - 1e-6
            assert -420.0 - 1e-6 <= xs[0]
            assert xs[-1] <= 420.0 + 1e-6
