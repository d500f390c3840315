"""Close-ups of candidates: squares of pixels turned into the grain's frame, of the spot's size, scaled by contrast."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from voidmap.coat.candidates import Candidates
from voidmap.coat.ground import Bytes, Floats32, Grain
from voidmap.coat.samples import about

SIDE = 24
"""Samples along a square's side."""
INNER_STEP, NEAR_STEP, FAR_STEP = 0.25, 0.75, 2.5
"""Steps of the three squares, in smoothings: they reach 3, 9 and 30 of them, the spot itself and its edge, rim and
glints, and a row of dashes."""
MIDDLE = 5
"""The largest contrast within so many samples of the middle scales the squares."""
LEAST_CONTRAST = 3.0
"""In multiples of the noise: less is not scaled up."""
MOST = 2.0
"""Scaled samples are cut to this."""
COLOUR_GAIN, COLOUR_FLOOR = 2.0, 8.0
"""Colour is the logarithm of red and of blue over green, times this; the floor (8-bit grey) keeps noise in the dark
from showing as colour."""
_GREY_BY_BGR = np.outer((0.114, 0.587, 0.299), np.arange(256)).astype(np.float32)
"""ITU-R BT.601, for each value of a channel."""
_LOG = np.log(np.arange(256, dtype=np.float32) + np.float32(COLOUR_FLOOR))
_AXIS = np.linspace(-1, 1, SIDE) * ((SIDE - 1) / 2)
_OFFSETS = tuple(
    np.stack([np.tile(step * _AXIS, SIDE), np.repeat(step * _AXIS, SIDE)]).astype(np.float32)
    for step in (INNER_STEP, NEAR_STEP, FAR_STEP)
)


def halved(pixels: Bytes, times: int) -> list[Bytes]:
    """Return a picture and its halves, so many of them."""
    pictures = [pixels]
    for _ in range(times):
        half = (pictures[-1].shape[1] // 2, pictures[-1].shape[0] // 2)
        pictures.append(np.asarray(cv2.resize(pictures[-1], half, interpolation=cv2.INTER_AREA), dtype=np.uint8))
    return pictures


def squares(pictures: Sequence[Bytes], grain: Grain, found: Candidates, level: int) -> tuple[Bytes, Bytes, Bytes]:
    """Cut the squares about candidates of one level, (N, SIDE, SIDE, 3) uint8 each, their x along the grain.

    Parameters
    ----------
    pictures
        The photo and its halves, one more than the level.
    grain
        Of the photo.
    found, level
        The candidates (N,), and the level that all were found on.
    """
    # The inner square is read from one level finer than the spot was found on, the far one from one coarser.
    inner, near, far = (
        about(pictures[number], 2**number, grain, found, offsets).reshape(-1, SIDE, SIDE, 3)
        for number, offsets in zip((max(level - 1, 0), level, level + 1), _OFFSETS, strict=True)
    )
    return inner, near, far


def scaled(cut: Sequence[Bytes], noise: Floats32) -> tuple[list[Floats32], Floats32]:
    """Return ``squares`` as (3, SIDE, SIDE, N) each: grey over the near one's largest contrast, two of colour.

    Colours are told against the ground's, which comes beside them, (N, 2): a pit shows the ground's colour or a
    mirrored lamp's, which has none; what lies on the far side of either is a fill.
    """
    greys, colours = zip(*(_planes(square) for square in cut), strict=True)
    levels = [_middle(greys[1])] * 2 + [_middle(greys[2])]
    away = [cv2.transpose(grey) for grey in greys]
    for plane, level in zip(away, levels, strict=True):
        plane -= level
    middle = slice(SIDE // 2 - MIDDLE, SIDE // 2 + MIDDLE)
    largest = np.abs(away[1].reshape(SIDE, SIDE, -1)[middle, middle]).max(axis=(0, 1))
    gain = 1 / np.maximum(largest, LEAST_CONTRAST * noise)
    ground = [_middle(colour) for colour in colours[1]]
    parts = []
    for plane, colour in zip(away, colours, strict=True):
        part = np.empty((3, SIDE * SIDE, len(noise)), np.float32)
        np.multiply(plane, gain, out=part[0])
        for k in (0, 1):
            np.subtract(cv2.transpose(colour[k]), ground[k], out=part[1 + k])
        part[1:] *= np.float32(COLOUR_GAIN)
        parts.append(np.minimum(np.maximum(part, -MOST, out=part), MOST, out=part).reshape(3, SIDE, SIDE, -1))
    return parts, np.column_stack(ground) * np.float32(COLOUR_GAIN)


def _planes(square: Bytes) -> tuple[Floats32, tuple[Floats32, Floats32]]:
    """Return grey, and the logarithms of red and of blue over green, (N, SIDE SIDE) each."""
    channels = cv2.split(square.reshape(len(square), -1, 3))
    blue, green, red = (cv2.LUT(channel, _LOG) for channel in channels)
    parts = [cv2.LUT(channel, share) for channel, share in zip(channels, _GREY_BY_BGR, strict=True)]
    grey = cv2.add(cv2.add(parts[0], parts[1]), parts[2])
    over = [np.asarray(cv2.subtract(channel, green), dtype=np.float32) for channel in (red, blue)]
    return np.asarray(grey, dtype=np.float32), (over[0], over[1])


def _middle(values: Floats32) -> Floats32:
    """Return the medians (N,) of every other column and row of squares (N, SIDE SIDE)."""
    some = values.reshape(-1, SIDE, SIDE)[:, ::2, ::2].reshape(len(values), -1)
    half = some.shape[1] // 2
    some.partition(half, axis=1)
    return np.asarray((some[:, :half].max(axis=1) + some[:, half]) / 2, dtype=np.float32)
