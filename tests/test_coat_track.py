"""Sites followed from coat to coat: numbers kept for life, ambiguity named, hidden and faint apart from closed."""

from dataclasses import replace

import numpy as np
import pytest
from coat_records import coat, pinhole

from voidmap.coat.track import assign, same_place_sigma, sites_of, track

FIELD_MM = (480.0, 360.0)


def everywhere(places):
    return np.ones(len(places), bool)


def first_coat(places, *, sizes=None):
    sizes = np.full(len(places), 0.7) if sizes is None else sizes
    rows = enumerate(zip(places, sizes, strict=True), start=1)
    return coat(1, [pinhole(n, x, y, d=d) for n, ((x, y), d) in rows])


def unnamed(places):
    return [replace(pinhole(n, x, y), site="", state="") for n, (x, y) in enumerate(places, start=1)]


@pytest.mark.parametrize("count", [50, 800, 5000])
def test_sites_are_matched_right(count):
    # A third stay, moved by the reading's own error; a share of new ones falls anywhere. Bar: 98 of 100 right.
    rng = np.random.default_rng(count)
    old = rng.uniform((0, 0), FIELD_MM, (count, 2))
    stay = rng.random(count) < 0.33
    moved = old[stay] + rng.normal(0, 0.12, (int(stay.sum()), 2))
    fresh = rng.uniform((0, 0), FIELD_MM, (count // 8, 2))
    order = rng.permutation(len(moved) + len(fresh))
    here = np.concatenate([moved, fresh])[order]
    true = np.concatenate([np.flatnonzero(stay), np.full(len(fresh), -1)])[order]
    found = track(unnamed(here), [first_coat(old)], residual_mm=0.05, is_seen=everywhere, mm_per_px=0.12)
    named = np.array([int(p.site[1:]) - 1 for p in found.pinholes])
    kept = true >= 0
    assert np.mean(named[kept] == true[kept]) >= 0.98
    assert np.mean(named[~kept] >= count) >= 0.98 - count * np.pi * 0.4**2 / np.prod(FIELD_MM)


def test_twenty_thousand_are_assigned_at_once():
    rng = np.random.default_rng(3)
    old = rng.uniform((0, 0), (3000, 900), (20_000, 2))
    here = old[::-1] + rng.normal(0, 0.1, old.shape)
    match, _ = assign(here, old, np.full(len(here), 0.15), np.full(len(old), 0.35), len(old) / 2.7e6)
    assert np.mean(match == np.arange(len(old))[::-1]) > 0.995


def test_order_of_the_pinholes_does_not_matter():
    rng = np.random.default_rng(8)
    old = rng.uniform((0, 0), (40, 40), (120, 2))
    here = old + rng.normal(0, 0.15, old.shape)
    turn = rng.permutation(len(here))
    straight = track(unnamed(here), [first_coat(old)], residual_mm=0.1, is_seen=everywhere)
    turned = track(unnamed(here[turn]), [first_coat(old)], residual_mm=0.1, is_seen=everywhere)
    kept = {(p.x_mm, p.y_mm): p.site for p in straight.pinholes if p.state == "kept"}
    assert kept == {(p.x_mm, p.y_mm): p.site for p in turned.pinholes if p.state == "kept"}


def test_a_pinhole_between_two_sites_is_uncertain():
    old = np.array([[100.0, 100.0], [100.6, 100.0]])
    found = track(unnamed([(100.3, 100.0)]), [first_coat(old)], residual_mm=0.1, is_seen=everywhere, area_mm2=1e5)
    assert found.pinholes[0].state == "uncertain"
    assert found.pinholes[0].site in {"S001", "S002"}
    assert len(found.closed) == 1


def test_hidden_and_faint_sites_are_not_called_closed():
    first = first_coat(np.array([[10.0, 10.0], [200.0, 10.0], [300.0, 10.0]]), sizes=[0.9, 0.9, 0.2])
    curve = ((0.1, 0.0), (0.3, 0.2), (0.5, 0.9), (1.0, 1.0))
    found = track([], [first], residual_mm=0.05, is_seen=lambda p: p[:, 0] > 100, curve=curve)
    assert {c.site: c.seen for c in found.closed} == {"S001": False, "S002": True, "S003": False}
    assert {c.site: c.in_view for c in found.closed} == {"S001": False, "S002": True, "S003": True}


def test_numbers_are_kept_for_life_over_a_coat_that_did_not_see_them():
    first = first_coat(np.array([[10.0, 10.0], [200.0, 10.0]]))
    gone = track([], [first], residual_mm=0.05, is_seen=lambda p: p[:, 0] > 100, mm_per_px=0.1)
    second = coat(2, gone.pinholes, closed=gone.closed)
    assert {s.name: s.standing for s in sites_of([first, second])} == {"S001": "unseen", "S002": "closed"}
    # Coat 3 was not photographed: coat 4 finds the hidden one again, a closed one opened, and a new one.
    here = [(10.05, 10.0), (200.0, 10.05), (50.0, 90.0)]
    fourth = track(unnamed(here), [first, second], residual_mm=0.05, is_seen=everywhere, mm_per_px=0.1)
    assert [p.site for p in fourth.pinholes] == ["S001", "S002", "S003"]
    assert fourth.closed == ()


def test_the_gate_grows_with_the_residual_and_shrinks_with_the_density():
    old = np.array([[100.0, 100.0]])
    aside = unnamed([(100.9, 100.0)])

    def state(residual_mm, area_mm2):
        return track(aside, [first_coat(old)], residual_mm=residual_mm, is_seen=everywhere, area_mm2=area_mm2)

    assert state(0.05, 1e3).pinholes[0].site == "S002"
    assert state(0.8, 1e3).pinholes[0].site == "S001"
    assert state(0.8, 2.0).pinholes[0].site == "S002"
    assert np.all(np.diff(same_place_sigma(0.1, 0.1, np.array([0.3, 1.0, 3.0]))) > 0)
