"""What a found thing is: a chance for each kind, and whether it is a void at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from voidmap.records import Kind

# The label of a candidate that is nothing: growth rings, pores, pencil, shadows.
NOTHING = "nothing"


@dataclass(frozen=True)
class Judgement:
    """A candidate's kind (None: nothing at all), its chance to be a void, and the chance of each kind."""

    kind: Kind | None
    void_probability: float
    kind_chances: Mapping[Kind, float]
    through_probability: float = 0.0

    @property
    def is_void(self) -> bool:
        """Whether the likeliest reading is a void."""
        return self.kind is not None and self.kind.is_void


def judge(figures: Mapping[str, float]) -> Judgement:
    """Judge a candidate by its figures (see ``features.describe``)."""
    return _settle(_rules(figures))


def _settle(chances: Mapping[str, float]) -> Judgement:
    """Turn chances over all labels into a judgement."""
    void = sum(p for label, p in chances.items() if label != NOTHING and Kind(label).is_void)
    flat = sum(p for label, p in chances.items() if label != NOTHING and not Kind(label).is_void)
    total = max(void + flat, 1e-9)
    kinds = {Kind(label): p / total for label, p in chances.items() if label != NOTHING}
    if chances.get(NOTHING, 0.0) > max(void, flat):
        return Judgement(None, void, kinds)
    best = max((k for k in kinds if k.is_void == (void >= flat)), key=lambda k: kinds[k])
    return Judgement(best, void, kinds)


def _rules(f: Mapping[str, float]) -> dict[str, float]:
    chances = {str(kind): 0.01 for kind in Kind} | {NOTHING: 0.02}

    def sigmoid(x: float) -> float:
        return float(1.0 / (1.0 + np.exp(-x)))

    area = float(np.exp(f["log_area"]))
    if f["is_line"]:
        void = sigmoid(6.0 * (f["score"] - 4.2) * 0.3 + 8.0 * (-f["dark_middle"] - 0.35) + (f["log_length"] - 3.0))
        seam = sigmoid(3.0 * (f["log_length"] - 4.7)) * sigmoid(20.0 * (0.004 - f["bow_share"]) * 10)
        chances["seam_gap"], chances["crack"] = void * seam, void * (1 - seam)
        chances[NOTHING] = 1.0 - void
    elif f["is_dot"]:
        void = sigmoid(0.4 * (f["score"] - 15.0) + 8.0 * (f["roundness"] - 0.7) + 6.0 * (-f["dark_low"] - 0.3))
        chances["hole"], chances[NOTHING] = void, 1.0 - void
    else:
        odd = sigmoid(
            3.0 * (f["odd"] - 1.9) + 2.0 * (f["log_area"] - 4.0) + 6 * (f["step"] - 0.1) - 4 * (f["log_slender"] > 3.5)
        )
        rough = sigmoid(3.0 * (f["rough_fine"] - 1.6) + 10.0 * (-f["dark_middle"] - 0.5) + 6.0 * (f["black"] - 0.2))
        sharp = sigmoid(2.0 * (3.0 - f["rim_width"]))
        void = odd * rough * sharp
        bark = sigmoid(1.5 * (f["log_area"] - 6.3) + 3.0 * (f["rough_fine"] - 2.5))
        chances["bark_void"], chances["knot_hole"] = void * bark, void * (1.0 - bark)
        knot = sigmoid(3.0 * (f["rough_along"] - 0.7) + 2.0 * (1.5 - f["log_axes"] * 2) + 2 * (2 - f["rim_width"]))
        chances["sound_knot"], chances["stain"] = odd * (1 - void) * knot, odd * (1 - void) * (1 - knot)
        chances[NOTHING] = 1.0 - odd
        if area < 15:
            chances["hole"], chances["knot_hole"] = chances["knot_hole"] + chances["bark_void"], 0.01
    total = sum(chances.values())
    return {label: p / total for label, p in chances.items()}
