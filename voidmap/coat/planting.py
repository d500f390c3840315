"""Where pinholes are planted into the photos of a coat: anywhere seen, and at rims; no part of the surface twice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.inspected import SHRINK, View
from voidmap.coat.near import nearest
from voidmap.coat.plant import KINDS, SHARES, places_apart
from voidmap.coat.spots import Search, Spots
from voidmap.model import Floats

LEAST_APART_MM = 3.0
"""Plants keep this distance from each other and from all that was found, so that each stands for itself."""
RIM_POWER_GLOSS, RIM_POWER_SANDED = 2, 1
"""Places by rims are drawn by this power of their strength: growth rings are edges too, far more of them and weaker."""
RIM_APART_GLOSS_MM, RIM_APART_SANDED_MM = 0.8, LEAST_APART_MM
"""Those fed by a rim stand this far apart: on gloss a neighbour's glints hide them, and at .8 mm the raised rims of two
of usual size (``pit.RIM_RADII``) just meet. Both are what makes planted ones found most nearly as true ones are at rims
of 96 simulated coats of gloss: 368 of them where 361 of 2,031 true ones are (481 at 1.5 mm)."""
SHARED_STEP = 8
"""What two photos share is told on every so many cells of a view: 32 px."""


@dataclass(frozen=True, eq=False)
class Shot:
    """One photo of a coat as a study needs it.

    ``pixels`` (H, W, 3) uint8 B, G, R; ``view`` where its surface is seen; ``spots`` what was found in it; ``find``
    the detector (a picture (H, W, 3) and where to look (H, W), both uint8, judged); the scale and blur; ``rims`` how
    likely each cell of the view is a fill's rim; the ways from its px (N, 2) to a frame that all photos share (mm),
    and back; and the lines of sight at its px, by how much (N, 2) they leave the plumb.
    """

    pixels: Bytes
    view: View
    spots: Spots
    find: Callable[[Bytes, Bytes], Search]
    px_per_mm: float
    blur_px: float
    rims: Floats32
    to_mm: Callable[[Floats], Floats]
    to_px: Callable[[Floats], Floats]
    sights: Callable[[Floats], Floats]


def all_places(
    shots: Sequence[Shot], count: int, rng: np.random.Generator, *, sanded: bool
) -> tuple[Floats, list[str]]:
    """Draw where to plant, (N, 2) mm in the shared frame, and what feeds each: by area, no part of it twice."""
    masks = [_only_here(shots, k) for k in range(len(shots))]
    area = np.array([shot.view.cell_mm2[mask > 0].sum() for shot, mask in zip(shots, masks, strict=True)])
    share = area / max(float(area.sum()), 1e-9)
    places, kinds = [np.zeros((0, 2))], list[str]()
    for shot, mask, part in zip(shots, masks, share, strict=True):
        own, fed_by = _places(shot, mask, round(part * count), rng, sanded=sanded)
        there = shot.to_mm(own)
        far = np.ones(len(own), bool)
        for other in shots:
            if other is not shot and len(other.spots):
                far &= nearest(other.to_mm(other.spots.places_px), there)[0] >= LEAST_APART_MM
        places.append(there[far])
        kinds += [kind for kind, keep in zip(fed_by, far, strict=True) if keep]
    return np.concatenate(places), kinds


def _only_here(shots: Sequence[Shot], k: int) -> Bytes:
    """Return where photo ``k`` sees the surface and none before it does, on its view's grid."""
    seen = shots[k].view.seen
    rows, columns = seen.shape
    step = SHARED_STEP
    x, y = np.meshgrid(np.arange(step // 2, columns, step), np.arange(step // 2, rows, step))
    middles = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    at = shots[k].to_mm(middles * SHRINK + (SHRINK - 1) / 2)
    free = np.ones(x.size, bool)
    for before in shots[:k]:
        free &= ~before.view.is_seen(before.to_px(at))
    wide = cv2.resize(free.reshape(x.shape).astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST)
    return np.asarray(np.where(wide > 0, seen, 0), dtype=np.uint8)


def at_rim(shot: Shot, places_px: Floats, *, sanded: bool) -> Floats:
    """Return how likely each place (N, 2) px is one that a rim feeds (0 to 1), by where pinholes are planted."""
    seen = shot.view.seen
    cells = np.clip(np.floor((places_px + 0.5) / SHRINK).astype(int), 0, np.array(seen.shape)[::-1] - 1)
    rims = _rims(shot, seen, sanded=sanded)
    by_rims = SHARES[0] * rims[cells[:, 1], cells[:, 0]] / max(float(rims.sum(dtype=np.float64)), 1e-30)
    anywhere = (1 - SHARES[0]) / max(int((seen > 0).sum()), 1)
    return np.asarray(by_rims / (by_rims + anywhere), dtype=np.float64)


def _rims(shot: Shot, seen: Bytes, *, sanded: bool) -> Floats32:
    """Return how often each cell of a view is drawn as a place that a rim feeds, not to one."""
    power = RIM_POWER_SANDED if sanded else RIM_POWER_GLOSS
    most = max(float(shot.rims.max()), 1e-30)
    return np.asarray(np.where(seen > 0, (shot.rims / most) ** power, 0), dtype=np.float32)


def _places(shot: Shot, seen: Bytes, count: int, rng: np.random.Generator, *, sanded: bool) -> tuple[Floats, list[str]]:
    """Draw where to plant, (N, 2) px, and what feeds each: those fed by rims lie at rims, where there are any."""
    taken = (shot.spots.places_px + 0.5) / SHRINK - 0.5
    cells_per_mm = shot.px_per_mm / SHRINK
    rim_apart = (RIM_APART_SANDED_MM if sanded else RIM_APART_GLOSS_MM) * cells_per_mm
    at_rims = places_apart(_rims(shot, seen, sanded=sanded), round(SHARES[0] * count), rim_apart, rng, taken_px=taken)
    taken = np.concatenate([taken, at_rims])
    anywhere = places_apart(seen, count - len(at_rims), LEAST_APART_MM * cells_per_mm, rng, taken_px=taken)
    others = np.array(SHARES[1:]) / sum(SHARES[1:])
    kinds = [KINDS[0]] * len(at_rims) + list(rng.choice(KINDS[1:], len(anywhere), p=others))
    return (np.concatenate([at_rims, anywhere]) + 0.5) * SHRINK - 0.5, kinds
