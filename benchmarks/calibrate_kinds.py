"""Set right by its look how likely a chosen thing is a void (``by_look`` in voidmap/surface/kinds.json).

    python benchmarks/calibrate_kinds.py --photos DIR [DIR ...] --kinds voidmap/surface/kinds.json

What the trees of the model let through is not as often a void whatever it looks like: a doubtful patch no more uneven
than the wood around it is mostly wood that a dark ring sets off, a doubtful dot mostly a hole. Photos with truth are
those of ``benchmarks/make_slabs.py``, of slabs that the trees were not grown on (one photo of each: NAME-a.jpg). What
the program chooses on them is told by a logistic regression on its log odds, bent at one half, its form, and how uneven
it is; what is chosen hangs on that, so it is made twice (pieces judged anew on the way go by the weights in the
installed model: set them to ``AS_IT_IS`` to begin with). Prints log losses with a fifth of the slabs left out at a
time, and how often things are voids that are then given a chance, by size: sizes are not weighed, for those of other
slabs may differ (weighing them too gives log losses less by a twentieth, and loses a hole of 250 mm2 on a photo of
another renderer).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise, repeat
from pathlib import Path

import cv2
import numpy as np
from find import GROW_PX, LEAST_IOU, LEAST_THIN_IOU, grown, iou
from scenes import THIN, laid_out, outlines, overlap, raster

from voidmap.surface.candidates import Looked, look_at
from voidmap.surface.kinds import AS_IT_IS, judge, look_terms
from voidmap.surface.merge import Judged
from voidmap.surface.regions import select
from voidmap.surface.rim import Cover
from voidmap.surface.sawn_mouths import mouths_of, with_sawn_mouths
from voidmap.surface.swells import with_cracks_across

Figures = Mapping[str, float]
ROUNDS = 2
FOLDS = 5
BANDS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
SIZES = (0.0, 12.0, 30.0, 100.0, 400.0, np.inf)


@dataclass(frozen=True, eq=False)
class Scene:
    """What stands out on one photo, and its true voids: mask, the mask's (column, row), and whether it is thin."""

    looked: Looked
    mouths: list[Cover]
    mm_per_px: float
    voids: list[tuple[np.ndarray, tuple[int, int], bool]]


@dataclass(frozen=True, eq=False)
class _Found:
    mask: np.ndarray
    corner: tuple[int, int]


def scene_of(path: Path) -> Scene:
    truth = json.loads(path.read_text())
    ortho, slab, plane = laid_out(cv2.imread(str(path.with_suffix(".jpg"))), truth)
    voids = [
        (*raster(ortho, *outlines(feature, plane)), feature["kind"] in THIN)
        for feature in truth["features"]
        if feature["is_void"] and len(feature["outline_px"]) > 2
    ]
    return Scene(look_at(ortho, slab), mouths_of(slab, ortho), ortho.mm_per_px, voids)


def is_true(item: Judged, scene: Scene) -> bool:
    """Tell whether a thing is a true void, or lies for the most part on one."""
    found = _Found(item[0].cover.mask, item[0].cover.corner)
    for mask, at, thin in scene.voids:
        on = overlap(found.mask, found.corner, grown(mask), (at[0] - GROW_PX, at[1] - GROW_PX))
        if on > 0.5 * found.mask.sum():
            return True
        if on and iou(mask, at, found, thin) >= (LEAST_THIN_IOU if thin else LEAST_IOU):
            return True
    return False


def chosen(path: Path, by_look: Sequence[float]) -> list[tuple[float, Figures, bool]]:
    """Return of each chosen thing its chance before its look is weighed, its figures, and whether it is a void."""
    cv2.setNumThreads(1)
    scene = scene_of(path)
    looked = scene.looked
    figures = [c.features for c in looked.candidates]
    before = {id(f): j.void_probability for f, j in zip(figures, judge(figures, AS_IT_IS), strict=True)}
    first = judge(figures, by_look)
    given = {id(f): j.void_probability for f, j in zip(figures, first, strict=True)}
    judged = with_sawn_mouths(looked.candidates, with_cracks_across(looked, first), scene.mouths)
    items = select(looked.candidates, judged, scene.mm_per_px, looked)
    # What was found more or less likely by something else than the model says nothing of it.
    own = [(c, j) for c, j in items if given.get(id(c.features)) == j.void_probability and c.cover.mask.any()]
    return [(before[id(c.features)], c.features, is_true((c, j), scene)) for c, j in own]


def fitted(terms: np.ndarray, is_void: np.ndarray) -> np.ndarray:
    """Return the weights (8,) of the terms (N, 8) of the log odds."""
    from sklearn.linear_model import LogisticRegression

    return LogisticRegression(fit_intercept=False, max_iter=1000).fit(terms, is_void).coef_[0]


def told(terms: np.ndarray, weights: Sequence[float]) -> np.ndarray:
    return 1 / (1 + np.exp(-terms @ np.array(weights)))


def report(terms: np.ndarray, log_area: np.ndarray, is_void: np.ndarray, slab: np.ndarray) -> None:
    """Print what chances say of slabs that were left out, as they are and set right by look."""
    held = np.zeros(len(is_void))
    for fold in range(FOLDS):
        out = slab % FOLDS == fold
        held[out] = told(terms[out], fitted(terms[~out], is_void[~out]))
    for name, chance in (("as it is", told(terms, AS_IT_IS)), ("by look", held)):
        loss = -np.log(np.where(is_void, chance, 1 - chance)).mean()
        print(f"{name}: log loss {loss:.4f} of {len(chance)}")
        for low, high in pairwise(SIZES):
            size = (np.exp(log_area) >= low) & (np.exp(log_area) < high)
            row = [
                f"{chance[at].mean():.2f}/{is_void[at].mean():.2f} ({at.sum()})"
                for least, most in pairwise(BANDS)
                if (at := size & (chance >= least) & (chance < most)).any()
            ]
            print(f"  {low:g} to {high:g} mm2, given/true (things): {'  '.join(row)}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--photos", type=Path, nargs="+", required=True)
    ask.add_argument("--kinds", type=Path, default=Path("voidmap/surface/kinds.json"))
    given = ask.parse_args()
    paths = [path for folder in given.photos for path in sorted(folder.glob("*-a.json"))]
    weights: Sequence[float] = AS_IT_IS
    for _ in range(ROUNDS):
        with ProcessPoolExecutor() as several:
            scenes = list(several.map(chosen, paths, repeat(weights)))
        things = [(*thing, k) for k, scene in enumerate(scenes) for thing in scene]
        chance, figures, is_void, slab = (list(each) for each in zip(*things, strict=True))
        terms, is_void = look_terms(np.array(chance), figures), np.array(is_void)
        weights = [round(float(w), 3) for w in fitted(terms, is_void)]
        print("weights", weights, flush=True)
    report(terms, np.array([f["log_area"] for f in figures]), is_void, np.array(slab))
    model = json.loads(given.kinds.read_text())
    model["by_look"] = weights
    given.kinds.write_text(json.dumps(model, separators=(",", ":")))


if __name__ == "__main__":
    main()
