"""A patch over a bay of a sawn edge is the likelier a void, and all of the bay is its: wood ends inside the saw's line.

Where such a void's floor has gone, the bench is seen up to the line; what covers its floor ends before that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from voidmap.model import Floats, Ortho, SlabFound
from voidmap.records import Kind
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import Judgement, times_as_likely
from voidmap.surface.merge import Judged, paste
from voidmap.surface.nested import shared
from voidmap.surface.odd import disc
from voidmap.surface.rim import Cover, cover_of

# A thing lies over a bay when it covers this share of it (a bay is drawn to a millimetre or two), and the bay is this
# share of the thing.
COVERS, OF_ITSELF = 0.35, 0.2
# The odds that it is a void are so many times those of its look. Of 35 such bays 34 are voids' mouths: ten is cautious,
# for a stain at the edge may once be as wide and shallow as a void, and a real shop has things that no one drew.
ODDS = 10.0
# The end of the wood is read in this grain, and rather within the wood: so much of a bay beside the wood may be wood.
GRAIN_MM = 1.0
# Kinds with a mouth on the slab's side, wider than deep: a strip between their rim and the outline is theirs.
MOUTHED = (Kind.BARK_VOID, Kind.KNOT_HOLE)


def with_sawn_mouths(
    candidates: Sequence[Candidate], judgements: Sequence[Judgement], mouths: Sequence[Cover]
) -> list[Judgement]:
    """Judge patches over the mouths of voids on a sawn edge anew.

    Parameters
    ----------
    candidates, judgements
        What stands out in the picture, and how each was judged by its look.
    mouths
        The bays (see :func:`mouths_of`).

    Returns
    -------
    list of Judgement
        The same for what lies over no bay.
    """

    def over_mouth(found: Candidate) -> bool:
        # A line along the edge knows the void's floor no better, and is no crack.
        cover = found.cover
        return found.source == "patch" and any(
            shared(mouth, cover) >= COVERS and shared(cover, mouth) >= OF_ITSELF for mouth in mouths
        )

    pairs = zip(candidates, judgements, strict=True)
    return [_likelier(judgement) if over_mouth(found) else judgement for found, judgement in pairs]


def mouths_of(slab: SlabFound, ortho: Ortho) -> list[Cover]:
    """Draw the bays of the slab's sawn edges in px of the picture that it was found in."""
    return [_drawn(ortho.to_px(mouth)) for mouth in slab.mouths_mm]


def with_whole_mouths(
    found: Sequence[Judged], mouths: Sequence[Cover], slab: SlabFound, mm_per_px: float
) -> list[Judged]:
    """Give each bay of a sawn edge to the void that covers most of it.

    Parameters
    ----------
    found
        What is reported; the void must be of a kind in ``MOUTHED``.
    mouths
        The bays.
    slab
        Where the top is; what covers it stays out.
    mm_per_px
        Scale of the picture.
    """
    out = list(found)
    for mouth in mouths:
        of_kind = [k for k, (_, judgement) in enumerate(out) if judgement.kind in MOUTHED]
        over = max(of_kind, key=lambda k: shared(mouth, out[k][0].cover), default=None)
        if over is not None and shared(mouth, out[over][0].cover) >= COVERS:
            whole, judgement = out[over]
            out[over] = replace(whole, cover=_joined(whole.cover, mouth, slab, mm_per_px)), judgement
    return out


def _joined(cover: Cover, mouth: Cover, slab: SlabFound, mm_per_px: float) -> Cover:
    """Return a void's cover with what of a bay lies between it and the saw's line, clear of the wood."""
    pad = round(GRAIN_MM / mm_per_px) + 1
    corners = np.array([cover.corner, mouth.corner])
    ends = corners + np.array([cover.mask.shape[::-1], mouth.mask.shape[::-1]])
    left, top = (int(v) for v in np.maximum(corners.min(axis=0) - pad, 0))
    right, bottom = (int(v) for v in np.minimum(ends.max(axis=0) + pad, slab.mask.shape[::-1]))
    box, corner = np.s_[top:bottom, left:right], (left, top)
    bay, void, share = (np.zeros((bottom - top, right - left), kind) for kind in (bool, bool, np.float32))
    for canvas, patch, at in ((bay, mouth.mask, mouth.corner), (void, cover.mask, cover.corner)):
        paste(canvas, patch, at, corner)
    paste(share, cover.share, cover.corner, corner)
    beside = ~slab.mask[box]
    free = cv2.erode((bay | void | beside).astype(np.uint8), disc(2 * pad - 1), borderValue=1) > 0
    gone = bay & free & ~void & ~beside & ~slab.covered[box]
    _, pieces = cv2.connectedComponents(gone.astype(np.uint8), connectivity=4)
    # Within the void the end of the wood is known by its rim, not by the bay.
    outer = np.unique(pieces[gone & (cv2.dilate(beside.astype(np.uint8), disc(2 * pad + 1)) > 0)])
    share[np.isin(pieces, outer) & gone] = 1.0
    return cover_of(share, corner, void) or cover


def _drawn(outline_px: Floats) -> Cover:
    """Return what a closed outline (N, 2) px encloses."""
    low = np.floor(outline_px.min(axis=0)).astype(int)
    columns, rows = np.ceil(outline_px.max(axis=0)).astype(int) - low + 1
    share = np.zeros((rows, columns), np.float32)
    cv2.fillPoly(share, [np.round(outline_px - low).astype(np.int32)], 1.0)
    return Cover(share, share > 0.5, (int(low[0]), int(low[1])), outline_px)


def _likelier(judgement: Judgement) -> Judgement:
    chance = times_as_likely(judgement.void_probability, ODDS)
    weights = {kind: share * (ODDS if kind.is_void else 1.0) for kind, share in judgement.kind_chances.items()}
    kinds = {kind: weight / sum(weights.values()) for kind, weight in weights.items()}
    kind = max(MOUTHED, key=lambda kind: kinds[kind]) if chance >= 0.5 else judgement.kind
    return replace(judgement, kind=kind, void_probability=chance, kind_chances=kinds)
