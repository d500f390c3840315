"""Mixing, coats, contradictions, purchases, methods and resin.toml, against arithmetic and handbook figures."""

from __future__ import annotations

import itertools
import math

import pytest
from fill_jobs import a_defect, a_desk, an_intake
from hypothesis import given
from hypothesis import strategies as st

from voidmap import units
from voidmap.errors import ValueRefused
from voidmap.fill import contradictions as clash
from voidmap.fill.coats import coated_mm2, film_mm, plan_coats, rate_fl_oz_per_ft2
from voidmap.fill.methods import suggest
from voidmap.fill.mixing import ScaleStep, parse_scale_step, portion, ratio_error
from voidmap.fill.plan import plan
from voidmap.fill.resin import Container, read_resin
from voidmap.fill.shopping import choose_containers
from voidmap.fill.values import write_template
from voidmap.records import Kind

USUAL = read_resin("")


# --- rates and films: 1 US gal = 231 in3 exactly (NIST SP 811 B.8, Handbook 44 App. C) ---------------------------


@pytest.mark.parametrize(
    ("rate", "mil", "mm"),
    [(1.0, 12.533, 0.3183), (3.0, 37.598, 0.9550), (768 / 77, 125.0, 3.175)],
)
def test_a_rate_is_a_film(rate, mil, mm):
    assert film_mm(rate) / units.MM_PER_MIL == pytest.approx(mil, abs=6e-4)
    assert film_mm(rate) == pytest.approx(mm, abs=6e-5)
    assert rate_fl_oz_per_ft2(film_mm(rate)) == pytest.approx(rate)


@pytest.mark.parametrize(
    ("mil", "printed"), [(5 / 0.65, 208.52), (16.0, 100.25), (100.0, 16.04), (1.5 / 0.52 / 0.7, 389.32)]
)
def test_spreading_rates_of_public_sheets(mil, printed):
    # Public spreading-rate sheets, worked with the rounded trade constant 1604 ft2·mil/gal
    rate = 128 / rate_fl_oz_per_ft2(mil * units.MM_PER_MIL)
    assert rate == pytest.approx(printed, rel=3e-4)


def test_coats_by_hand():
    # 1200 x 600 mm top: two live edges of 1200 mm (counted 1.5 times), two sawn ends of 600 mm, 45 mm high
    slab = an_intake([]).slab
    surface = 1200 * 600 + 45 * (1200 + 1.5 * 2400)
    assert coated_mm2(slab, USUAL) == pytest.approx(surface)
    coats, buy = plan_coats(slab, USUAL, ScaleStep(0.001, True), seal_coats=2)
    assert coats.seal_ml == pytest.approx(surface * 77 / 6144 * 25.4 / 1000)
    assert coats.flood_ml == pytest.approx(3 * coats.seal_ml)
    assert coats.first_seal_extra_ml == pytest.approx(2.4 * 10)
    assert coats.total_ml == pytest.approx(5 * coats.seal_ml + 24 + 3 * 3, abs=0.05)
    assert buy.buy_ml == pytest.approx(coats.total_ml * 1.1)


def test_a_large_coat_goes_into_several_cups():
    slab = an_intake([], size=(3200.0, 900.0)).slab
    coats, _ = plan_coats(slab, USUAL, ScaleStep(1.0, True))
    flood = coats.mixes[-1]
    assert flood.cups > 1
    assert flood.part_a_g + flood.part_b_g <= USUAL.coat.greatest_mass_g
    assert flood.mix_ml >= coats.flood_ml


# --- contradictions: the table of the trade's three statements ------------------------------------------------


def test_three_ounces_are_no_eighth_of_an_inch():
    said = clash.rate_against_thickness(3.0, 3.175)
    assert said is not None
    assert "0.955 mm" in said.sentence
    assert "3.17 mm" in said.sentence or "3.18 mm" in said.sentence
    assert "9.97 fl oz/ft²" in said.sentence
    assert clash.rate_against_thickness(3.0, 0.955) is None
    assert clash.rate_against_thickness(768 / 77, 3.175) is None


@pytest.mark.parametrize(
    ("land", "angle", "mil"),
    [
        (3.175, 90, 62.5),
        (3.175, 60, 54.13),
        (3.175, 45, 44.19),
        (3.175, 30, 31.25),
        (1.5875, 90, 83.33),
        (6.35, 90, 41.67),
    ],
)
def test_what_a_notched_trowel_lays(land, angle, mil):
    # depth x width / (width + land) x sin(angle): geometry, notation of TKB Briefing Note 6 (2007), 2.2
    laid = clash.trowel_film_mm(3.175, 3.175, land, angle)
    assert laid / units.MM_PER_MIL == pytest.approx(mil, abs=0.006)


def test_a_notch_is_not_its_depth():
    assert clash.trowel_against_thickness(3.175, 3.175, 3.175, 3.175, "the film") is not None
    # 2.5 to 5 fl oz/ft2 are within what a 1/8 in notch with equal lands can lay
    assert clash.trowel_against_thickness(3.175, 3.175, 3.175, film_mm(3.0), "the rate") is None
    wide = clash.trowel_against_thickness(6.35, 6.35, 3.175, film_mm(1.0), "the rate")
    assert wide is not None


def test_a_ratio_by_weight_is_not_one_by_volume():
    wrong = read_resin("[fill]\nratio_by_volume = [2, 1]\nratio_by_weight = [2, 1]").fill
    said = clash.ratio_weight_against_volume(wrong)
    assert said is not None
    assert "100:43.1" in said.sentence  # 100 x 1.00 / (2 x 1.16)
    right = read_resin("[fill]\nratio_by_volume = [2, 1]\nratio_by_weight = [100, 43]").fill
    assert clash.ratio_weight_against_volume(right) is None


def test_a_ratio_by_weight_alone_gives_the_one_by_volume():
    product = read_resin("[fill]\nratio_by_weight = [100, 43]").fill
    assert product.weight_ratio == pytest.approx(100 / 43)
    assert product.ratio_a / product.ratio_b == pytest.approx(100 / 1.16 / (43 / 1.0))


def test_fluid_ounces_are_not_ounces():
    # 1 fl oz at 1.10 g/ml weighs 32.5309 g = 1.14749 oz (from the exact factors of SP 811)
    assert units.ML_PER_FL_OZ * 1.10 / units.G_PER_OZ == pytest.approx(1.14749, abs=5e-6)
    label = Container("32 fl oz", 32 * units.ML_PER_FL_OZ, None, 32 * units.G_PER_OZ)
    said = clash.ounces_of_weight_for_fluid(label, 1.10)
    assert said is not None
    assert "36.7 oz" in said.sentence
    assert clash.ounces_of_weight_for_fluid(Container("1 qt", 946.35, None, 946.35 * 1.08), 1.10) is None


def test_us_and_imperial_measures():
    # US over imperial fl oz 1.04084; gallons 3.785411784 against 4.54609 l (SP 811 B.8)
    said = clash.us_against_imperial(16 * units.ML_PER_FL_OZ, 16 * units.ML_PER_IMPERIAL_FL_OZ)
    assert said is not None
    assert "473 ml" in said.sentence
    assert "455 ml" in said.sentence
    assert clash.us_against_imperial(units.ML_PER_GAL, units.ML_PER_IMPERIAL_GAL) is not None
    assert clash.us_against_imperial(500.0, 500.0) is None


def test_a_label_in_two_measures_that_disagree_is_named_in_the_plan():
    resin = read_resin('[fill]\ncontainers = [{ size = "1 gal", label_ml = 4546 }]')
    assert any("imperial" in said for said in plan(a_desk(), resin).contradictions)


def test_a_pour_deeper_than_allowed_and_coats_outside_their_window():
    assert clash.pour_against_depth(28.0, USUAL.fill, 1, "D01") is not None
    assert "3 lifts" in clash.pour_against_depth(28.0, USUAL.fill, 1, "D01").sentence
    assert clash.pour_against_depth(28.0, USUAL.fill, 3, "D01") is None
    assert "opens" in clash.coat_against_window(2.0, 4.0, 24.0).sentence
    assert "closes" in clash.coat_against_window(30.0, 4.0, 24.0).sentence
    assert clash.coat_against_window(12.0, 4.0, 24.0) is None


def test_the_plan_names_its_contradictions():
    text = '[coats]\nflood_thickness = "1/8 in"\ntrowel_notch_width = "1/8 in"\n'
    made = plan(a_desk(), read_resin(text), most_lifts=1, coat_every_h=1.0)
    said = " ".join(made.contradictions)
    for word in ("9.97 fl oz/ft²", "notch", "D03", "window opens"):
        assert word in said
    assert plan(a_desk(), USUAL).contradictions == ()


# --- working time ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "minutes"), [(24, 15), (34, 7.5), (29, 10.61), (14, 30)])
def test_working_time_halves_every_ten_degrees(celsius, minutes):
    # Four technical pages agree on halving per 10 °C; the figures are arithmetic
    assert USUAL.fill.working_time_at(celsius) == pytest.approx(minutes, abs=0.005)


# --- parts A and B ---------------------------------------------------------------------------------------------


@given(
    st.floats(0.5, 2000),
    st.sampled_from([(1, 1), (2, 1), (3, 1), (4, 1), (5, 1), (1, 2), (100, 43), (10, 3)]),
    st.sampled_from(["0.1g", "1g", "5g", "1ml", "10ml"]),
)
def test_rounding_never_moves_the_ratio_by_more_than_one_percent(mix_ml, ratio, step):
    product = read_resin(f"[fill]\nratio_by_volume = [{ratio[0]}, {ratio[1]}]").fill
    scale = parse_scale_step(step)
    cup = portion(product, mix_ml, scale)
    assert cup.ml >= mix_ml - 1e-6
    assert abs(ratio_error(product, cup)) <= 0.01 + 1e-9
    for part in (cup.a_g, cup.b_g) if scale.by_weight else (cup.a_ml, cup.b_ml):
        assert part / scale.step == pytest.approx(round(part / scale.step), abs=1e-6)


@pytest.mark.parametrize("mix_ml", [1.0, 7.3, 20.0, 55.0])
def test_no_smaller_whole_steps_would_do(mix_ml):
    product, scale = USUAL.fill, ScaleStep(1.0, True)
    cup = portion(product, mix_ml, scale)
    need_a, need_b = mix_ml * product.share_a * 1.16, mix_ml * (1 - product.share_a) * 1.0
    possible = [
        a + b
        for a, b in itertools.product(range(1, 130), range(1, 60))
        if a >= need_a - 1e-9 and b >= need_b - 1e-9 and abs(a / b / product.weight_ratio - 1) <= 0.01
    ]
    assert cup.g == pytest.approx(min(possible))


# --- what to buy -----------------------------------------------------------------------------------------------


@given(st.floats(10, 9000), st.lists(st.tuples(st.integers(1, 16), st.floats(1, 200)), min_size=1, max_size=3))
def test_containers_hold_enough_and_cost_least(need_ml, sizes):
    containers = [Container(str(k), quarts * 236.0, price) for k, (quarts, price) in enumerate(sizes)]
    chosen = choose_containers(need_ml, containers)
    assert sum(c.ml for c in chosen) >= need_ml - 1e-6
    most = [math.ceil(need_ml * 1.05 / c.ml) for c in containers]
    # Sizes are rounded down to a twentieth of the smallest, so the price is the least for a need 5 % larger.
    best = (
        min(
            sum(n * c.price for n, c in zip(counts, containers, strict=True))
            for counts in itertools.product(*(range(m + 1) for m in most))
            if sum(n * c.ml for n, c in zip(counts, containers, strict=True)) >= need_ml * 1.05
        )
        if math.prod(m + 1 for m in most) < 20_000
        else math.inf
    )
    assert sum(c.price for c in chosen) <= best + 1e-6


def test_the_shopping_list_has_a_cost():
    text = '[coat]\ncontainers = [{ size = "1 qt", price = 40.0 }, { size = "1 gal", price = 110.0 }]'
    made = plan(a_desk(), read_resin(text))
    assert made.coats.buy == ("2 x 1 qt",)
    assert made.coats.cost == 80.0


# --- methods: common practice, no source ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "width", "more", "method"),
    [
        (Kind.CRACK, 0.2, {}, "thin_resin"),
        (Kind.CRACK, 1.0, {}, "sawdust_glue"),
        (Kind.CRACK, 1.0, dict(edge=1.0), "tinted_resin"),
        (Kind.CRACK, 1.0, dict(deepest=20.0), "tinted_resin"),
        (Kind.CRACK, 1.0, dict(length=600.0), "tinted_resin"),
        (Kind.CRACK, 4.0, {}, "tinted_resin"),
        (Kind.SEAM_GAP, 0.2, {}, "thin_resin"),
        (Kind.HOLE, 0.8, dict(length=0.8), "thin_resin"),
        (Kind.HOLE, 3.0, dict(length=3.0), "tinted_resin"),
        (Kind.KNOT_HOLE, 20.0, {}, "tinted_resin"),
        (Kind.BARK_VOID, 60.0, dict(edge=100.0), "tinted_resin"),
        (Kind.BARK_VOID, 60.0, dict(edge=250.0, deepest=40.0, at=(600.0, 10.0)), "patch"),
        (Kind.STAIN, 60.0, {}, "leave"),
    ],
)
def test_methods_weigh_kind_width_depth_and_place(kind, width, more, method):
    shape = dict(at=(600.0, 300.0), length=100.0, mean=3.0, deepest=5.0) | more
    assert suggest(a_defect(1, kind, width=width, **shape), an_intake([]).slab)[0] == method


# --- resin.toml ------------------------------------------------------------------------------------------------


def test_the_template_reads_back_as_the_usual_values_all_assumed():
    assert read_resin(write_template()) == USUAL
    assert len(USUAL.assumed) > 40


def test_a_data_sheets_value_is_no_longer_assumed():
    text = write_template().replace(
        'greatest_pour_depth_mm = { value = 12, source = "assumed" }',
        'greatest_pour_depth_mm = { value = 25, source = "data sheet" }',
    )
    resin = read_resin(text)
    assert resin.fill.greatest_pour_depth_mm == 25
    assert len(resin.assumed) == len(USUAL.assumed) - 1
    assert not any("fill.greatest_pour_depth_mm" in line for line in resin.assumed)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[fill]\nworking_time_min = -3", "fill.working_time_min"),
        ("[fill]\nworking_time_min = true", "fill.working_time_min"),
        ('[fill]\nworking_time_min = "40"', "fill.working_time_min"),
        ("[fill]\nworking_time_min = nan", "fill.working_time_min"),
        ('[fill]\nworking_time_min = { value = 4, source = "a friend" }', "a friend"),
        ("[fill]\nworking_time_min = { valu = 4 }", "fill.working_time_min"),
        ("[fill]\nratio_by_volume = [2]", "fill.ratio_by_volume"),
        ("[fill]\nratio_by_volume = 2", "fill.ratio_by_volume"),
        ("[fill]\npot_life = 2", "fill.pot_life"),
        ("[glue]\nx = 2", "glue"),
        ("fill = 2", "fill"),
        ("[fill\n", "resin.toml"),
        ("[soak]\ncrack = [3, 1]", "soak.crack"),
        ('[coats]\nflood_thickness = "3"', "coats.flood_thickness"),
        ("[coats]\nflood_thickness = 3", "coats.flood_thickness"),
        ("[fill]\nrecoat_latest_h = 1", "recoat_latest_h"),
        ("[pigment]\nshare_percent = 9", "pigment.share_percent"),
        ('[fill]\ncontainers = [{ size = "32 oz" }]', "fl oz"),
        ('[fill]\ncontainers = [{ size = "1 qt", price = -1 }]', "price"),
        ("[fill]\ncontainers = 3", "fill.containers"),
        ("[soak]\ncontainers = [1]", "containers"),
    ],
)
def test_a_wrong_value_is_named_in_one_sentence(text, names):
    with pytest.raises(ValueRefused) as caught:
        read_resin(text)
    said = str(caught.value)
    assert names in said
    assert said.endswith(".")
    assert "\n" not in said
