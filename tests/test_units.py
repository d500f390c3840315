"""Shop units against NIST SP 811, pint and SciPy's constants, and what people type by mistake."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voidmap import units
from voidmap.errors import ValueRefused

# NIST SP 811 (2008), appendix B.8: the printed figures (SI), seven digits; bold ones are exact.
SP_811 = {
    "gallon (U.S.), m3": (units.ML_PER_GAL * 1e-6, 3.785412e-03),
    "fluid ounce (U.S.), m3": (units.ML_PER_FL_OZ * 1e-6, 2.957353e-05),
    "cubic inch, m3": (units.ML_PER_IN3 * 1e-6, 1.638706e-05),
    "square foot, m2": (units.MM2_PER_FT2 * 1e-6, 9.290304e-02),
    "square inch, m2": (units.MM2_PER_IN2 * 1e-6, 6.4516e-04),
    "inch, m": (units.MM_PER_IN * 1e-3, 2.54e-02),
    "foot, m": (units.MM_PER_FT * 1e-3, 3.048e-01),
    "mil (0.001 in), m": (units.MM_PER_MIL * 1e-3, 2.54e-05),
    "ounce (avoirdupois), kg": (units.G_PER_OZ * 1e-3, 2.834952e-02),
    "pound (avoirdupois), kg": (units.G_PER_LB * 1e-3, 4.535924e-01),
    "fluid ounce (U.K.), m3": (units.ML_PER_IMPERIAL_FL_OZ * 1e-6, 2.841306e-05),
    "gallon (U.K.), m3": (units.ML_PER_IMPERIAL_GAL * 1e-6, 4.54609e-03),
}


@pytest.mark.parametrize("name", SP_811)
def test_factors_are_those_of_sp_811(name):
    ours, printed = SP_811[name]
    assert ours == pytest.approx(printed, rel=3e-7)


def test_factors_agree_with_pint():
    pint = pytest.importorskip("pint")
    ureg = pint.UnitRegistry()
    for ours, unit, si in [
        (units.MM_PER_IN, "inch", "mm"),
        (units.MM_PER_FT, "foot", "mm"),
        (units.MM_PER_MIL, "thou", "mm"),  # pint's "mil" is an angle
        (units.MM2_PER_FT2, "foot**2", "mm**2"),
        (units.ML_PER_IN3, "inch**3", "ml"),
        (units.ML_PER_GAL, "gallon", "ml"),
        (units.ML_PER_QT, "quart", "ml"),
        (units.ML_PER_PT, "pint", "ml"),
        (units.ML_PER_CUP, "cup", "ml"),
        (units.ML_PER_FL_OZ, "fluid_ounce", "ml"),
        (units.ML_PER_IMPERIAL_FL_OZ, "imperial_fluid_ounce", "ml"),
        (units.ML_PER_IMPERIAL_GAL, "imperial_gallon", "ml"),
        (units.G_PER_OZ, "ounce", "g"),
        (units.G_PER_LB, "pound", "g"),
    ]:
        assert ours == pytest.approx(ureg.Quantity(1, unit).to(si).magnitude, rel=1e-14)


def test_factors_agree_with_scipy():
    from scipy import constants

    assert pytest.approx(constants.fluid_ounce * 1e6, rel=1e-14) == units.ML_PER_FL_OZ
    assert pytest.approx(constants.gallon * 1e6, rel=1e-14) == units.ML_PER_GAL
    assert pytest.approx(constants.mil * 1e3, rel=1e-14) == units.MM_PER_MIL
    assert pytest.approx(constants.oz * 1e3, rel=1e-14) == units.G_PER_OZ


def test_one_ounce_a_square_foot_is_a_film_of_12_533_mil():
    # 77/6144 in exactly: 231/128 in3 over 144 in2 (US gallon = 231 in3, NIST Handbook 44, appendix C)
    assert pytest.approx(77 / 6144 * 25.4, rel=1e-12) == units.MM_PER_FL_OZ_FT2
    assert pytest.approx(0.318327, abs=5e-7) == units.MM_PER_FL_OZ_FT2


def test_the_1604_rule():
    # Trade figure 1604 ft2·mil/gal; exactly 9625/6
    exact = units.ML_PER_GAL * units.MM3_PER_ML / (units.MM2_PER_FT2 * units.MM_PER_MIL)
    assert exact == pytest.approx(9625 / 6, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("12mm", 12),
        ("3.2m", 3200),
        ("3/8 in", 9.525),
        ('1½"', 38.1),
        ("1-3/4 in", 44.45),
        ("1' 2 1/2\"", 368.3),
        ("5′ 3″", 1600.2),
        ("1ft 2½in", 368.3),
        ("6'", 1828.8),
        ("10 inches", 254),
        ("2 feet", 609.6),
        ("10 mils", 0.254),
        ("0mm", 0),
        (" 99.6 MM ", 99.6),
        ("4 cm", 40),
        ("⅜in", 9.525),
        ("1\N{FRACTION SLASH}2 in", 12.7),
    ],
)
def test_lengths_as_typed(text, mm):
    assert units.parse_length_mm(text) == pytest.approx(mm, rel=1e-15)


@pytest.mark.parametrize(
    "text",
    [
        *("12", "-3mm", "−3 mm", "1,5 mm", "1,200 mm", "3/0 in", "1 9/8 in", "11/2 in", "1.5 1/2 in", "3 8", ""),
        *("mm", "12 kg", "nan mm", "inf mm", "1e3mm", "12 mm 3", "2 ft2", "5' 13\"", "2 1/2' 3\"", "٣٫٥"),
        "9" * 400 + "mm",
        "12 mm\n; 3",
    ],
)
def test_what_is_no_length_is_refused_in_one_sentence(text):
    with pytest.raises(ValueRefused) as caught:
        units.parse_length_mm(text)
    said = str(caught.value)
    assert said.endswith(".")
    assert len(said) < 200


@pytest.mark.parametrize(
    ("text", "ml"),
    [
        ("250ml", 250),
        ("1.5 L", 1500),
        ("8 fl oz", 236.5882365),
        ("8 fl. oz.", 236.5882365),
        ("16 fluid ounces", 473.176473),
        ("1 qt", 946.352946),
        ("2 cups", 473.176473),
        ("1/2 gal", 1892.705892),
        ("2 imp fl oz", 56.826125),
        ("1 cu in", 16.387064),
    ],
)
def test_volumes_as_typed(text, ml):
    assert units.parse_volume_ml(text) == pytest.approx(ml, rel=1e-14)


@pytest.mark.parametrize("text", ["8 oz", "8oz", "8 ounces", "8 imp oz"])
def test_an_ounce_that_may_be_a_weight_is_no_volume(text):
    with pytest.raises(ValueRefused, match="fl oz"):
        units.parse_volume_ml(text)


def test_a_fluid_ounce_is_no_weight():
    assert units.parse_mass_g("1 oz") == pytest.approx(28.349523125, rel=1e-15)
    with pytest.raises(ValueRefused, match="volume"):
        units.parse_mass_g("1 fl oz")


def test_temperatures_need_their_scale():
    assert units.parse_temperature_c("75F") == pytest.approx((75 - 32) / 1.8)
    assert units.parse_temperature_c("24 °C") == 24
    assert units.parse_temperature_c("-40F") == pytest.approx(units.parse_temperature_c("-40C"))
    for text in ("24", "24 K", "-500F", "warm", "-300C"):
        with pytest.raises(ValueRefused):
            units.parse_temperature_c(text)


def test_areas_masses_and_times():
    assert units.parse_area_mm2("12 sq. ft.") == pytest.approx(1_114_836.48)
    assert units.parse_area_mm2("0.8 m²") == pytest.approx(800_000)
    assert units.parse_mass_g("2 lbs") == pytest.approx(907.18474)
    assert units.parse_time_h("90 min") == pytest.approx(1.5)
    assert units.parse_time_h("2 days") == 48


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (0, "0 in"),
        (0.3, "under 1/16 in"),
        (9.525, "3/8 in"),
        (44.45, "1 3/4 in"),
        (25.4, "1 in"),
        (1600.2, "63 in"),
        (3048, "10 ft"),
        (3670.3, "12 ft 1/2 in"),
    ],
)
def test_shop_lengths(mm, said):
    assert units.shop_length(mm) == said


@given(st.floats(0, 20_000))
def test_a_shop_length_reads_back_within_half_a_step(mm):
    for denominator in (16, 32):
        said = units.shop_length(mm, denominator)
        back = 0.0 if said.startswith("under") else units.parse_length_mm(said)
        assert abs(back - mm) <= units.MM_PER_IN / denominator / 2 + 1e-6


@given(st.text(max_size=60))
def test_any_text_is_a_value_or_a_refusal(text):
    for parse in (
        units.parse_length_mm,
        units.parse_area_mm2,
        units.parse_volume_ml,
        units.parse_mass_g,
        units.parse_time_h,
    ):
        try:
            value = parse(text)
        except ValueRefused:
            continue
        assert value >= 0


def test_volumes_and_areas_in_words():
    assert units.shop_volume(35) == "1.2 fl oz"
    assert units.shop_volume(10) == "0.34 fl oz"
    assert units.shop_volume(2 * units.ML_PER_GAL) == "2.00 gal"
    assert units.shop_area(12 * units.MM2_PER_FT2) == "12.0 ft²"
    assert units.shop_area(3 * units.MM2_PER_IN2) == "3.0 in²"
    assert units.shop_temperature(24) == "75 °F"
