"""Dark spots that are no pinholes but holes filled flush with dark resin: none of the wood's light comes from them.

A pinhole in a gloss coat is a hollow in clear resin: its floor is the same wood or fill as around it, lit through the
resin at its sides, and keeps a share of each colour of the light that comes from there. A pigmented fill keeps none of
it, or of one colour none. The mirror above only adds light. On haze this tells nothing: the veil lies on the ground
and on a fill, and not on an open pit.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.plant import LINEAR
from voidmap.coat.spots import Search
from voidmap.model import Floats

LEAST_PX = 6.5
"""Narrower spots are left alone: blur lifts their floor."""
LEAST_SHARE = 0.08
"""Share of the ground's light that a pit's floor keeps in its darkest colour at least. On 43 simulated coats of gloss
the floors of 3 of 720 pinholes kept less, and those of 13 of 23 wide dark spots that were none; in practice photos, by
another renderer, no pinhole of 72 kept less than .14."""
RARER = 30.0
"""A floor that keeps less is so many times rarer in a pit than in a fill. The counts say 130; but how dark pits are in
them is our own assumption."""
INNER_RADII = (0.0, 0.15, 0.3)
"""Where a floor is read: well inside, as the walls slope."""
OUTER_RADII = (1.9, 2.2, 2.5)
"""Where the ground is read: beyond most of a raised rim (``pit.RIM_RADII``)."""
SPOKES, SECTOR_STEP, HALF_SECTOR = 16, 2, 2
"""The ground is read in sectors, a new one every so many spokes and so many more to either side; the sector that goes
best with the floor stands for it: a pit beside a fill may have that fill for its floor."""
DARKEST = 0.003
"""Least light of a ground (1 is white): an 8-bit step in the dark."""
LEAST_CHANCE = 0.05
"""Spots of less chance are not asked."""


def doubting_black(pixels: Bytes, searched: Search) -> Search:
    """Return what a search found on gloss, with less chance for dark spots that nothing of the ground's light leaves.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R: the picture that was searched. A grey one (H, W) tells nothing.
    searched
        What was found in it.
    """
    found, seen = searched.found, searched.seen
    asked = np.flatnonzero(
        (found.polarity < 0) & (searched.diameter_px >= LEAST_PX) & (seen.probability > LEAST_CHANCE)
    )
    if len(asked) == 0 or pixels.ndim == 2:
        return searched
    places = np.column_stack([found.x_px[asked], found.y_px[asked]])
    black = asked[_kept(pixels, places, searched.diameter_px[asked]) < LEAST_SHARE]
    probability = seen.probability.copy()
    against = (1 - probability[black]) * RARER
    probability[black] = probability[black] / (probability[black] + against)
    return replace(searched, seen=replace(seen, probability=probability))


def _kept(pixels: Bytes, places: Floats, diameter_px: Floats) -> Floats:
    """Return the share of the ground's light (N,) that floors keep, in their darkest colour."""
    light = _rings(pixels, places, diameter_px / 2)
    inner = len(INNER_RADII)
    floor = np.median(light[:, :inner].reshape(len(light), -1, 3), axis=1)
    share = np.zeros(len(light))
    for middle in range(0, SPOKES, SECTOR_STEP):
        spokes = np.arange(middle - HALF_SECTOR, middle + HALF_SECTOR + 1) % SPOKES
        ground = np.median(light[:, inner:, spokes].reshape(len(light), -1, 3), axis=1)
        share = np.maximum(share, (floor / np.maximum(ground, DARKEST)).min(axis=1))
    return share


def _rings(pixels: Bytes, places: Floats, radius_px: Floats) -> Floats32:
    """Return linear light (N, rings, SPOKES, 3) about places (N, 2) px."""
    turn = np.arange(SPOKES) * (2 * np.pi / SPOKES)
    reach = radius_px[:, None, None] * np.array(INNER_RADII + OUTER_RADII)[:, None]
    x, y = places[:, 0, None, None] + reach * np.cos(turn), places[:, 1, None, None] + reach * np.sin(turn)
    flat = (len(places), -1)
    seen = cv2.remap(
        pixels, x.reshape(flat).astype(np.float32), y.reshape(flat).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    return np.asarray(LINEAR[seen].reshape(*x.shape, 3), dtype=np.float32)
