"""How candidates lie to one another: within a patch, around one, in a crowd, shaded from the same side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats
from voidmap.surface.features import Candidate
from voidmap.surface.mosaic import Bools
from voidmap.surface.wander import wandering

# Things this near to each other make a crowd.
CROWD_MM = 25.0
# A thing lies within another when the other covers this share of it and is larger by more than its inverse.
WITHIN = 0.9
# Things are alike that are up to so many times as large or as small; one has others beside it whose step at the rim is
# this share of its own or more.
LIKE_SIZE, LIKE_STEP = 3.0, 0.8
# Patches at least this much darker at the rim (natural log) say where the lamp stands.
TELLING_STEP = 0.15


class Masked(Protocol):
    """What covers a place on a picture."""

    @property
    def mask(self) -> Bools:
        """The pixels that it covers, (h, w) bool."""

    @property
    def corner(self) -> tuple[int, int]:
        """The mask's first pixel, (column, row)."""


def shared(one: Masked, other: Masked) -> float:
    """Share of one thing's mask that lies in another's."""
    (ax, ay), (bx, by) = one.corner, other.corner
    a, b = one.mask, other.mask
    left, top = max(ax, bx), max(ay, by)
    right, bottom = min(ax + a.shape[1], bx + b.shape[1]), min(ay + a.shape[0], by + b.shape[0])
    if right <= left or bottom <= top:
        return 0.0
    both = a[top - ay : bottom - ay, left - ax : right - ax] & b[top - by : bottom - by, left - bx : right - bx]
    return float(both.sum() / max(1, a.sum()))


def related(found: Sequence[Candidate], mm_per_px: float) -> list[Candidate]:
    """Add to each candidate's figures what its neighbours say of it.

    ``crowd`` counts things of its own source nearby (pores and pencil dashes come in crowds), ``alike`` those of its
    size on the whole slab whose step at the rim is about its own or more: where a camera lifts rings and pores, they
    are many, however dark they are. ``wandering`` is how much of other lines as dark wanders. ``outer_share``,
    ``outer_step`` and ``outer_dark`` speak of the smallest patch around it, ``inner_share``, ``inner_step`` and
    ``inner_dark`` of the largest patch within it: a hole in a knot. ``lean_along`` is how far its shade leans to the
    side to which the slab's dark patches lean together: a void's wall toward the lamp lies in shade.
    """
    middles = np.array([c.cover.outline_px.mean(axis=0) for c in found]).reshape(-1, 2)
    sources = np.array([c.source for c in found])
    lamp = _common_lean(found)
    outer, inner = _nesting(found)
    many = _alike(found, sources)
    wander = wandering([c.features for c in found])
    told = []
    for k, (candidate, middle) in enumerate(zip(found, middles, strict=True)):
        near = np.hypot(*(middles - middle).T) * mm_per_px < CROWD_MM
        own = {name: value for name, value in candidate.features.items() if name not in ("lean_x", "lean_y")}
        lean = np.array([candidate.features["lean_x"], candidate.features["lean_y"]])
        own["crowd"] = float(np.log(np.count_nonzero(near & (sources == candidate.source))))
        own["alike"] = float(np.log(many[k]))
        own["wandering"] = wander[k]
        own["lean_along"] = float(lean @ lamp)
        own |= _beside("outer", candidate, found[outer[k]] if outer[k] >= 0 else None)
        own |= _beside("inner", candidate, found[inner[k]] if inner[k] >= 0 else None)
        told.append(replace(candidate, features=own))
    return told


def _alike(found: Sequence[Candidate], sources: NDArray[np.str_]) -> NDArray[np.intp]:
    """Count for each thing, itself too, those of its source and size whose step is like its own or more, (N,)."""
    size, step = (np.array([c.features[name] for c in found]) for name in ("log_area", "step"))
    like = (np.abs(size - size[:, None]) < np.log(LIKE_SIZE)) & (step >= LIKE_STEP * step[:, None])
    np.fill_diagonal(like, val=True)
    return np.count_nonzero(like & (sources == sources[:, None]), axis=1)


def _beside(name: str, own: Candidate, other: Candidate | None) -> dict[str, float]:
    if other is None:
        return {f"{name}_share": 0.0, f"{name}_step": 0.0, f"{name}_dark": 0.0}
    areas = sorted((own.cover.area_px, other.cover.area_px))
    return {
        f"{name}_share": areas[0] / max(areas[1], 1.0),
        f"{name}_step": other.features["step"],
        f"{name}_dark": other.features["dark_middle"] - own.features["dark_middle"],
    }


def _common_lean(found: Sequence[Candidate]) -> Floats:
    """Return the unit vector toward which the shade of dark patches leans, (2,); zero when there are none."""
    leans = [
        (c.features["lean_x"], c.features["lean_y"])
        for c in found
        if c.source == "patch" and c.features["step"] > TELLING_STEP
    ]
    total = np.sum(np.array(leans).reshape(-1, 2), axis=0)
    return np.asarray(total / max(float(np.hypot(*total)), 1e-9))


def _nesting(found: Sequence[Candidate]) -> tuple[list[int], list[int]]:
    """Return for each candidate the smallest patch around it and the largest patch within it (-1: none)."""
    outer: list[int] = [-1] * len(found)
    inner: list[int] = [-1] * len(found)
    area = np.array([c.cover.area_px for c in found])
    low = np.array([c.cover.outline_px.min(axis=0) for c in found]).reshape(-1, 2)
    high = np.array([c.cover.outline_px.max(axis=0) for c in found]).reshape(-1, 2)
    patch = np.array([c.source == "patch" for c in found], bool)
    for k, one in enumerate(found):
        meets = patch & (area > area[k] / WITHIN) & (low < high[k]).all(axis=1) & (high > low[k]).all(axis=1)
        around = [j for j in map(int, np.nonzero(meets)[0]) if shared(one.cover, found[j].cover) > WITHIN]
        if not around:
            continue
        outer[k] = min(around, key=lambda j: float(area[j]))
        if patch[k]:
            for j in around:
                if inner[j] < 0 or area[inner[j]] < area[k]:
                    inner[j] = k
    return outer, inner
