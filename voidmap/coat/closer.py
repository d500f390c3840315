"""A closer look at what might be a pinhole: the pixels themselves, of the spot, near it and farther around.

Rings tell a round spot from a line; whether it lies in a row of dashes, is a fill's own colour, or has the glints of
a raised rim is told by the picture. A small convolutional net reads three squares about each likely candidate, turned
into the grain's frame and scaled by the spot's size, beside the figures of ``features``. It was trained on scenes of
known truth (``benchmarks/train_closer.py`` makes them and writes the weights beside this module).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.coat.candidates import Candidates, Level
from voidmap.coat.classify import LEAST_LOG_SPREAD, MOST_LOG_SPREAD, Judged
from voidmap.coat.ground import Bytes, Floats32, Grain
from voidmap.model import Floats

SIDE = 24
"""Samples along a square's side."""
INNER_STEP, NEAR_STEP, FAR_STEP = 0.25, 0.75, 2.5
"""Steps of the three squares, in smoothings: they reach 3, 9 and 30 of them, the spot itself and its edge, rim and
glints, and a row of dashes."""
GATE = 0.05
"""Candidates whose rings give less chance than this are not looked at: nineteen of twenty of all."""
MIDDLE = 5
"""The largest contrast within so many samples of the middle scales the squares."""
LEAST_CONTRAST = 3.0
"""In multiples of the noise: less is not scaled up."""
MOST = 2.0
"""Scaled samples are cut to this."""
COLOUR_GAIN, COLOUR_FLOOR = 2.0, 8.0
"""Colour is the logarithm of red and of blue over green, times this; the floor (8-bit grey) keeps noise in the dark
from showing as colour."""
GREY_BY_BGR = np.array([0.114, 0.587, 0.299], np.float32)
"""ITU-R BT.601."""
ODDS_SCALE = 3.0
"""The rings' own log odds are divided by this."""
SQUARES = ("inner", "near", "far")
"""Their names in the file of the weights."""
STRIDES = (2, 2, 1)
"""Of the three convolutions over a square, each three by three samples wide."""
AT_ONCE, AT_A_TIME = 64, 2
"""Candidates are judged in lots of so many, so many lots at a time."""

_LOG = np.log(np.arange(256, dtype=np.float32) + np.float32(COLOUR_FLOOR))

Layer = tuple[Floats32, Floats32]


@dataclass(frozen=True, eq=False)
class Net:
    """Means and spreads of the figures; weights (3 3 in, out) and biases of each square's layers; the last layers."""

    mean: Floats32
    spread: Floats32
    towers: tuple[tuple[Layer, ...], ...]
    head: tuple[Layer, ...]


def look_closer(
    pixels: Bytes,
    levels: tuple[Level, ...],
    found: Candidates,
    figures: Floats32,
    noise: Floats,
    seen: Judged,
) -> Judged:
    """Judge candidates again by the picture itself.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 B, G, R. A grey picture (H, W) is left to the rings: the net learned from photos, with colour.
    levels, found, figures, noise
        The pyramid of its grey picture, the candidates (N,), their figures (N, F) and the noise (N,) around each.
    seen
        What the figures alone say.

    Returns
    -------
    Judged
        Of all candidates; those of little chance, and all of a grey picture, are as they were.
    """
    likely = np.flatnonzero(seen.probability > GATE)
    if len(likely) == 0 or pixels.ndim == 2:
        return seen
    net = _net()
    odds = np.log(seen.probability[likely] / (1 - np.minimum(seen.probability[likely], 1 - 1e-7)))
    summed = (figures[likely, : len(net.mean)] - net.mean) / net.spread
    known = np.column_stack([summed, odds / ODDS_SCALE]).astype(np.float32)
    cut = squares(pixels, levels, found[likely])
    level = noise[likely].astype(np.float32)

    def judged(first: int) -> Floats32:
        part = slice(first, first + AT_ONCE)
        looked_at, ground = scaled([square[part] for square in cut], level[part])
        return _judged(net, looked_at, np.column_stack([known[part], ground]))

    with ThreadPoolExecutor(AT_A_TIME) as workers:
        rows = list(workers.map(judged, range(0, len(likely), AT_ONCE)))
    logit, size, spread = np.concatenate(rows).astype(np.float64).T
    chance, log_size, size_rel = seen.probability.copy(), seen.log_size.copy(), seen.size_rel.copy()
    chance[likely] = 1 / (1 + np.exp(-np.clip(logit, -60, 60)))
    log_size[likely] = size
    size_rel[likely] = np.exp(np.clip(spread, LEAST_LOG_SPREAD, MOST_LOG_SPREAD))
    return Judged(chance, log_size, size_rel)


def squares(pixels: Bytes, levels: tuple[Level, ...], found: Candidates) -> tuple[Bytes, Bytes, Bytes]:
    """Cut the squares about each candidate, (N, SIDE, SIDE, 3) uint8 each, their x along the grain."""
    number = np.minimum(found.level, len(levels) - 1)
    pictures = [pixels]
    for _ in range(int(number.max(initial=-1)) + 1):
        half = (pictures[-1].shape[1] // 2, pictures[-1].shape[0] // 2)
        pictures.append(np.asarray(cv2.resize(pictures[-1], half, interpolation=cv2.INTER_AREA), dtype=np.uint8))
    # The inner square is read from one level finer than the spot was found on, the far one from one coarser.
    with ThreadPoolExecutor(1) as beside:
        far = beside.submit(_cut, pictures, levels[0].grain, found, number + 1, FAR_STEP)
        inner = _cut(pictures, levels[0].grain, found, np.maximum(number - 1, 0), INNER_STEP)
        return inner, _cut(pictures, levels[0].grain, found, number, NEAR_STEP), far.result()


def _cut(pictures: Sequence[Bytes], grain: Grain, found: Candidates, number: NDArray[np.int64], step: float) -> Bytes:
    """Cut a square out of the picture of the level of that ``number`` (N,) about each candidate."""
    out = np.zeros((len(found), SIDE, SIDE, 3), np.uint8)
    axis = np.linspace(-1, 1, SIDE) * (step * (SIDE - 1) / 2)
    for level, picture in enumerate(pictures):
        mine = np.flatnonzero(number == level)
        if len(mine):
            out[mine] = _squares(picture, grain, found[mine], 2**level, axis)
    return out


def _squares(picture: Bytes, grain: Grain, found: Candidates, times: int, axis: Floats) -> Bytes:
    """Read squares from one level, ``times`` photo px to its own; their x runs along the grain."""
    height, width = picture.shape[:2]
    x, y = ((at - (times - 1) / 2) / times for at in (found.x_px, found.y_px))
    rows, columns = grain.angle_rad.shape
    row = np.clip((y / height * rows).astype(int), 0, rows - 1)
    column = np.clip((x / width * columns).astype(int), 0, columns - 1)
    size, angle = found.sigma_px / times, grain.angle_rad[row, column].astype(np.float64)
    turned, aside = ((size * way(angle))[:, None] * axis for way in (np.cos, np.sin))
    shape = (len(found), SIDE * SIDE)
    at_x = ((x[:, None] + turned)[:, None, :] - aside[:, :, None]).astype(np.float32).reshape(shape)
    at_y = ((y[:, None] + aside)[:, None, :] + turned[:, :, None]).astype(np.float32).reshape(shape)
    parts = [
        cv2.remap(
            picture, at_x[k : k + 8 * AT_ONCE], at_y[k : k + 8 * AT_ONCE], cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        for k in range(0, len(found), 8 * AT_ONCE)
    ]  # fmt: skip
    return np.concatenate(parts).reshape(len(found), SIDE, SIDE, 3)


def scaled(cut: Sequence[Bytes], noise: Floats32) -> tuple[list[Floats32], Floats32]:
    """Return ``squares`` as (N, SIDE, SIDE, 3) each: grey over the near one's largest contrast, two of colour.

    Colours are told against the ground's, which comes beside them, (N, 2): a pit shows the ground's colour or a
    mirrored lamp's, which has none; what lies on the far side of either is a fill.
    """
    greys = [_grey(square) for square in cut]
    level = _middle(greys[1])
    away = [greys[0] - level, greys[1] - level, greys[2] - _middle(greys[2])]
    middle = slice(SIDE // 2 - MIDDLE, SIDE // 2 + MIDDLE)
    largest = np.abs(away[1][:, middle, middle]).max(axis=(1, 2))
    unit = np.maximum(largest, LEAST_CONTRAST * noise)[:, None, None]
    colours = [_colours(square) for square in cut]
    ground = [_middle(colour) for colour in colours[1]]
    parts = []
    for grey, colour in zip(away, colours, strict=True):
        planes = [grey / unit, *((c - g) * np.float32(COLOUR_GAIN) for c, g in zip(colour, ground, strict=True))]
        merged = cv2.merge([np.clip(plane, -MOST, MOST).reshape(-1, SIDE) for plane in planes])
        parts.append(np.asarray(merged, dtype=np.float32).reshape(-1, SIDE, SIDE, len(planes)))
    return parts, np.concatenate([g[:, :, 0] for g in ground], axis=1) * np.float32(COLOUR_GAIN)


def _middle(square: Floats32) -> Floats32:
    """Return the medians of squares (N, SIDE, SIDE) as (N, 1, 1): one partial sort each, not the usual two."""
    half = SIDE * SIDE // 2
    parted = np.partition(square.reshape(len(square), -1), half, axis=1)
    return np.asarray((parted[:, :half].max(axis=1) + parted[:, half])[:, None, None] / 2, dtype=np.float32)


def _grey(square: Bytes) -> Floats32:
    return np.asarray(square.astype(np.float32) @ GREY_BY_BGR, dtype=np.float32)


def _colours(square: Bytes) -> tuple[Floats32, Floats32]:
    """Return the logarithms of red and of blue over green, (N, SIDE, SIDE) each."""
    blue, green, red = cv2.split(cv2.LUT(square.reshape(-1, SIDE, 3), _LOG))
    shape = square.shape[:3]
    return (red - green).reshape(shape), (blue - green).reshape(shape)


def _judged(net: Net, squares: Sequence[Floats32], known: Floats32) -> Floats32:
    """Return logit, log size and log spread (N, 3)."""
    towers = [_tower(square, layers) for square, layers in zip(squares, net.towers, strict=True)]
    values = np.concatenate([*towers, known], axis=1)
    for weight, bias in net.head[:-1]:
        values = np.maximum(values @ weight + bias, 0)
    weight, bias = net.head[-1]
    return np.asarray(values @ weight + bias, dtype=np.float32)


def _tower(values: Floats32, layers: tuple[Layer, ...]) -> Floats32:
    """Run squares (N, S, S, C) through the convolutions; returns (N, C' S' S'), the channels outermost."""
    for (weight, bias), stride in zip(layers, STRIDES, strict=True):
        windows = np.lib.stride_tricks.sliding_window_view(values, (3, 3), axis=(1, 2))[:, ::stride, ::stride]
        count, rows, columns = windows.shape[:3]
        # A product a square: small ones are not shared out over the processors, which takes longer than they do.
        flat = np.ascontiguousarray(windows.transpose(0, 1, 2, 4, 5, 3)).reshape(count, rows * columns, -1)
        made = flat @ weight
        made += bias
        values = np.maximum(made, 0, out=made).reshape(count, rows, columns, -1)
    return np.ascontiguousarray(values.transpose(0, 3, 1, 2)).reshape(len(values), -1)


@cache
def _net() -> Net:
    text = resources.files("voidmap.coat").joinpath("closer.json").read_text(encoding="utf-8")
    made = json.loads(text)

    def layers(name: str) -> tuple[Layer, ...]:
        return tuple((_array(weight), _array(bias)) for weight, bias in made[name])

    def tower(name: str) -> tuple[Layer, ...]:
        return tuple((np.ascontiguousarray(w.transpose(2, 3, 1, 0)).reshape(-1, len(w)), b) for w, b in layers(name))

    return Net(_array(made["mean"]), _array(made["spread"]), tuple(tower(name) for name in SQUARES), layers("head"))


def _array(part: dict[str, Any]) -> Floats32:
    """Return an array of the weights' file: its shape, and its values (little-endian float32) in base 64."""
    values = np.frombuffer(base64.b64decode(part["values"]), "<f4")
    return np.asarray(values.reshape(part["shape"]), dtype=np.float32)
