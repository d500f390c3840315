"""Called cracks are followed to their ends, over places where they are too shallow to show.

A line is judged by what is sure of it. Once it is called a crack the chance that it goes on is far greater than that
of a line somewhere: it is drawn on as far as the sum of the evidence ahead of it carries (see ``reach``), but not into
another void. A short dark place is where a crack is widest: what goes on from it is no wider.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.candidates import Looked, moved
from voidmap.surface.features import Candidate
from voidmap.surface.form import COMPACT, by_form
from voidmap.surface.lines import WIDEST_MM, measured
from voidmap.surface.merge import SLENDER, Judged
from voidmap.surface.reach import CALLED, past_ends
from voidmap.surface.rim import Cover
from voidmap.surface.skeleton import longest_path, smoothed

# What is reached ahead of a bend, or at the end of what is looked at, is followed on from there once more.
ROUNDS = 2
# What goes on from a dark place is no wider than it is, give or take this: the one is measured as a patch, the other as
# a line.
WIDER = 2.0


def followed(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what was judged, the cracks called voids as long as they can be followed (their ``log_length`` too)."""
    out = list(judged)
    corner = np.array(looked.corner, dtype=np.float64)
    lines = {k: line for k, item in enumerate(out) if item[1].is_void and (line := _start(item)) is not None}
    stops = stopping([item for k, item in enumerate(out) if k not in lines])
    for _ in range(ROUNDS):
        onward = past_ends([path_of(found) - corner for found, _ in lines.values()], looked.evened, CALLED)
        longer = {}
        for (k, (found, judgement)), ends in zip(lines.items(), onward, strict=True):
            before, after = (up_to(points + corner, stops) for points in ends)
            if len(before) + len(after):
                path = np.vstack([before[::-1], path_of(found), after])
                anew = drawn_anew(found, path, bones_of(found), looked)
                if judged[k][0].source != "dot" or _wide_px(anew) <= WIDER * _wide_px(found):
                    longer[k] = anew, judgement
        lines = longer
        for k, item in longer.items():
            out[k] = item
    return out


def as_line(item: Judged) -> Judged | None:
    """Return a thing that was traced as a line, or a crack found as a patch with the path of its skeleton.

    Returns
    -------
    Judged or None
        None for what is no crack by its kind or its shape, is wider than a line is measured, or has no path.
    """
    found, judgement = item
    if found.source == "line" and found.path_px is not None:
        return item
    if found.source != "patch" or judgement.kind is not Kind.CRACK or not _is_slender(found, SLENDER):
        return None
    return _along_skeleton(item)


def _start(item: Judged) -> Judged | None:
    """Return what a crack is followed from: a line, or a dark place that is a crack by its form, also a short one."""
    line = as_line(item)
    if line is not None:
        return line
    found = item[0]
    if not _is_slender(found, COMPACT if found.source == "dot" else SLENDER):
        return None
    judgement = by_form(*item)
    return _along_skeleton((found, judgement)) if judgement.kind is Kind.CRACK else None


def _wide_px(line: Candidate) -> float:
    """Return how wide a line's cover is in the mean, px."""
    return line.cover.area_px / float(np.hypot(*np.diff(path_of(line), axis=0).T).sum())


def _is_slender(found: Candidate, least: float) -> bool:
    """Tell whether a thing is at least so slender, and no wider than a line is measured."""
    wide_mm = math.exp(found.features["log_length"] - found.features["log_slender"])
    return found.features["log_slender"] >= math.log(least) and wide_mm <= WIDEST_MM


def _along_skeleton(item: Judged) -> Judged | None:
    """Return a thing as a line along its skeleton; None when that is no path."""
    from skimage.morphology import skeletonize

    found, judgement = item
    thin = skeletonize(np.pad(found.cover.mask, 1))
    corner = np.array(found.cover.corner, dtype=np.float64) - 1.0
    path = longest_path(thin) + corner
    if len(path) < 3:
        return None
    bones = np.argwhere(thin)[:, ::-1] + corner
    return replace(found, source="line", path_px=smoothed(path), bones_px=bones), judgement


def path_of(line: Candidate) -> Floats:
    """Return a line's path (N, 2) px of the whole picture."""
    assert line.path_px is not None, "a line has a path"
    return line.path_px


def bones_of(line: Candidate) -> Floats:
    """Return what a line was traced by (M, 2) px of the whole picture: its path, where nothing else is known."""
    return path_of(line) if line.bones_px is None else line.bones_px


def stopping(judged: Sequence[Judged]) -> list[Cover]:
    """Return the covers of the voids that a crack ends at: holes, whatever is no crack."""
    return [c.cover for c, j in judged if j.is_void and c.source != "line" and j.kind is not Kind.CRACK]


def up_to(points: Floats, stops: Sequence[Cover]) -> Floats:
    """Return the points (N, 2) px of the whole picture before the first that lies in one of the covers."""
    places = np.round(points).astype(int)
    for stop in stops:
        local = places - stop.corner
        near = ((local >= 0) & (local < stop.mask.shape[::-1])).all(axis=1)
        hits = np.flatnonzero(near)[stop.mask[local[near, 1], local[near, 0]]]
        if len(hits):
            places = places[: hits[0]]
    return points[: len(places)]


def drawn_anew(found: Candidate, path: Floats, bones: Floats, looked: Looked) -> Candidate:
    """Measure a line anew along a longer path with these bones, px of the whole picture."""
    corner = np.array(looked.corner, dtype=np.float64)
    line = measured(path - corner, bones - corner, found.score, looked.evened, looked.blur_px)
    if line is None:
        return found
    figures = found.features | {"log_length": math.log(line.length_px * looked.evened.mm_per_px)}
    again = Candidate(
        line.cover, "line", line.score, path - corner, line.width_max_px, line.rim_level, line.bones_px, figures
    )
    return moved(again, looked.corner)
