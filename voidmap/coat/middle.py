"""Where the middle of a pinhole's opening is.

A candidate's place is a peak of curvature: where the pit is darkest, or its dust whitest, which is off the middle by an
eighth of its radius as often as not; a lamp's glint draws it farther. The whole of the opening's edge, its rim and
their glints tell more. A small convolutional net reads a square about each spot, of the spot's own size, and tells how
far off the middle is. It was trained on close-ups of known truth (``benchmarks/train_middles.py`` makes them and
writes the weights beside this module). Of 800 pinholes of simulated coats that it was not trained on the middle is off
by .53 px as found and by .30 so told (median), of 332 on the photos of another renderer by .28 and .18.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.closeup import halved
from voidmap.coat.convolution import Layer, head, head_of, tower, tower_of
from voidmap.coat.ground import Bytes, Floats32
from voidmap.coat.spots import Spots
from voidmap.model import Floats

SIDE = 25
"""Samples along a square's side."""
STEP_DIAMETERS = 0.125
"""From one to the next: the square reaches one and a half diameters to each side, beyond a raised rim."""
FINEST_PX = 0.75
"""A square is read from the halved picture in which its step is no finer than this."""
BORDER = (0, -1)
"""The outermost rows and columns are ground."""
CORE = slice(6, -6)
"""The largest contrast of these rows and columns, the opening with its edge, scales the square."""
LEAST_CONTRAST = 6.0
"""8-bit grey: less is not scaled up."""
MOST = 2.0
"""Scaled samples are cut to this."""
USUAL_PX = 8.0
"""Diameters are told to the net as the logarithm of their ratio to this."""
AT_ONCE, AT_A_TIME = 256, 2
"""Spots are read in lots of so many, so many lots at a time."""

_AXIS = (np.arange(SIDE) - SIDE // 2) * STEP_DIAMETERS


@dataclass(frozen=True, eq=False)
class Net:
    """The convolutions over a square, and the last layers, which read the diameter beside it."""

    tower: tuple[Layer, ...]
    head: tuple[Layer, ...]


def with_middles(grey: Bytes, spots: Spots) -> Spots:
    """Return spots, each moved to the middle of its opening.

    Parameters
    ----------
    grey
        (H, W) uint8, the photo.
    spots
        What was found in it.
    """
    if len(spots) == 0:
        return spots
    places, diameters = (
        np.array_split(values, -(-len(spots) // AT_ONCE)) for values in (spots.places_px, spots.diameter_px)
    )
    pictures = pictures_for(grey, spots.diameter_px)

    def told(at_px: Floats, across_px: Floats) -> Floats:
        return off_middle(squares(pictures, at_px, across_px), across_px)

    with ThreadPoolExecutor(AT_A_TIME) as workers:
        off = np.concatenate(list(workers.map(told, places, diameters)))
    x_px, y_px = (spots.places_px + off).T
    return replace(spots, x_px=x_px, y_px=y_px)


def pictures_for(grey: Bytes, diameter_px: Floats) -> list[Bytes]:
    """Return a picture (H, W) and its halves, as many as squares about spots of these diameters (N,) px ask for."""
    return halved(grey, int(_halvings(diameter_px).max(initial=0)))


def _halvings(diameter_px: Floats) -> NDArray[np.int64]:
    return np.floor(np.log2(np.maximum(STEP_DIAMETERS * diameter_px / FINEST_PX, 1.0))).astype(np.int64)


def squares(pictures: Sequence[Bytes], places_px: Floats, diameter_px: Floats) -> Floats32:
    """Return the squares (N, SIDE, SIDE) about places (N, 2) px, of their diameters (N,) px: 8-bit grey.

    ``pictures`` are those that ``pictures_for`` gives for these diameters, or more of them.
    """
    out = np.empty((len(places_px), SIDE, SIDE), np.float32)
    halvings = _halvings(diameter_px)
    for times in np.unique(halvings):
        mine, step = np.flatnonzero(halvings == times), 2**times
        x, y = ((places_px[mine] - (step - 1) / 2) / step).T
        reach = diameter_px[mine, None] / step * _AXIS
        at_x = np.broadcast_to((x[:, None] + reach)[:, None, :], (len(mine), SIDE, SIDE))
        at_y = np.broadcast_to((y[:, None] + reach)[:, :, None], (len(mine), SIDE, SIDE))
        map_x, map_y = (at.reshape(len(mine), -1).astype(np.float32) for at in (at_x, at_y))
        read = cv2.remap(pictures[times], map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
        out[mine] = read.reshape(-1, SIDE, SIDE)
    return out


def off_middle(cut: Floats32, diameter_px: Floats) -> Floats:
    """Return how far (N, 2) px from their places the middles lie that squares (N, SIDE, SIDE) are cut about.

    It is the mean of what the net tells of a square and of the same turned by half a turn.
    """
    net = _net()
    seen = scaled(cut)
    size = np.log(diameter_px / USUAL_PX).astype(np.float32)
    there, back = (
        head(np.column_stack([tower(_laid(square), net.tower).T, size]), net.head)[:, :2]
        for square in (seen, seen[:, ::-1, ::-1])
    )
    return np.asarray((there - back) / 2 * diameter_px[:, None] / 2, dtype=np.float64)


def _laid(squares: Floats32) -> Floats32:
    """Return squares (N, SIDE, SIDE) as the net takes them: (1, SIDE, SIDE, N)."""
    return np.ascontiguousarray(squares.transpose(1, 2, 0))[None]


def scaled(cut: Floats32) -> Floats32:
    """Return squares (N, SIDE, SIDE) less their ground, over their largest contrast."""
    border = np.concatenate([*(cut[:, k] for k in BORDER), *(cut[:, :, k] for k in BORDER)], axis=1)
    away = cut - np.median(border, axis=1)[:, None, None]
    largest = np.abs(away[:, CORE, CORE]).max(axis=(1, 2), initial=LEAST_CONTRAST)
    return np.asarray(np.clip(away / largest[:, None, None], -MOST, MOST), dtype=np.float32)


@cache
def _net() -> Net:
    text = resources.files("voidmap.coat").joinpath("middle.json").read_text(encoding="utf-8")
    made = json.loads(text)
    return Net(tower_of(made["tower"]), head_of(made["head"]))
