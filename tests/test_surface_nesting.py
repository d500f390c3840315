"""Things within things: a void's dark floor, a knot's hole; skeletons and block means that they are measured by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from voidmap.model import Region
from voidmap.records import Interval, Kind
from voidmap.surface import measure
from voidmap.surface.features import Candidate
from voidmap.surface.form import by_form
from voidmap.surface.holes import LEAST_LEFT, without_holes
from voidmap.surface.kinds import Judgement
from voidmap.surface.measure import spine_length_px
from voidmap.surface.mosaic import block_mean
from voidmap.surface.regions import select
from voidmap.surface.rim import cover_of
from voidmap.surface.skeleton import longest_paths
from voidmap.surface.worth_telling import worth_telling


def ellipse(half_width: float, half_height: float, size: int = 160) -> np.ndarray:
    y, x = np.mgrid[:size, :size] - size / 2
    return np.asarray((x / half_width) ** 2 + (y / half_height) ** 2 < 1)


def patch(
    mask: np.ndarray,
    chance: float,
    fit: float,
    kind: Kind | None = Kind.BARK_VOID,
    *,
    dark: float = -0.5,
    step: float = 0.5,
) -> tuple[Candidate, Judgement]:
    cover = cover_of(mask.astype(np.float32), (0, 0))
    assert cover is not None
    features = {
        "log_slender": 0.3,
        "log_axes": 0.3,
        "off_grain": 0.0,
        "at_border": 0.0,
        "log_length": 4.0,
        "solidity": 1.0,
    }
    features |= {"dark_middle": dark, "step": step}
    chances = {} if kind is None else {kind: 1.0}
    return Candidate(cover, "patch", 0.0, features=features), Judgement(kind, chance, chances, fit)


def one_kept(*things: tuple[Candidate, Judgement]) -> tuple[Candidate, Judgement]:
    """Return the only one of things that share their place that is reported."""
    found, judged = zip(*things, strict=True)
    (kept,) = select(found, judged, 0.25)
    return kept


@pytest.mark.parametrize(("outer", "taken"), [(0.55, "whole"), (0.45, "part")])
def test_the_floor_of_a_void_is_not_cut_where_the_whole_is_likely(outer: float, taken: str) -> None:
    whole, part = patch(ellipse(60, 50), outer, 0.3), patch(ellipse(50, 42), 0.9, 0.5)
    kept, _ = one_kept(whole, part)
    assert kept.cover.area_px == pytest.approx((whole if taken == "whole" else part)[0].cover.area_px)


@pytest.mark.parametrize(
    ("chance", "fit", "taken"), [(0.55, 0.8, "whole"), (0.9, 0.55, "whole"), (0.55, 0.3, "part"), (0.9, 0.4, "part")]
)
def test_of_two_rims_of_a_knot_s_hole_the_one_that_fits_better_stays(chance: float, fit: float, taken: str) -> None:
    whole = patch(ellipse(60, 50), chance, fit, Kind.KNOT_HOLE)
    part = patch(ellipse(50, 42), 0.9, 0.5, Kind.KNOT_HOLE)
    kept, _ = one_kept(whole, part)
    assert kept.cover.area_px == pytest.approx((whole if taken == "whole" else part)[0].cover.area_px)


def test_a_hole_in_a_knot_that_is_no_void_stays_the_hole() -> None:
    knot = patch(ellipse(60, 50), 0.1, 0.9, Kind.SOUND_KNOT)
    hole = patch(ellipse(20, 15), 0.9, 0.9, Kind.KNOT_HOLE, dark=-1.5)
    found, judged = zip(knot, hole, strict=True)
    assert {j.kind for _, j in select(found, judged, 0.25)} == {Kind.SOUND_KNOT, Kind.KNOT_HOLE}


@pytest.mark.parametrize(
    ("around", "half", "darker", "is_void"),
    [(0.1, 20, 0.2, False), (0.1, 20, 0.6, True), (0.1, 40, 0.2, True), (0.5, 20, 0.2, True)],
    ids=["as dark as its knot", "darker", "another rim of it", "in what may be a void"],
)
def test_what_is_no_darker_than_the_knot_it_lies_on_is_a_part_of_it(
    around: float, half: int, darker: float, is_void: bool
) -> None:
    knot = patch(ellipse(60, 50), around, 0.9, Kind.SOUND_KNOT, dark=-1.0)
    spot = patch(ellipse(half, half), 0.9, 0.9, Kind.KNOT_HOLE, dark=-1.0 - darker)
    found, judged = zip(knot, spot, strict=True)
    assert any(j.is_void for _, j in select(found, judged, 0.25)) == is_void


@pytest.mark.parametrize(("chance", "taken"), [(0.4, Kind.CRACK), (0.6, Kind.KNOT_HOLE)])
def test_a_check_in_what_is_rather_a_sound_knot_is_the_void(chance: float, taken: Kind) -> None:
    knot, check = patch(ellipse(60, 50), chance, 0.9, Kind.KNOT_HOLE), patch(ellipse(50, 3), 0.7, 0.4, Kind.CRACK)
    _, kept = one_kept(knot, check)
    assert kept.kind is taken


@pytest.mark.parametrize(
    ("half", "kind", "taken"),
    [
        ((30, 25), Kind.KNOT_HOLE, "core"),
        ((12, 10), Kind.KNOT_HOLE, "whole"),
        ((30, 25), Kind.BARK_VOID, "whole"),
    ],
    ids=["a knot's hole", "a dark spot", "a bark void's darker part"],
)
def test_what_lies_around_a_surer_void_gives_way_to_it_but_not_to_a_dark_part(
    half: tuple[float, float], kind: Kind, taken: str
) -> None:
    whole, core = patch(ellipse(60, 50), 0.95, 0.6), patch(ellipse(*half), 0.97, 0.7, kind)
    kept, _ = one_kept(whole, core)
    assert kept.cover.area_px == pytest.approx((whole if taken == "whole" else core)[0].cover.area_px)


@pytest.mark.parametrize(
    ("kind", "chance", "steps", "taken"),
    [
        (Kind.BARK_VOID, 0.6, (0.5, 0.6), "whole"),
        (Kind.BARK_VOID, 0.6, (0.2, 1.4), "core"),
        (Kind.KNOT_HOLE, 0.96, (1.0, 0.9), "whole"),
        (Kind.KNOT_HOLE, 0.6, (1.0, 0.9), "core"),
    ],
    ids=["a bark void in pieces", "a bark void in a stain", "a hole's darker floor", "a hole in a knot"],
)
def test_a_likely_void_is_not_given_up_for_a_darker_part_whose_rim_is_no_steeper(
    kind: Kind, chance: float, steps: tuple[float, float], taken: str
) -> None:
    """Of a likely bark void around a surer one, the outer one is the void unless the inner rim is far steeper."""
    whole = patch(ellipse(60, 50), chance, 0.5, kind, step=steps[0])
    core = patch(ellipse(30, 25), 0.97, 0.7, kind, step=steps[1])
    kept, _ = one_kept(whole, core)
    assert kept.cover.area_px == pytest.approx((whole if taken == "whole" else core)[0].cover.area_px)


@pytest.mark.parametrize(
    ("solidity", "step", "chance", "taken"),
    [(0.35, 1.0, 0.93, "core"), (0.6, 1.0, 0.93, "whole"), (0.35, 0.1, 0.93, "whole"), (0.35, 1.0, 0.8, "whole")],
    ids=["a void that leaks", "a torn one", "a core that fades as well", "a core that is less sure"],
)
def test_a_void_with_arms_along_growth_rings_is_the_core_that_they_leak_from(
    solidity: float, step: float, chance: float, taken: str
) -> None:
    whole, core = patch(ellipse(60, 50), 0.92, 0.55, step=0.06), patch(ellipse(36, 30), chance, 0.45, step=step)
    whole[0].features["solidity"] = solidity
    kept, _ = one_kept(whole, core)
    assert kept.cover.area_px == pytest.approx((whole if taken == "whole" else core)[0].cover.area_px, rel=0.01)


@pytest.mark.parametrize(
    ("solidity", "step", "chance", "taken"),
    [(0.35, 1.0, 0.95, "crack"), (0.6, 1.0, 0.95, "whole"), (0.35, 0.2, 0.95, "whole"), (0.35, 1.0, 0.8, "whole")],
    ids=["a crack that leaks", "a torn void", "a dark streak in it", "a doubtful crack"],
)
def test_a_crack_that_leaks_into_growth_rings_is_a_crack(
    solidity: float, step: float, chance: float, taken: str
) -> None:
    whole, crack = (
        patch(ellipse(60, 50), 0.92, 0.8, step=0.2),
        patch(ellipse(50, 3), chance, 0.4, Kind.CRACK, step=step),
    )
    whole[0].features["solidity"] = solidity
    line = replace(crack[0], source="line", features=crack[0].features | {"log_area": 5.0}), crack[1]
    _, kept = one_kept(whole, line)
    assert kept.kind is (Kind.CRACK if taken == "crack" else Kind.BARK_VOID)


@pytest.mark.parametrize(("kind", "half", "left"), [(Kind.SOUND_KNOT, 46, 1), (None, 46, 0), (Kind.SOUND_KNOT, 25, 1)])
def test_what_a_flat_thing_fills_for_the_most_part_is_no_void(kind: Kind | None, half: int, left: int) -> None:
    """A knot that runs together with the figure beside it: 46 of 60 and 50 px is 0.65 of the whole, 25 is 0.17."""
    found, judged = zip(patch(ellipse(60, 50), 0.6, 0.5), patch(ellipse(half, 42), 0.1, 0.9, kind), strict=True)
    kept = select(found, judged, 0.25)
    assert len(kept) == left
    assert any(j.is_void for _, j in kept) == (half < 30)


@pytest.mark.parametrize(("dark", "turn_deg", "voids"), [(0.3, 0.0, 0), (0.3, 33.0, 0), (-1.5, 0.0, 1)])
def test_a_bright_rectangle_is_paper_and_a_black_one_may_be_a_hole(dark: float, turn_deg: float, voids: int) -> None:
    turn = np.radians(turn_deg)
    y, x = np.mgrid[:160, :160] - 80.0
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    sheet = (np.abs(u) < 40) & (np.abs(v) < 22)
    streak = (np.abs(u) < 75) & (np.abs(v) < 10)
    found, judged = zip(patch(sheet, 0.6, 0.5, dark=dark), patch(sheet | streak, 0.5, 0.4, dark=dark), strict=True)
    assert sum(j.is_void for _, j in select(found, judged, 0.5)) == voids


def cut_across() -> np.ndarray:
    """Return the end of a strip of tape, cut off at a slant."""
    y, x = np.mgrid[:160, :160] - 80.0
    return np.asarray((np.abs(y) < 22) & (x > -40) & (x < 20 + 0.8 * y))


def with_a_notch() -> np.ndarray:
    """Return a label whose print runs out at one side."""
    y, x = np.mgrid[:160, :160] - 80.0
    return np.asarray((np.abs(y) < 22) & (np.abs(x) < 40) & ~((np.abs(x) < 4) & (y > 12)))


def torn() -> np.ndarray:
    """Return a piece of bark with teeth as long as a third of its width."""
    y, x = np.mgrid[:160, :160] - 80.0
    return np.asarray((np.abs(x) < 40) & (np.abs(y) < 22 - 8 * (np.floor(x / 6) % 2)))


@pytest.mark.parametrize(
    ("mask", "void"),
    [(cut_across(), False), (with_a_notch(), False), (torn(), True), (ellipse(40, 22), True)],
    ids=["tape", "label", "bark", "bright floor"],
)
def test_what_is_bright_and_cut_straight_is_a_sheet(mask: np.ndarray, void: bool) -> None:
    """A torn rim is not convex; an ellipse fills pi / 4 of its rectangle (Euclidean geometry)."""
    found, judged = zip(patch(mask, 0.7, 0.5, dark=0.3), strict=True)
    assert any(j.is_void for _, j in select(found, judged, 0.5)) is void


def test_pieces_that_are_joined_at_the_picture_s_border_stay_in_the_picture() -> None:
    left, right = np.zeros((40, 60), bool), np.zeros((40, 60), bool)
    left[:30, :28], right[:30, 31:] = True, True
    found, judged = zip(patch(left, 0.9, 0.5), patch(right, 0.9, 0.5), strict=True)
    ((joined, _),) = select(found, judged, 0.25)
    assert joined.cover.area_px > left.sum() + right.sum()
    assert min(joined.cover.corner) >= 0
    assert joined.cover.mask.shape[0] <= 40
    assert joined.cover.mask.shape[1] <= 60


def region(mask: np.ndarray, kind: Kind, corner: tuple[int, int] = (0, 0)) -> Region:
    area, outline = float(mask.sum()), np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    sizes = (area, Interval(area, area), 1.0, 1.0, 1.0, 1.0)
    return Region(mask, corner, outline, kind, 0.5, {kind: 1.0}, *sizes, False, 0.0, 0.0, {})


@pytest.mark.parametrize(
    ("kind", "along_mm", "told"),
    [(Kind.SEAM_GAP, 63.0, False), (Kind.CRACK, 55.0, False), (Kind.CRACK, 20.0, True), (Kind.BARK_VOID, 63.0, True)],
)
def test_a_crack_has_wood_on_both_sides(kind: Kind, along_mm: float, told: bool) -> None:
    """What follows the slab's outline over its whole length is the edge; bark does lie there."""
    found = replace(region(ellipse(60, 2), kind), length_mm=60.0, edge_opening_mm=along_mm)
    assert worth_telling(found) == told


@pytest.mark.parametrize(("area_mm2", "told"), [(0.5, False), (6.0, True)], ids=["a row of pores", "a hairline"])
def test_a_line_without_width_is_no_crack(area_mm2: float, told: bool) -> None:
    found = replace(region(ellipse(60, 2), Kind.CRACK), length_mm=20.0, edge_opening_mm=0.0, area_mm2=area_mm2)
    assert worth_telling(found) is told


@pytest.mark.parametrize("kind", [Kind.STAIN, Kind.SOUND_KNOT])
@pytest.mark.parametrize(
    ("area_mm2", "chance", "sigmas", "told"),
    [(90.0, 0.1, 9.0, True), (90.0, 0.1, 5.0, False), (90.0, 0.4, 5.0, True), (9.0, 0.1, 9.0, False)],
)
def test_a_fleck_or_what_has_the_slab_s_own_colours_is_not_told_unless_it_may_be_a_void(
    kind: Kind, area_mm2: float, chance: float, sigmas: float, told: bool
) -> None:
    found = replace(region(ellipse(60, 50), kind), area_mm2=area_mm2, void_probability=chance)
    assert worth_telling(replace(found, measures={"odd": float(np.log1p(sigmas))})) is told


@pytest.mark.parametrize(
    ("kind", "chance", "told"), [(Kind.STAIN, 0.02, False), (Kind.STAIN, 0.1, True), (Kind.SOUND_KNOT, 0.02, True)]
)
def test_a_small_stain_that_is_surely_no_void_is_not_told(kind: Kind, chance: float, told: bool) -> None:
    found = replace(region(ellipse(60, 50), kind), area_mm2=30.0, void_probability=chance)
    assert worth_telling(replace(found, measures={"odd": float(np.log1p(9.0))})) is told


def test_a_knot_is_looked_at_without_its_hole() -> None:
    knot, hole = region(ellipse(60, 50), Kind.SOUND_KNOT), region(ellipse(20, 15, 60), Kind.KNOT_HOLE, (50, 50))
    kept, same = without_holes([knot, hole], 1.0)
    assert same.mask is hole.mask
    assert not kept.mask[50:110, 50:110][ellipse(20, 15, 60)].any()
    # The hole with its wall of 1 px all around is gone, and no more than that.
    assert knot.mask.sum() - kept.mask.sum() == pytest.approx(np.pi * 21 * 16, rel=0.05)


def test_a_flat_thing_that_is_a_hole_s_rim_is_left_out() -> None:
    rim, hole = region(ellipse(24, 19), Kind.STAIN), region(ellipse(22, 17), Kind.KNOT_HOLE)
    assert np.pi * 24 * 19 * LEAST_LEFT > np.pi * (24 * 19 - 22 * 17)
    (kept,) = without_holes([rim, hole], 1.0)
    assert kept.kind is Kind.KNOT_HOLE


def test_the_longest_ways_of_several_skeletons_are_found_at_once() -> None:
    straight = np.array([[c, 3] for c in range(20)])
    crossed = np.array(
        sorted([*([c, 5] for c in range(11)), *([5, r] for r in range(2, 5))], key=lambda p: (p[1], p[0]))
    )
    alone = np.array([[7, 7]])
    ways = longest_paths([straight, crossed, np.empty((0, 2), int), alone])
    assert [len(way) for way in ways] == [20, 11, 0, 1]
    assert {tuple(ways[0][0]), tuple(ways[0][-1])} == {(0.0, 3.0), (19.0, 3.0)}


def test_a_wide_mask_has_the_spine_of_a_small_picture_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    # A stadium: two half discs of radius 60 at the ends of a straight 300 px, 420 px from tip to tip.
    y, x = np.mgrid[:140, :460]
    mask = np.hypot(x - np.clip(x, 80, 380), y - 70.0) < 60
    small = spine_length_px(mask)
    monkeypatch.setattr(measure, "SPINE_REACH_PX", np.inf)
    assert small == pytest.approx(spine_length_px(mask), rel=0.03)
    assert small == pytest.approx(420, rel=0.08)


def test_blocks_are_averaged_exactly() -> None:
    picture = np.random.default_rng(1).uniform(0, 1, (23, 31)).astype(np.float32)
    mean = picture[:20, :28].reshape(5, 4, 7, 4).mean(axis=(1, 3))
    assert block_mean(picture, 4) == pytest.approx(mean, rel=1e-5)


@pytest.mark.parametrize(
    ("length_mm", "area_mm2", "kind"),
    [(120, 300, Kind.CRACK), (120, 1400, Kind.BARK_VOID), (5, 8, Kind.HOLE)],
)
def test_no_crack_is_short_and_compact_or_wider_than_cracks_are(length_mm: float, area_mm2: float, kind: Kind) -> None:
    found, _ = patch(ellipse(60, 50), 0.9, 0.9)
    found.features.update({"log_length": np.log(length_mm), "log_area": np.log(area_mm2)})
    found.features["log_slender"] = np.log(length_mm**2 / area_mm2)
    chances = {Kind.CRACK: 0.6, Kind.BARK_VOID: 0.3, Kind.KNOT_HOLE: 0.1}
    told = by_form(found, Judgement(Kind.CRACK, 0.9, chances))
    assert told.kind is kind
    assert sum(told.kind_chances.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("length_mm", "area_mm2", "kind"),
    [(3.5, 9.0, Kind.HOLE), (9.0, 60.0, Kind.KNOT_HOLE), (40.0, 50.0, Kind.CRACK), (40.0, 300.0, Kind.BARK_VOID)],
)
def test_no_knot_or_bark_leaves_a_pinprick_or_a_slit(length_mm: float, area_mm2: float, kind: Kind) -> None:
    found, _ = patch(ellipse(50, 50), 0.9, 0.9)
    slender = np.log(length_mm**2 / area_mm2)
    found.features.update({"log_length": np.log(length_mm), "log_area": np.log(area_mm2), "log_slender": slender})
    called, rest = (Kind.BARK_VOID, Kind.CRACK) if length_mm > 10 else (Kind.KNOT_HOLE, Kind.HOLE)
    told = by_form(found, Judgement(called, 0.8, {called: 0.6, rest: 0.3, Kind.STAIN: 0.1}))
    assert told.kind is kind
    assert sum(told.kind_chances.values()) == pytest.approx(1.0)


def test_a_dark_spot_that_is_no_knot_hole_is_a_hole_and_no_crack_too_short_to_be_told() -> None:
    found, _ = patch(ellipse(50, 50), 0.9, 0.9)
    found.features.update({"log_length": np.log(3.3), "log_area": np.log(4.5), "log_slender": np.log(3.3**2 / 4.5)})
    told = by_form(found, Judgement(Kind.KNOT_HOLE, 0.95, {Kind.KNOT_HOLE: 0.6, Kind.CRACK: 0.3, Kind.HOLE: 0.05}))
    assert told.kind is Kind.HOLE


@pytest.mark.parametrize(("across_mm", "kind"), [(8.0, Kind.HOLE), (18.0, Kind.KNOT_HOLE)])
def test_no_beetle_bores_as_wide_as_a_knot(across_mm: float, kind: Kind) -> None:
    found, _ = patch(ellipse(50, 50), 0.9, 0.9)
    area_mm2 = np.pi / 4 * across_mm**2
    slender = np.log(across_mm**2 / area_mm2)
    found.features.update({"log_length": np.log(across_mm), "log_area": np.log(area_mm2), "log_slender": slender})
    chances = {Kind.HOLE: 0.5, Kind.KNOT_HOLE: 0.3, Kind.STAIN: 0.2}
    told = by_form(found, Judgement(Kind.HOLE, 0.8, chances))
    assert told.kind is kind
    assert sum(told.kind_chances.values()) == pytest.approx(1.0)
    assert told.kind_chances[Kind.STAIN] == pytest.approx(0.2)


@pytest.mark.parametrize(("around", "stays"), [(0.15, True), (0.6, False)])
def test_a_dot_on_a_stain_with_a_fainter_rim_is_a_hole(around: float, stays: bool) -> None:
    """What is hardly darker than a dark knot is a part of it; a stain fainter than a dot does not explain it."""
    stain = patch(ellipse(60, 30), 0.1, 0.9, Kind.STAIN, dark=-0.3, step=around)
    spot, judgement = patch(ellipse(7, 7), 0.9, 0.9, Kind.HOLE, dark=-0.5, step=0.3)
    found, judged = zip(stain, (replace(spot, source="dot"), judgement), strict=True)
    assert (Kind.HOLE in {j.kind for _, j in select(found, judged, 0.25)}) is stays


def test_a_crack_is_not_given_up_for_a_hole_that_its_pieces_are_joined_over() -> None:
    """The hole fits well and the crack badly, as thin things do; the web between the pieces goes over the hole."""
    rows, columns = np.mgrid[:160, :160] - 80
    halves = [
        (np.abs(rows) < 5) & (np.abs(columns - at) < 36) & (side * columns > 2) for side, at in ((-1, -37), (1, 37))
    ]
    pieces = [patch(half, 0.9, 0.2, Kind.CRACK) for half in halves]
    hole = patch(ellipse(2.6, 2.6), 0.95, 0.9, Kind.HOLE)
    found, judged = zip(*pieces, hole, strict=True)
    ((kept, judgement),) = select(found, judged, 0.25)
    assert judgement.kind is Kind.CRACK
    assert kept.cover.area_px > 1.9 * pieces[0][0].cover.area_px
