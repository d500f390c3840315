"""Quantities in words: shop units with metric beside, or metric alone; in functions and on the command line."""

import json

import pytest
from coat_jobs import two_coats, write_coats
from sheet_jobs import a_job
from typer.testing import CliRunner

from voidmap import shown
from voidmap.cli import app
from voidmap.errors import ValueRefused
from voidmap.records import Intake, Interval, Totals


@pytest.mark.parametrize(
    ("made", "shop", "metric"),
    [
        # NIST SP 811: 1 in = 25.4 mm, 1 US fl oz = 29.5735 ml, 1 in² = 645.16 mm², 1 ft² = 92 903 mm².
        (lambda: shown.length(34.925), "1 3/8 in (35 mm)", "35 mm"),
        (lambda: shown.length(9.525), "3/8 in (9.5 mm)", "9.5 mm"),
        (lambda: shown.length(2.4), "3/32 in (2.4 mm)", "2.4 mm"),
        (lambda: shown.volume(59.147), "2.0 fl oz (59 ml)", "59 ml"),
        (lambda: shown.volume(2.96), "0.10 fl oz (3.0 ml)", "3.0 ml"),
        (lambda: shown.area(1290.32), "2.0 in² (1290 mm²)", "1290 mm²"),
        (lambda: shown.area(929_030.4), "10.0 ft² (0.929 m²)", "0.929 m²"),
        (
            lambda: shown.area_with(929_030.4, Interval(9.2e5, 9.4e5)),
            "10.0 ft² (0.929 m², 0.920 to 0.940)",
            "0.929 m², 0.920 to 0.940",
        ),
        (lambda: shown.volume_with(5.9, Interval(4.0, 8.1)), "0.20 fl oz (5.9 ml, 4.0 to 8.1)", "5.9 ml, 4.0 to 8.1"),
        (lambda: shown.temperature(22.2), "72 °F (22 °C)", "22 °C"),
    ],
)
def test_both_ways(made, shop, metric):
    assert made() == shop
    with shown.shown_in("metric"):
        assert made() == metric
    assert made() == shop, "the choice ends with its block"


@pytest.mark.parametrize(
    ("count", "ml", "interval", "words"),
    [
        (0, 0.0, Interval(0.0, 3.2), "No void was found; what was missed may hold up to 3.2 ml"),
        (1, 1.4, Interval(0.1, 8.4), "1 void holds 1.4 ml, 0.1 to 8.4"),
        (16, 257.0, Interval(202.0, 327.0), "16 voids hold 257 ml, 202 to 327"),
    ],
)
def test_what_the_voids_hold_in_words(count, ml, interval, words):
    with shown.shown_in("metric"):
        assert shown.voids_hold(Totals(count, 0.0, ml, interval)) == words


def test_other_units_are_refused():
    with pytest.raises(ValueRefused, match="cubits"), shown.shown_in("cubits"):
        pass


def run(*arguments, **more):
    return CliRunner().invoke(app, [str(a) for a in arguments], **more)


def test_every_table_follows_the_choice(tmp_path):
    job = a_job(tmp_path / "desk")
    write_coats(job, two_coats())
    for command, *given in (["fill"], ["probe"], ["correct", "--note=D01=a", "--note=D01=b"]):
        shop = run(command, job.folder, *given[:1])
        metric = run(command, job.folder, *given[1:], "--units", "metric")
        assert shop.exit_code == metric.exit_code == 0, shop.stderr + metric.stderr
        table = [line for line in metric.stdout.splitlines() if "oz_per_ft2" not in line and "oz (US)" not in line]
        assert "fl oz" in shop.stdout, command
        assert "fl oz" not in "".join(table), "only values given in fl oz/ft² keep their unit"
        assert " ml" in "".join(table)
    said = run("correct", job.folder, "--note", "D01=again", env={"VOIDMAP_UNITS": "metric"})
    assert " in²" not in said.stdout


def test_results_do_not_depend_on_it(tmp_path):
    job = a_job(tmp_path / "desk")
    both = [run("fill", job.folder, "--json", "--units", u).stdout for u in shown.SYSTEMS]
    assert json.loads(both[0]) == json.loads(both[1])
    refused = run("fill", job.folder, "--units", "cubits")
    assert refused.exit_code == 2
    assert "say shop or metric" in refused.stderr


def test_no_chance_is_told_as_certain() -> None:
    told = [shown.chance(share) for share in (0.0, 0.004, 0.5, 0.99, 0.9999, 1.0)]
    assert told == ["under 1%", "under 1%", "50%", "99%", "over 99%", "over 99%"]


def test_a_call_that_is_rather_not_needed_is_told_as_the_safer() -> None:
    assert shown.call_right(0.98) == "chance that this is right: 98%"
    assert shown.call_right(0.3) == "the safer call; chance that it is needed: 30%"


def test_a_p_value_is_told_no_smaller_than_its_digits() -> None:
    assert [shown.p_value(p) for p in (0.0491, 0.001, 8e-14)] == ["p = 0.049", "p = 0.001", "p < 0.001"]


def test_the_map_follows_the_choice(tmp_path, monkeypatch):
    job = a_job(tmp_path / "desk")
    monkeypatch.setattr("voidmap.job.intake.take_in", lambda *_: job.read(Intake))
    shop, metric = (run("intake", job.folder, "a.jpg", "--units", units).stdout for units in shown.SYSTEMS)
    assert " in²" in shop
    assert " fl oz" in shop
    assert " in²" not in metric
    assert " mm²" in metric
    assert " fl oz" not in metric
