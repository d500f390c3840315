"""A closer look at what might be a pinhole: the pixels themselves, near and farther around.

Rings tell a round spot from a line; whether it lies in a row of dashes, is a fill's own colour, or has the glints of
a raised rim is told by the picture. A small convolutional net reads two squares about each likely candidate, turned
into the grain's frame and scaled by the spot's size, beside the figures of ``features``. It was trained on scenes of
known truth (``benchmarks/train_closer.py`` makes them and writes the weights beside this module).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources

import cv2
import numpy as np

from voidmap.coat.candidates import Candidates, Level
from voidmap.coat.classify import LEAST_LOG_SPREAD, MOST_LOG_SPREAD, Judged
from voidmap.coat.ground import Bytes, Floats32, Grain
from voidmap.model import Floats

SIDE = 24
"""Samples along a square's side."""
NEAR_STEP, FAR_STEP = 0.75, 2.5
"""Steps of the two squares, in smoothings: they reach 9 and 30 of them, rim and glints, and a row of dashes."""
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
STRIDES = (2, 2, 1)
"""Of the three convolutions over a square, each three by three samples wide."""
AT_ONCE = 64

_LOG = np.log(np.arange(256, dtype=np.float32) + np.float32(COLOUR_FLOOR))

Layer = tuple[Floats32, Floats32]


@dataclass(frozen=True, eq=False)
class Net:
    """Means and spreads of the figures; weights (out, in, 3, 3) and biases of each square's layers; the last layers."""

    mean: Floats32
    spread: Floats32
    near: tuple[Layer, ...]
    far: tuple[Layer, ...]
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
        (H, W, 3) uint8 B, G, R, or (H, W) uint8 grey, whose colour then tells nothing.
    levels, found, figures, noise
        The pyramid of its grey picture, the candidates (N,), their figures (N, F) and the noise (N,) around each.
    seen
        What the figures alone say.

    Returns
    -------
    Judged
        Of all candidates; those of little chance are as they were.
    """
    likely = np.flatnonzero(seen.probability > GATE)
    if len(likely) == 0:
        return seen
    net = _net()
    odds = np.log(seen.probability[likely] / (1 - np.minimum(seen.probability[likely], 1 - 1e-7)))
    summed = (figures[likely, : len(net.mean)] - net.mean) / net.spread
    known = np.column_stack([summed, odds / ODDS_SCALE]).astype(np.float32)
    near, far = squares(pixels, levels, found[likely])
    rows = []
    for first in range(0, len(likely), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        rows.append(_judged(net, *scaled(near[part], far[part], noise[likely[part]].astype(np.float32)), known[part]))
    logit, size, spread = np.concatenate(rows).astype(np.float64).T
    chance, log_size, size_rel = seen.probability.copy(), seen.log_size.copy(), seen.size_rel.copy()
    chance[likely] = 1 / (1 + np.exp(-np.clip(logit, -60, 60)))
    log_size[likely] = size
    size_rel[likely] = np.exp(np.clip(spread, LEAST_LOG_SPREAD, MOST_LOG_SPREAD))
    return Judged(chance, log_size, size_rel)


def squares(pixels: Bytes, levels: tuple[Level, ...], found: Candidates) -> tuple[Bytes, Bytes]:
    """Cut the near and the far square about each candidate, (N, SIDE, SIDE[, 3]) uint8, their x along the grain."""
    return _cut(pixels, levels, found, NEAR_STEP, 0), _cut(pixels, levels, found, FAR_STEP, 1)


def _cut(pixels: Bytes, levels: tuple[Level, ...], found: Candidates, step: float, up: int) -> Bytes:
    """Cut a square out of the picture about each candidate, read ``up`` levels coarser than it was found."""
    out = np.zeros((len(found), SIDE, SIDE, *pixels.shape[2:]), np.uint8)
    axis = np.linspace(-1, 1, SIDE) * (step * (SIDE - 1) / 2)
    number = np.minimum(found.level + up, len(levels))
    picture = pixels
    for level in range(len(levels) + 1):
        if level > 0:
            half = (picture.shape[1] // 2, picture.shape[0] // 2)
            picture = np.asarray(cv2.resize(picture, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        mine = np.flatnonzero(number == level)
        if len(mine):
            out[mine] = _squares(picture, levels[0].grain, found[mine], 2**level, axis)
    return out


def _squares(picture: Bytes, grain: Grain, found: Candidates, times: int, axis: Floats) -> Bytes:
    """Read squares from one level, ``times`` photo px to its own; their x runs along the grain."""
    height, width = picture.shape[:2]
    x, y = ((at - (times - 1) / 2) / times for at in (found.x_px, found.y_px))
    rows, columns = grain.angle_rad.shape
    row = np.clip((y / height * rows).astype(int), 0, rows - 1)
    column = np.clip((x / width * columns).astype(int), 0, columns - 1)
    angle = grain.angle_rad[row, column].astype(np.float64)[:, None, None]
    along = (found.sigma_px[:, None] / times * axis)[:, None, :]
    across = np.swapaxes(along, 1, 2)
    at_x = x[:, None, None] + along * np.cos(angle) - across * np.sin(angle)
    at_y = y[:, None, None] + along * np.sin(angle) + across * np.cos(angle)
    shape = (len(found), SIDE * SIDE)
    parts = [
        cv2.remap(
            picture, at_x.reshape(shape)[k : k + 8 * AT_ONCE].astype(np.float32),
            at_y.reshape(shape)[k : k + 8 * AT_ONCE].astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        for k in range(0, len(found), 8 * AT_ONCE)
    ]  # fmt: skip
    return np.concatenate(parts).reshape(len(found), SIDE, SIDE, *picture.shape[2:])


def scaled(near: Bytes, far: Bytes, noise: Floats32) -> tuple[Floats32, Floats32]:
    """Return squares (N, 3, SIDE, SIDE): grey over the near one's largest contrast, and two of colour."""
    grey_near, grey_far = _grey(near), _grey(far)
    away = grey_near - np.median(grey_near.reshape(len(near), -1), axis=1)[:, None, None]
    middle = slice(SIDE // 2 - MIDDLE, SIDE // 2 + MIDDLE)
    largest = np.abs(away[:, middle, middle]).max(axis=(1, 2))
    unit = np.maximum(largest, LEAST_CONTRAST * noise)[:, None, None]
    away_far = grey_far - np.median(grey_far.reshape(len(far), -1), axis=1)[:, None, None]
    colour_near, colour_far = _colour(near), _colour(far)
    usual = np.median(colour_near.reshape(len(near), 2, -1), axis=2)[:, :, None, None]
    parts = [
        np.concatenate([(grey / unit)[:, None], (colour - usual) * COLOUR_GAIN], axis=1)
        for grey, colour in ((away, colour_near), (away_far, colour_far))
    ]
    scaled_near, scaled_far = (np.clip(part, -MOST, MOST).astype(np.float32) for part in parts)
    return scaled_near, scaled_far


def _grey(square: Bytes) -> Floats32:
    return np.asarray(square.astype(np.float32) @ GREY_BY_BGR if square.ndim == 4 else square, dtype=np.float32)


def _colour(square: Bytes) -> Floats32:
    if square.ndim == 3:
        return np.zeros((len(square), 2, SIDE, SIDE), np.float32)
    over = _LOG[square]
    return np.stack([over[..., 2] - over[..., 1], over[..., 0] - over[..., 1]], axis=1)


def _judged(net: Net, near: Floats32, far: Floats32, known: Floats32) -> Floats32:
    """Return logit, log size and log spread (N, 3)."""
    values = np.concatenate([_tower(near, net.near), _tower(far, net.far), known], axis=1)
    for weight, bias in net.head[:-1]:
        values = np.maximum(values @ weight + bias, 0)
    weight, bias = net.head[-1]
    return np.asarray(values @ weight + bias, dtype=np.float32)


def _tower(values: Floats32, layers: tuple[Layer, ...]) -> Floats32:
    """Run squares (N, C, S, S) through the convolutions; returns (N, C' S' S')."""
    for (weight, bias), stride in zip(layers, STRIDES, strict=True):
        windows = np.lib.stride_tricks.sliding_window_view(values, (3, 3), axis=(2, 3))[:, :, ::stride, ::stride]
        count, _, rows, columns = windows.shape[:4]
        flat = np.ascontiguousarray(windows.transpose(0, 2, 3, 1, 4, 5)).reshape(count * rows * columns, -1)
        made = np.maximum(flat @ weight.reshape(len(weight), -1).T + bias, 0)
        values = made.reshape(count, rows, columns, -1).transpose(0, 3, 1, 2)
    return np.ascontiguousarray(values).reshape(len(values), -1)


@cache
def _net() -> Net:
    text = resources.files("voidmap.coat").joinpath("closer.json").read_text(encoding="utf-8")
    made = json.loads(text)

    def layers(name: str) -> tuple[Layer, ...]:
        return tuple((np.asarray(w, np.float32), np.asarray(b, np.float32)) for w, b in made[name])

    mean, spread = (np.asarray(made[name], np.float32) for name in ("mean", "spread"))
    return Net(mean, spread, layers("near"), layers("far"), layers("head"))
