"""Fit the small model that tells a void's mouth from a bend of the edge (voidmap/surface/runs_on.py).

    python benchmarks/train_mouths.py FOLDER [FOLDER ...]     simulated slabs, made before by make_slabs.py
    ... --views 3                                             with photos NAME-b and NAME-c: what parallax adds

The outline is found on each NAME-a.jpg as the program finds it. Every strip beside the top that is wider than usual is
measured, and is right when most of it lies within the true top. The model is a logistic one of the figures and their
squares, with a slight pull of its weights to nothing (a Gaussian prior on standardized figures). It prints what stands
in runs_on.py under the same names, the range of what it has learned from, and how well strips are told apart on slabs
that were left out, a twentieth at a time; then what is best added to the model that stands, and to its part of the
looks. With more views the weights stay, and it fits what is added to their log odds for the strip's mean nats
(``HEIGHT_BIAS`` and ``HEIGHT_WEIGHT``). Last comes how the strips that were chosen and left undecided fare
(``LEFT_BIAS`` and ``LEFT_WEIGHT``, of both ways). Run it again when the outline's reading (tops_end) or the strips'
measures change: about 3 s a photo.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np

from voidmap.depth.heights import heights_of
from voidmap.files import load_photos
from voidmap.scale import is_long_top, rectify, solve_planes
from voidmap.surface import bays, find_slab, outline
from voidmap.surface.band import ACROSS_MM, ALONG_MM, lay_band
from voidmap.surface.bays import bridge_bays, smooth_top, wider_runs
from voidmap.surface.covered import fill_polygons
from voidmap.surface.edge_bays import LEAST_MM2
from voidmap.surface.mouth_looks import FIGURES, looks_of
from voidmap.surface.runs_on import FARTHEST, MEAN, SPREAD, height_of, log_odds
from voidmap.surface.sawn import sawn_bays

# A strip is right when over this share of what it would add lies within the true top.
RIGHT_SHARE = 0.6
# A strip counts by what it would add, up to this: large ones matter, but there are few of them.
MOST_MM2 = 1000.0
# Strips are fitted to from this area on; those left undecided are followed from this chance on.
LEAST_SEEN_MM2, LEFT_FROM = 60.0, 0.05
# Slabs are left out in so many parts.
PARTS = 20
# So many of the last figures are of the strip's looks.
LOOKS = 2
# The prior's precision, for figures of spread 1 and strips of half of the most area.
PRIOR = 1.0


@dataclass(frozen=True, eq=False)
class Strips:
    """Wider strips: figures (N, 9), whether each is right (N,), how much it would add (N,) mm2, mean nats (N,).

    ``left`` (M, 2) are chances of those that were chosen and left undecided, and whether each is right.
    """

    looks: np.ndarray
    right: np.ndarray
    area_mm2: np.ndarray
    nats: np.ndarray
    left: np.ndarray


def strips_of(photo: Path, views: int) -> Strips:
    """Find the outline on a photo and measure every wider strip against the true top."""
    truth = json.loads(photo.with_suffix(".json").read_text())
    beside = [photo.with_name(photo.name.replace("-a.", f"-{k}.")) for k in "abc"[:views]]
    photos = load_photos([path for path in beside if path.exists()])
    planes = solve_planes(photos, lens=None, reference=truth.get("reference", "boards"))
    plane = planes[0]
    heights = None if is_long_top(planes) else heights_of(photos, planes)
    with (
        patch.object(outline, "lay_band", wraps=lay_band) as laid,
        patch.object(outline, "bridge_bays", wraps=bridge_bays) as bridged,
    ):
        find_slab(rectify(photos[0], plane), plane.patterns_mm, heights)
    small = laid.call_args.args[0]
    band, top_mm, side_mm, in_photo = bridged.call_args.args
    top_mm = smooth_top(top_mm)
    true = fill_polygons(small, [plane.to_mm(np.array(truth["slab"]["outline_px"], dtype=float))]) & small.valid
    true_mm = band.offsets_mm[0] + ACROSS_MM * (band.at(true).sum(axis=1) - 0.5)
    rows, left = [], []

    def share_right(rows: np.ndarray, natural: np.ndarray) -> tuple[float, float]:
        added = np.maximum(natural - top_mm[rows], 0.0).sum()
        within = np.maximum(np.minimum(natural, true_mm[rows]) - top_mm[rows], 0.0).sum()
        return within / max(added, 1e-9), added * ALONG_MM

    sawn = [bay.rows for bay in sawn_bays(band, top_mm)]
    for run, ends in wider_runs(band, side_mm - top_mm):
        # Where a saw's line runs over a bay, nothing is asked.
        seen = None if np.isin(run, np.concatenate([[], *sawn])).any() else looks_of(top_mm, side_mm, run, ends, band)
        if seen is not None:
            looks, natural = seen
            share, area = share_right(run, natural)
            nats = height_of(band, run, top_mm[run], natural)
            rows.append((*looks, share > RIGHT_SHARE, area, np.nan if nats is None else nats))
    with patch.object(bays, "POSSIBLE", LEFT_FROM):
        for mouth in bridge_bays(band, top_mm, side_mm, in_photo).undecided:
            share, area = share_right(mouth.rows, mouth.natural_mm)
            if area >= LEAST_MM2:
                left.append((mouth.chance, share > 0.5))
    table = np.array(rows, dtype=float).reshape(-1, len(FIGURES) + 3)
    return Strips(table[:, :-3], table[:, -3], table[:, -2], table[:, -1], np.array(left, dtype=float).reshape(-1, 2))


@dataclass(frozen=True, eq=False)
class Model:
    """Mean and spread (9,) of the figures, and the weights (19,): bias, figures, their squares."""

    mean: np.ndarray
    spread: np.ndarray
    weights: np.ndarray

    def known(self, looks: np.ndarray) -> np.ndarray:
        """Return what the weights apply to, (N, 19)."""
        z = np.clip((looks - self.mean) / self.spread, -FARTHEST, FARTHEST)
        return np.column_stack([np.ones(len(z)), z, z * z])

    def chances(self, looks: np.ndarray) -> np.ndarray:
        """Return each strip's chance (N,) of being right."""
        return np.asarray(1.0 / (1.0 + np.exp(-(self.known(looks) @ self.weights))))


def fit(looks: np.ndarray, right: np.ndarray, weight: np.ndarray) -> Model:
    """Return the likeliest logistic model under the prior (Newton's method)."""
    count = looks.shape[1]
    model = Model(looks.mean(axis=0), looks.std(axis=0), np.zeros(2 * count + 1))
    known = model.known(looks)
    prior = np.diag([0.0, *[PRIOR] * (2 * count)])
    for _ in range(50):
        chance = model.chances(looks)
        bend = (known * (weight * chance * (1 - chance))[:, None]).T @ known + prior
        step = np.linalg.solve(bend, known.T @ (weight * (right - chance)) - prior @ model.weights)
        model = replace(model, weights=model.weights + step)
    return model


def fit_beside(odds: np.ndarray, known: np.ndarray, right: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return what is best added to log odds (N,), as weights (k,) of known figures (N, k), and their 1 sigma."""
    model = np.zeros(known.shape[1])
    for _ in range(50):
        chance = 1.0 / (1.0 + np.exp(-(odds + known @ model)))
        bend = (known * (weight * chance * (1 - chance))[:, None]).T @ known
        model = model + np.linalg.solve(bend, known.T @ (weight * (right - chance)))
    return model, np.sqrt(np.diag(np.linalg.inv(bend)))


def told_apart(chance: np.ndarray, right: np.ndarray) -> float:
    """Return how often a right strip is likelier than a wrong one (the area under the ROC curve)."""
    steps = np.sign(chance[right > 0, None] - chance[None, right == 0])
    return float(0.5 + 0.5 * steps.mean())


def report(slabs: list[Strips]) -> None:
    """Fit to all slabs, and without each part of them, and print both."""
    looks, right, area = (np.concatenate([getattr(s, name) for s in slabs]) for name in ("looks", "right", "area_mm2"))
    owner = np.repeat(np.arange(len(slabs)), [len(s.right) for s in slabs]) % PARTS
    enough = area >= LEAST_SEEN_MM2
    looks, right, area, owner = looks[enough], right[enough], area[enough], owner[enough]
    weight = np.minimum(area, MOST_MM2) / (MOST_MM2 / 2)
    model = fit(looks, right, weight)
    fits, held = [], np.empty(len(right))
    for part in np.unique(owner):
        own = owner == part
        fits.append(fit(looks[~own], right[~own], weight[~own]))
        held[own] = fits[-1].chances(looks[own])
    doubt = np.sqrt((len(fits) - 1) * np.var([f.weights for f in fits], axis=0))
    count = len(FIGURES)
    print(f"{len(right)} strips of {len(slabs)} slabs, {int(right.sum())} of them within the true top")
    for name, values in (
        ("MEAN", model.mean),
        ("SPREAD", model.spread),
        ("BIAS", model.weights[:1]),
        ("WEIGHTS", model.weights[1 : count + 1]),
        ("SQUARES", model.weights[count + 1 :]),
    ):
        print(f"{name} = ({', '.join(f'{v:.2f}' for v in values)})")
    print(f"  1 sigma over slabs (jackknife): {doubt.round(2).tolist()}")
    for k, name in enumerate(FIGURES):
        low, middle, high = np.percentile(looks[:, k], (0, 50, 100))
        print(f"  {name:20s} {low:6.2f} {middle:6.2f} {high:6.2f}   (least, middle, greatest)")
    print(f"slabs left out: told apart (AUC) {told_apart(held, right):.3f}")
    print("  chance given, right (both by area), strips")
    for low in np.arange(0.0, 1.0, 0.2):
        own = (held >= low) & (held < low + 0.2)
        if own.any():
            given, true = (np.average(v[own], weights=weight[own]) for v in (held, right))
            print(f"  {given:.2f}  {true:.2f}  {own.sum()}")


def report_standing(slabs: list[Strips]) -> None:
    """Fit what is best added to the model that stands: a bias, a share of its log odds, and weights of the looks."""
    looks, right, area = (np.concatenate([getattr(s, name) for s in slabs]) for name in ("looks", "right", "area_mm2"))
    enough = area >= LEAST_SEEN_MM2
    odds = np.array([log_odds(figures) for figures in looks[enough]])
    own = np.clip((looks[enough, -LOOKS:] - MEAN[-LOOKS:]) / SPREAD[-LOOKS:], -FARTHEST, FARTHEST)
    weight = np.minimum(area[enough], MOST_MM2) / (MOST_MM2 / 2)
    model, doubt = fit_beside(odds, np.column_stack([np.ones(len(odds)), odds, own]), right[enough], weight)
    print(f"beside the model that stands: {model.round(2).tolist()}, 1 sigma {doubt.round(2).tolist()}")


def report_beside(slabs: list[Strips]) -> None:
    """Fit what parallax adds, where there is any, and what is left of the chances of the undecided."""
    looks, right, area, nats = (
        np.concatenate([getattr(s, name) for s in slabs]) for name in ("looks", "right", "area_mm2", "nats")
    )
    seen = np.isfinite(nats) & (area >= LEAST_SEEN_MM2)
    if seen.any():
        odds = np.array([log_odds(figures) for figures in looks[seen]])
        known = np.column_stack([np.ones(seen.sum()), nats[seen]])
        weight = np.minimum(area[seen], MOST_MM2) / (MOST_MM2 / 2)
        model, doubt = fit_beside(odds, known, right[seen], weight)
        both = told_apart(odds + known @ model, right[seen])
        print(f"HEIGHT_BIAS, HEIGHT_WEIGHT = {model.round(2).tolist()}, 1 sigma {doubt.round(2).tolist()}")
        print(f"  told apart (AUC) {told_apart(odds, right[seen]):.3f} without parallax, {both:.3f} with it")
    chance, true = np.concatenate([s.left for s in slabs]).T
    known = np.column_stack([np.ones(len(chance)), np.log(chance / (1 - chance))])
    model, doubt = fit_beside(np.zeros(len(chance)), known, true, np.ones(len(chance)))
    print(f"left undecided: {len(chance)}, voids by their chances {chance.sum():.1f}, in truth {int(true.sum())}")
    print(f"LEFT_BIAS, LEFT_WEIGHT = {model.round(2).tolist()}, 1 sigma {doubt.round(2).tolist()}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="+")
    ask.add_argument("--views", type=int, default=1, choices=(1, 2, 3))
    given = ask.parse_args()
    cv2.setNumThreads(1)
    slabs = []
    for photo in sorted(p for folder in given.folders for p in folder.glob("*-a.jpg")):
        slabs.append(strips_of(photo, given.views))
        print(photo.stem, len(slabs[-1].right), int(slabs[-1].right.sum()), flush=True)
    report(slabs)
    report_standing(slabs)
    report_beside(slabs)


if __name__ == "__main__":
    main()
