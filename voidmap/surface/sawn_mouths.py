"""A patch over a bay of a sawn edge is the likelier a void: wood ends there, inside of the saw's line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from voidmap.model import Floats, Ortho
from voidmap.records import Kind
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement
from voidmap.surface.nested import shared
from voidmap.surface.rim import Cover

# A thing lies over a bay when it covers this share of it (a bay is drawn to a millimetre or two), and the bay is this
# share of the thing.
COVERS, OF_ITSELF = 0.35, 0.2
# The odds that it is a void are so many times those of its look. Of 35 such bays 34 are voids' mouths: ten is cautious,
# for a stain at the edge may once be as wide and shallow as a void, and a real shop has things that no one drew.
ODDS = 10.0
# Kinds with a mouth on the slab's side, wider than deep: a strip between their rim and the outline is theirs.
MOUTHED = (Kind.BARK_VOID, Kind.KNOT_HOLE)


def with_sawn_mouths(
    candidates: Sequence[Candidate], judgements: Sequence[Judgement], mouths_mm: Sequence[Floats], ortho: Ortho
) -> list[Judgement]:
    """Judge patches over the mouths of voids on a sawn edge anew.

    Parameters
    ----------
    candidates, judgements
        What stands out in the picture, and how each was judged by its look.
    mouths_mm
        Closed outlines (N, 2) of bays (see ``SlabFound``).
    ortho
        The picture.

    Returns
    -------
    list of Judgement
        The same for what lies over no bay.
    """
    mouths = [_drawn(ortho.to_px(mouth)) for mouth in mouths_mm]

    def over_mouth(found: Candidate) -> bool:
        # A line along the edge knows the void's floor no better, and is no crack.
        cover = found.cover
        return found.source == "patch" and any(
            shared(mouth, cover) >= COVERS and shared(cover, mouth) >= OF_ITSELF for mouth in mouths
        )

    pairs = zip(candidates, judgements, strict=True)
    return [_likelier(judgement) if over_mouth(found) else judgement for found, judgement in pairs]


def _drawn(outline_px: Floats) -> Cover:
    """Return what a closed outline (N, 2) px encloses."""
    low = np.floor(outline_px.min(axis=0)).astype(int)
    columns, rows = np.ceil(outline_px.max(axis=0)).astype(int) - low + 1
    share = np.zeros((rows, columns), np.float32)
    cv2.fillPoly(share, [np.round(outline_px - low).astype(np.int32)], 1.0)
    return Cover(share, share > 0.5, (int(low[0]), int(low[1])), outline_px)


def _likelier(judgement: Judgement) -> Judgement:
    chance = judgement.void_probability
    chance = ODDS * chance / (1.0 + (ODDS - 1.0) * chance)
    weights = {kind: share * (ODDS if kind.is_void else 1.0) for kind, share in judgement.kind_chances.items()}
    kinds = {kind: weight / sum(weights.values()) for kind, weight in weights.items()}
    kind = max(MOUTHED, key=lambda kind: kinds[kind]) if chance >= 0.5 else judgement.kind
    return replace(judgement, kind=kind, void_probability=chance, kind_chances=kinds)
