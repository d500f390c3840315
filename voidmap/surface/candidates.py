"""Everything on the top that may be a void or a flat thing, before it is judged."""

from __future__ import annotations

from dataclasses import replace

from voidmap.model import Ortho, SlabFound
from voidmap.surface.blur import edge_blur_px
from voidmap.surface.dots import find_dots
from voidmap.surface.features import Candidate, describe, texture_of
from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.light import even_light
from voidmap.surface.lines import find_lines
from voidmap.surface.odd import odd_patches, oddness
from voidmap.surface.ridges import line_and_dot_scores
from voidmap.surface.rim import log_channels, refine_rim


def find_candidates(ortho: Ortho, slab: SlabFound) -> tuple[Candidate, ...]:
    """Find and describe patches, lines and dots that stand out from the slab's own sound wood."""
    evened = even_light(ortho, slab, grain_direction_deg(ortho, slab))
    if not evened.seen.any():
        return ()
    blur_px = edge_blur_px(ortho, slab)
    distance, colours = oddness(evened)
    logs = log_channels(ortho)
    found = []
    for mask, corner in odd_patches(distance, colours, evened.cell_mm):
        cover = refine_rim(mask, corner, evened.step, logs, evened.seen, evened.mm_per_px)
        if cover is not None:
            found.append(Candidate(cover, "patch", 0.0))
    lines, dots = line_and_dot_scores(evened)
    found += [Candidate(line.cover, "line", line.score, line.path_px) for line in find_lines(evened, lines)]
    found += [Candidate(dot.cover, "dot", dot.score) for dot in find_dots(evened, dots)]
    texture = texture_of(evened, distance)
    return tuple(replace(c, features=describe(c, evened, distance, texture, blur_px)) for c in found)
