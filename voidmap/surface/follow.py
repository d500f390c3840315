"""Called cracks are followed to their ends, over places where they are too shallow to show.

A line is judged by what is sure of it. Once it is called a crack the chance that it goes on is far greater than that
of a line somewhere: it is drawn on as far as the sum of the evidence ahead of it carries (see ``reach``), but not into
another void.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.candidates import Looked, moved
from voidmap.surface.features import Candidate
from voidmap.surface.lines import measured
from voidmap.surface.merge import Judged
from voidmap.surface.reach import past_ends
from voidmap.surface.rim import Cover


def followed(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what was judged, the lines called voids as long as they can be followed (their ``log_length`` too)."""
    out = list(judged)
    voids = [(k, c, j) for k, (c, j) in enumerate(out) if j.is_void]
    stops = stopping(judged)
    lines = [k for k, c, _ in voids if c.source == "line"]
    corner = np.array(looked.corner, dtype=np.float64)
    onward = past_ends([path_of(out[k][0]) - corner for k in lines], looked.evened, over_gaps=True)
    for k, ends in zip(lines, onward, strict=True):
        before, after = (up_to(points + corner, stops) for points in ends)
        if len(before) + len(after):
            found, judgement = out[k]
            path = np.vstack([before[::-1], path_of(found), after])
            out[k] = drawn_anew(found, path, bones_of(found), looked), judgement
    return out


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
