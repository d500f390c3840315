"""Filled holes that the intake knows are no pinholes: their place, size and colour together tell."""

import cv2
import numpy as np
import pytest
from report_jobs import defect, intake
from test_coat_spots import wood

from voidmap.coat import fills
from voidmap.coat.plant import Plant, plant
from voidmap.files import Job
from voidmap.job.coat import CoatOptions, inspect
from voidmap.job.pictures import picture_of
from voidmap.model import Ortho
from voidmap.records import Kind

SIDE = 900
MM_PER_PX = 0.1
BLACK = (24, 24, 26)
BLUE = (120, 60, 30)
SHADE = (60, 75, 90)
"""Of the wood's own hue, as a pit's floor may be: only the intake tells it from one."""
LARGE, SMALL = (600.0, 250.0, 80.0), (250.0, 640.0, 5.0)
"""Filled voids, px: x, y, radius."""


def circle(x, y, radius):
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def filled(picture, tint, *places):
    out = picture.copy()
    for x, y, radius in places:
        cv2.circle(out, (round(x * 16), round(y * 16)), round(radius * 16), tint, -1, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(out, (0, 0), 0.8)


@pytest.fixture(scope="module")
def ground():
    return cv2.resize(wood(np.random.default_rng(5), turn_deg=10.0), (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)


def told(picture, places, sizes, *, off_px=0.5):
    outlines = [circle(*LARGE), circle(*SMALL)]
    tint = fills.tint_of(picture, outlines)
    assert tint is not None
    return list(fills.are_fills(picture, np.array(places), np.array(sizes), outlines, tint, off_px=off_px))


@pytest.mark.parametrize("tint", [BLACK, BLUE])
def test_a_spot_is_a_fill_by_place_size_and_colour_together(ground, tint):
    picture = filled(ground, tint, LARGE, SMALL)
    x, y, radius = SMALL
    assert told(picture, [(x + 1, y - 1)], [1.9 * radius]) == [True]
    # elsewhere, of another size, or within a large fill: a pinhole
    assert told(picture, [(x + 40, y), (x, y), LARGE[:2]], [2 * radius, 0.8 * radius, 2 * radius]) == [False] * 3
    # a fill is dark to its edge, where a pinhole's opening is reckoned wider than its dark part: but not twice as wide
    assert told(picture, [(x, y), (x, y)], [3.5 * radius, 4.2 * radius]) == [True, False]
    # too small to tell its colour
    assert told(picture, [(x, y)], [4.0]) == [False]


def test_an_open_hole_of_another_colour_than_the_fill_stays(ground):
    picture = filled(filled(ground, BLUE, LARGE), BLACK, SMALL)
    assert told(picture, [SMALL[:2]], [2 * SMALL[2]]) == [False]


def test_without_a_fill_to_read_nothing_is_told(ground):
    assert fills.tint_of(ground, [circle(*SMALL)]) is None
    assert fills.tint_of(ground, [circle(-300, -300, 40)]) is None


def job_with(folder, picture, voids):
    job = Job(folder)
    folder.mkdir()
    known = [
        defect(f"D{k:02d}", Kind.HOLE, tuple(map(tuple, circle(x, y, r) * MM_PER_PX)))
        for k, (x, y, r) in enumerate(voids, start=1)
    ]
    job.write(intake(defects=tuple(known)))
    picture_of(Ortho(picture, np.ones(picture.shape[:2], bool), 0.0, 0.0, MM_PER_PX)).write(job, "intake")
    return job


def test_a_coat_counts_no_filled_hole_that_its_intake_knows(ground, tmp_path):
    picture = filled(ground, SHADE, LARGE, SMALL)
    real = [Plant(x, y, 9.0) for x, y in ((150.0, 200.0), (420.0, 700.0), (700.0, 600.0))]
    picture = plant(picture, real, np.random.default_rng(3), sanded=False, blur_px=0.8)
    cv2.imwrite(str(tmp_path / "coat.png"), picture)
    open_ = filled(ground, (16, 20, 30), LARGE, SMALL)
    options = CoatOptions(number=1, mm_per_px=MM_PER_PX)

    def counted(folder):
        record = inspect(folder, [tmp_path / "coat.png"], options, lambda step: None)
        at = np.array([(p.x_px, p.y_px) for p in record.pinholes]).reshape(-1, 2)
        return np.hypot(*(at - SMALL[:2]).T).min() < 4, len(at), record.notes

    alone, many, notes = counted(tmp_path / "alone")
    assert alone
    assert any("No intake" in note for note in notes)
    known, fewer, notes = counted(job_with(tmp_path / "known", open_, [LARGE, SMALL]).folder)
    assert not known
    assert fewer == many - 1
    assert any("1 spot is not counted" in note for note in notes)
    elsewhere = [LARGE, aside(SMALL)]
    assert counted(job_with(tmp_path / "elsewhere", open_, elsewhere).folder)[:2] == (True, many)


def test_a_coat_counts_no_black_dot_that_no_intake_knows(ground, tmp_path):
    found = {}
    for name, tint in (("black", BLACK), ("shade", SHADE)):
        cv2.imwrite(str(tmp_path / f"{name}.png"), filled(ground, tint, SMALL))
        options = CoatOptions(number=1, mm_per_px=MM_PER_PX)
        record = inspect(tmp_path / name, [tmp_path / f"{name}.png"], options, lambda step: None)
        found[name] = [p for p in record.pinholes if np.hypot(p.x_px - SMALL[0], p.y_px - SMALL[1]) < 4]
    assert not found["black"]
    assert found["shade"]


def aside(place):
    return (place[0] + 60, place[1], place[2])
