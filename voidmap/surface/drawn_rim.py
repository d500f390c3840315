"""Where a thing's rim is drawn, so that its area is right."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np

from voidmap.records import Kind
from voidmap.surface.candidates import Looked
from voidmap.surface.features import Candidate
from voidmap.surface.merge import Judged
from voidmap.surface.parting import parted
from voidmap.surface.rim import cover_of

# A line's rim that is drawn farther out than makes it so many times as large has leaked.
MOST_GROWTH = 1.5
# How far outside of the rim as found that of a wide void may lie, mm. A hole's may not lie far: the edge of the knot
# around it is plainer than its own.
OUTWARD_MM = {Kind.BARK_VOID: 8.0, Kind.KNOT_HOLE: 1.0}
# Rims are parted so many at a time.
AT_A_TIME = 2


def line_drawn(found: Candidate) -> Candidate:
    """Return a line with its rim at its own level; what is no line as it is."""
    cover, level = found.cover, found.rim_level
    if found.source != "line" or level == 0.5:
        return found
    share = np.clip(cover.share + np.float32(0.5 - level), 0.0, 1.0)
    if found.path_px is not None:  # a crack stays in one piece where it is faint
        spine = np.zeros(share.shape, np.uint8)
        cv2.polylines(spine, [np.round(found.path_px - cover.corner).astype(np.int32)], False, 1)
        share = np.where((spine > 0) & cover.mask, np.maximum(share, np.float32(0.51)), share)
    again = cover_of(share, cover.corner, cover.mask)
    return replace(found, cover=again) if again is not None and again.area_px < MOST_GROWTH * cover.area_px else found


def wide_drawn(looked: Looked, judged: Sequence[Judged]) -> list[Judged]:
    """Return what is called, the rims of wide voids where their colours part from those around.

    All stay as they are where the picture itself is not known.
    """
    pixels, evened, (x, y) = looked.pixels, looked.evened, looked.corner
    if pixels is None:
        return list(judged)

    def drawn(item: Judged) -> Judged:
        found, judgement = item
        if found.source == "line" or judgement.kind not in OUTWARD_MM:
            return item
        own = found.cover.moved((-x, -y))
        cover = parted(own, OUTWARD_MM[judgement.kind], pixels, evened.seen, evened.mm_per_px).moved((x, y))
        return replace(found, cover=cover), judgement

    with ThreadPoolExecutor(AT_A_TIME) as workers:
        return list(workers.map(drawn, judged))
