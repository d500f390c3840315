"""Fit the odds by which doubtful lines are judged again (voidmap/surface/doubtful.py).

    python benchmarks/train_doubtful.py FOLDER [FOLDER ...] --cache FILE     simulated slabs, made by make_slabs.py

On every photo NAME-[abc].jpg the lines that are neither nothing nor sure by their figures (``CHANCES``) are followed
past their ends; a line is a crack when most of it lies on true voids. The model is a logistic one of the six things
that doubtful.py names, without a prior. Photos of one slab show the same cracks: slabs are drawn anew for the spread of
the coefficients (bootstrap), and left out, a tenth at a time, to say how well the odds hold. It prints what stands in
doubtful.py under the same names, and of those lines that would be called how many are cracks. Run it again when lines
are traced or judged in another way: about 8 s a photo.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
from kind_rows import NEAR_PX
from scenes import laid_out, outlines, overlap, raster
from scipy.optimize import minimize

from voidmap.errors import CantTell
from voidmap.surface import find_regions, regions
from voidmap.surface.doubtful import (
    BLUE,
    BORDER,
    CALL,
    LEAST_FOLLOWED_MM,
    LENGTH,
    MOST_DOUBTFUL,
    ONWARD,
    OVERLAP,
    OWN,
    START,
    doubtful_lines,
    is_line,
)
from voidmap.surface.follow import path_of
from voidmap.surface.in_line import joined_in_line
from voidmap.surface.nested import shared
from voidmap.surface.reach import DOUBTFUL, past_ends

NAMES = ("START", "OWN", "ONWARD", "LENGTH", "BLUE", "BORDER")
SHIPPED = np.array([START, OWN, ONWARD, LENGTH, BLUE, BORDER])
# Lines of a chance in between are fitted to: the rest is settled by its figures.
CHANCES = (0.03, 0.93)
# A line is a crack when this share of its cover lies on true voids, each grown by ``NEAR_PX``.
ON_VOID = 0.5
# Slabs are left out in so many parts, and drawn anew so many times.
PARTS, DRAWS = 10, 200


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines of all photos: what the odds count (N, 6), is it a crack (N,), its slab (N,), would it be asked (N,)."""

    known: np.ndarray
    crack: np.ndarray
    slab: np.ndarray
    asked: np.ndarray


def lines_of(photo: Path) -> list[list[float]]:
    """Return the lines of one photo: the six things that the odds count, is it a crack, would it be asked."""
    truth = json.loads(photo.with_suffix(".json").read_text())
    try:
        ortho, slab, plane = laid_out(cv2.imread(str(photo)), truth)
    except CantTell:
        return []
    with patch.object(regions, "joined_in_line", wraps=joined_in_line) as joined:
        find_regions(ortho, slab, plane)
    if joined.call_args is None:
        return []
    looked, called, judged = joined.call_args.args
    size = 2 * NEAR_PX + 1
    drawn = [raster(ortho, *outlines(f, plane)) for f in truth["features"] if f["is_void"] and len(f["outline_px"]) > 2]
    voids = [(cv2.dilate(true.astype(np.uint8), np.ones((size, size))) > 0, at) for true, at in drawn]
    doubtful = doubtful_lines(called, judged)
    asked = {id(found) for found, _ in doubtful} if len(doubtful) <= MOST_DOUBTFUL else set()
    covers = [(id(found), found.cover) for found, judgement in called if judgement.is_void]
    lines = [
        (found, judgement.void_probability)
        for found, judgement in filter(is_line, judged)
        if CHANCES[0] <= judgement.void_probability <= CHANCES[1]
        and all(own == id(found) or shared(found.cover, cover) <= OVERLAP for own, cover in covers)
    ]
    onward = past_ends([path_of(found) - looked.corner for found, _ in lines], looked.evened, DOUBTFUL)
    rows = []
    for (found, chance), ends in zip(lines, onward, strict=True):
        on_void = sum(overlap(found.cover.mask, found.cover.corner, *void) for void in voids) / found.cover.mask.sum()
        onward_mm = sum(map(len, ends)) * ortho.mm_per_px
        figures = found.features
        known = [1.0, math.log(chance / (1.0 - chance)), math.log1p(onward_mm)]
        known += [figures["log_length"], figures["blue"], figures["at_border"]]
        long = math.exp(figures["log_length"]) + onward_mm >= LEAST_FOLLOWED_MM
        rows.append([*known, float(on_void > ON_VOID), float(id(found) in asked and long)])
    return rows


def all_lines(folders: list[Path], cache: Path | None) -> Lines:
    """Return the lines of all photos in the folders, from the cache where it has them."""
    kept: dict[str, list[list[float]]] = json.loads(cache.read_text()) if cache and cache.exists() else {}
    photos = sorted(photo for folder in folders for photo in folder.glob("*-[abc].jpg"))
    for photo in photos:
        if photo.stem not in kept:
            kept[photo.stem] = lines_of(photo)
            print(photo.stem, len(kept[photo.stem]), flush=True)
            if cache:
                cache.write_text(json.dumps(kept))
    rows = np.array([row for photo in photos for row in kept[photo.stem]]).reshape(-1, len(NAMES) + 2)
    slab = np.array([photo.stem[:-2] for photo in photos for _ in kept[photo.stem]])
    return Lines(rows[:, :-2], rows[:, -2] > 0.5, slab, rows[:, -1] > 0.5)


def nats(weights: np.ndarray, known: np.ndarray, crack: np.ndarray) -> float:
    """Return the mean log loss of these weights (6,)."""
    return float(np.logaddexp(0.0, np.where(crack, -1.0, 1.0) * (known @ weights)).mean())


def fitted(known: np.ndarray, crack: np.ndarray) -> np.ndarray:
    """Return the likeliest weights (6,)."""
    return np.asarray(minimize(nats, SHIPPED, args=(known, crack), method="BFGS").x)


def left_out(lines: Lines) -> np.ndarray:
    """Return each line's log odds (N,) by weights that were fitted without its slab."""
    odds = np.zeros(len(lines.crack))
    names = np.unique(lines.slab)
    for part in range(PARTS):
        out = np.isin(lines.slab, names[part::PARTS])
        if out.any() and not out.all():
            odds[out] = lines.known[out] @ fitted(lines.known[~out], lines.crack[~out])
    return odds


def drawn_anew(lines: Lines) -> np.ndarray:
    """Return the weights' spread (6,) between slabs drawn anew."""
    rng = np.random.default_rng(0)
    names = np.unique(lines.slab)
    rows = {name: np.flatnonzero(lines.slab == name) for name in names}
    draws = (np.concatenate([rows[name] for name in rng.choice(names, len(names))]) for _ in range(DRAWS))
    return np.std([fitted(lines.known[draw], lines.crack[draw]) for draw in draws], axis=0)


def judged(name: str, odds: np.ndarray, lines: Lines) -> None:
    """Print how well log odds (N,) hold, and what is called by them."""
    loss = np.logaddexp(0.0, np.where(lines.crack, -odds, odds)).mean()
    own, others = odds[lines.crack], odds[~lines.crack]
    ahead = float((own[:, None] > others).mean() + 0.5 * (own[:, None] == others).mean())
    called = lines.asked & (odds >= math.log(CALL / (1.0 - CALL)))
    print(f"{name:24s} {loss:.3f} nats, ahead in {ahead:.3f} of pairs, calls {called.sum()}: "
          f"{lines.crack[called].sum()} are cracks")  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folders", type=Path, nargs="+")
    ask.add_argument("--cache", type=Path)
    given = ask.parse_args()
    cv2.setNumThreads(1)
    lines = all_lines(given.folders, given.cache)
    print(f"{len(lines.crack)} lines, {lines.crack.sum()} of them cracks, {lines.asked.sum()} asked, "
          f"on {len(np.unique(lines.slab))} slabs")  # fmt: skip
    spread, weights = drawn_anew(lines), fitted(lines.known, lines.crack)
    for name, was, now, off in zip(NAMES, SHIPPED, weights, spread, strict=True):
        print(f"{name:10s} shipped {was:6.2f}   fitted {now:6.2f}   1 sigma {off:.2f}")
    judged("by their figures alone", lines.known[:, 1], lines)
    judged("shipped", lines.known @ SHIPPED, lines)
    judged("fitted, slab left out", left_out(lines), lines)


if __name__ == "__main__":
    main()
