"""Cracks across the grain: told from drawn lines by how they swell.

Cracks run along the grain, and a line across it is rather pencil, chalk or a saw's mark. But around knots and crotches
wood tears in any direction. Such a crack is a lens: it takes most light in the middle of its way and closes to nothing
at both ends. What is drawn or sawn is as wide at its ends as between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from voidmap.model import Floats
from voidmap.records import Kind
from voidmap.surface.across import SAMPLE_PX, profiles
from voidmap.surface.candidates import Looked
from voidmap.surface.doubtful import is_line, is_stubby
from voidmap.surface.features import Candidate
from voidmap.surface.follow import path_of
from voidmap.surface.kinds import Judgement, judge, times_as_likely

# What runs this far off the grain was rarely a crack where the kinds were learned.
OFF_GRAIN_DEG = 15.0
# A shorter line may be the piece of one that swells or not.
LEAST_MM = 40.0
# The light that it takes is read over this many of its widths to either side, and averaged over this along it.
REACH_WIDTHS, ALONG_MM = 2.5, 2.0
# It swells when its outer eighths take less than this share of the light that the usual place takes, and what is taken
# goes with the lens's own figure (1 less the square of the way from the middle) with at least this correlation. On 60
# photos of simulated slabs a third of 275 cracks of this length do both, and of 16 lines off the grain that are none
# none does (the nearest: 0.79, and 0.49).
END_SHARE, LENS_LIKENESS = 0.75, 0.5
# Two thirds of those cracks do not swell, and nearly all of the lines that are none (half a line counts as one
# that does): a line across the grain that is as wide at its ends has these odds times those that its look gives it.
EVEN_ODDS = (186 / 275) / (16 / 16.5)
# It is a crack when it would be one along the grain by at least this chance, and no surer than this: even odds, 89 of
# 275 against half a line of 16.
LIKELY, SUREST = 0.5, 0.91


def with_cracks_across(looked: Looked, judgements: Sequence[Judgement]) -> list[Judgement]:
    """Judge lines across the grain anew: those called nothing that swell as cracks do, and cracks that do not swell.

    Parameters
    ----------
    looked
        The candidates and the picture that they were found in.
    judgements
        How each candidate was judged by its look.

    Returns
    -------
    list of Judgement
        The same for every other candidate.
    """
    again = list(judgements)
    across = [k for k, (c, j) in enumerate(zip(looked.candidates, judgements, strict=True)) if _is_across(c, j)]
    for k in across:
        if judgements[k].is_void and not swells(looked, looked.candidates[k]):
            again[k] = _less_likely(judgements[k])
    asked = [k for k in across if not judgements[k].is_void]
    along_grain = judge([{**looked.candidates[k].features, "off_grain": 0.0} for k in asked])
    for k, judged in zip(asked, along_grain, strict=True):
        if judged.void_probability >= LIKELY and swells(looked, looked.candidates[k]):
            chance = min(judged.void_probability, SUREST)
            again[k] = replace(judged, kind=Kind.CRACK, void_probability=chance)
    return again


def _less_likely(judgement: Judgement) -> Judgement:
    """Return how a line that would be a crack by its look is judged when it does not swell."""
    chance = times_as_likely(judgement.void_probability, EVEN_ODDS)
    return replace(judgement, kind=judgement.kind if chance >= LIKELY else None, void_probability=chance)


def _is_across(found: Candidate, judgement: Judgement) -> bool:
    if not is_line((found, judgement)) or is_stubby((found, judgement)):
        return False
    figures = found.features
    return figures["off_grain"] >= OFF_GRAIN_DEG and figures["log_length"] >= np.log(LEAST_MM)


def swells(looked: Looked, line: Candidate) -> bool:
    """Tell whether a line takes most light in the middle of its way, and little at both of its ends."""
    taken = _taken(looked, line)
    way = np.linspace(-1.0, 1.0, len(taken))
    eighth = max(1, len(taken) // 8)
    ends = np.concatenate([taken[:eighth], taken[-eighth:]]).mean()
    usual = float(np.median(taken))
    if usual <= 0.0 or taken.std() <= 0.0:
        return False
    return bool(ends < END_SHARE * usual and np.corrcoef(taken, 1.0 - way * way)[0, 1] >= LENS_LIKENESS)


def _taken(looked: Looked, line: Candidate) -> Floats:
    """Return the light missing across a line at each px of its way, (stations,) px of black."""
    mm = looked.evened.mm_per_px
    width_px = line.cover.area_px * mm / np.exp(line.features["log_length"])
    half = max(4.0, REACH_WIDTHS * width_px)
    path = path_of(line) - np.array(looked.corner, dtype=np.float64)
    left, top = (max(0, int(low - 2.0 * half)) for low in path.min(axis=0))
    right, bottom = (int(high + 2.0 * half) + 2 for high in path.max(axis=0))
    missing = np.asarray(1.0 - np.exp(looked.evened.dark[top:bottom, left:right]), dtype=np.float32)
    rows = profiles(missing, path - [left, top], half, ALONG_MM / mm)
    outer = max(1, rows.shape[1] // 6)
    beside = np.median(np.hstack([rows[:, :outer], rows[:, -outer:]]), axis=1)
    return np.asarray(np.maximum(rows - beside[:, None], 0.0).sum(axis=1) * SAMPLE_PX)
