"""Everything on the top that may be a void or a flat thing, before it is judged."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from voidmap.model import Ortho, SlabFound
from voidmap.surface.blur import edge_blur_px
from voidmap.surface.dots import find_dots
from voidmap.surface.features import Candidate, describe, texture_of
from voidmap.surface.grain import grain_direction_deg
from voidmap.surface.light import Evened, even_light
from voidmap.surface.lines import find_lines
from voidmap.surface.mosaic import Floats32, box_of
from voidmap.surface.nested import related
from voidmap.surface.odd import odd_patches, oddness
from voidmap.surface.ridges import line_and_dot_scores
from voidmap.surface.rim import refine_rim

# Rows and columns kept around the slab when it is cut out of the picture.
CUT_MARGIN_PX = 12


@dataclass(frozen=True, eq=False)
class Looked:
    """What stands out on the top, and the evened picture that shows it, cut out of the whole at ``corner`` px.

    ``slab`` is the slab in that cut, ``pixels`` (H, W, 3) uint8 the picture itself where it is known.
    """

    candidates: tuple[Candidate, ...]
    evened: Evened
    blur_px: float
    corner: tuple[int, int]
    slab: SlabFound
    pixels: NDArray[np.uint8] | None = None


def find_candidates(ortho: Ortho, slab: SlabFound, grain_deg: float | None = None) -> tuple[Candidate, ...]:
    """Find and describe patches, lines and dots that stand out from the slab's own sound wood."""
    return look_at(ortho, slab, grain_deg).candidates


def look_at(ortho: Ortho, slab: SlabFound, grain_deg: float | None = None) -> Looked:
    """Find candidates (see ``find_candidates``) and keep the picture that they were found in."""
    ortho, slab, shift = _cut_out(ortho, slab)
    grain_deg = grain_direction_deg(ortho, slab) if grain_deg is None else grain_deg
    evened = even_light(ortho, slab, grain_deg)
    if not evened.seen.any():
        return Looked((), evened, 0.0, shift, slab)
    with ThreadPoolExecutor(1) as beside:
        # What is thin is looked for in the whole picture's filters, which leave the interpreter free for the patches.
        thin = beside.submit(_thin, evened, ortho, slab)
        distance, patches = _patches(evened, ortho)
        texture = texture_of(evened, distance)
        blur_px, lines_and_dots = thin.result()
    found = [*patches, *lines_and_dots]
    described = [replace(c, features=describe(c, evened, distance, texture, blur_px)) for c in found]
    candidates = tuple(moved(c, shift) for c in related(described, evened.mm_per_px))
    return Looked(candidates, evened, blur_px, shift, slab, ortho.pixels)


def _thin(evened: Evened, ortho: Ortho, slab: SlabFound) -> tuple[float, list[Candidate]]:
    """Return the picture's blur, px, and the lines and dots in it."""
    blur_px = edge_blur_px(ortho, slab)
    lines, dots = line_and_dot_scores(evened)
    traced = find_lines(evened, lines, blur_px)
    found = [
        Candidate(line.cover, "line", line.score, line.path_px, line.width_max_px, line.rim_level, line.bones_px)
        for line in traced
    ]
    return blur_px, found + [Candidate(dot.cover, "dot", dot.score) for dot in find_dots(evened, dots)]


def _patches(evened: Evened, ortho: Ortho) -> tuple[Floats32, list[Candidate]]:
    """Return the distance from sound wood (h, w) on the patch grid, and the patches, each with its rim."""
    distance, colours = oddness(evened)
    covers = (
        refine_rim(mask, corner, evened.step, ortho.pixels, evened.seen, evened.mm_per_px)
        for mask, corner in odd_patches(distance, colours, evened.cell_mm)
    )
    return distance, [Candidate(cover, "patch", 0.0) for cover in covers if cover is not None]


def _cut_out(ortho: Ortho, slab: SlabFound) -> tuple[Ortho, SlabFound, tuple[int, int]]:
    """Cut the slab out of a picture that shows much bench; return the cut's (column, row) too."""
    box = box_of(slab.mask, CUT_MARGIN_PX)
    top, left = box[0].start, box[1].start
    mm = ortho.mm_per_px
    x0, y0 = ortho.x0_mm + left * mm, ortho.y0_mm + top * mm
    pixels = np.ascontiguousarray(ortho.pixels[box])
    return (
        replace(ortho, pixels=pixels, valid=ortho.valid[box], x0_mm=x0, y0_mm=y0),
        replace(slab, mask=slab.mask[box], covered=slab.covered[box]),
        (left, top),
    )


def moved(found: Candidate, shift: tuple[int, int]) -> Candidate:
    """Carry a candidate from the cut back to the whole picture."""
    path, bones = (None if points is None else points + shift for points in (found.path_px, found.bones_px))
    return replace(found, cover=found.cover.moved(shift), path_px=path, bones_px=bones)
