"""Small convolutional nets: their arithmetic, and how their weights are written.

A net's file is JSON; each array is its shape, and its values (little-endian float32) in base 64.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from voidmap.coat.ground import Floats32
from voidmap.coat.products import by_columns, by_rows

STRIDES = (2, 2, 1)
"""Of the three convolutions over a square, each three by three samples wide."""

Layer = tuple[Floats32, Floats32]
"""Weights and biases."""


def tower(values: Floats32, layers: tuple[Layer, ...]) -> Floats32:
    """Run squares (C, S, S, N) through convolutions, weights (out, in 3 3); returns (C' S' S', N)."""
    count = values.shape[3]
    for (weight, bias), stride in zip(layers, STRIDES, strict=True):
        side = (values.shape[1] - 3) // stride + 1
        reach = stride * (side - 1) + 1
        # The squares lie innermost: what a window's nine places show is copied as runs of all of them.
        windows = np.empty((len(values), 9, side, side, count), np.float32)
        for place in range(9):
            down, right = divmod(place, 3)
            windows[:, place] = values[:, down : down + reach : stride, right : right + reach : stride]
        made = by_columns(weight, windows.reshape(len(values) * 9, -1))
        made += bias
        values = np.maximum(made, 0, out=made).reshape(-1, side, side, count)
    return values.reshape(-1, count)


def head(values: Floats32, layers: tuple[Layer, ...]) -> Floats32:
    """Run values (N, F) through the last layers, weights (in, out); returns what the last one tells, (N, out)."""
    for weight, bias in layers[:-1]:
        values = np.maximum(by_rows(values, weight) + bias, 0)
    weight, bias = layers[-1]
    return by_rows(values, weight) + bias


def tower_of(layers: list[Any]) -> tuple[Layer, ...]:
    """Return a tower's layers of a net's file."""
    return tuple((weight.reshape(len(weight), -1), bias[:, None]) for weight, bias in head_of(layers))


def head_of(layers: list[Any]) -> tuple[Layer, ...]:
    """Return the last layers of a net's file."""
    return tuple((array_of(weight), array_of(bias)) for weight, bias in layers)


def array_of(part: dict[str, Any]) -> Floats32:
    """Return an array of a net's file."""
    values = np.frombuffer(base64.b64decode(part["values"]), "<f4")
    return np.asarray(values.reshape(part["shape"]), dtype=np.float32)


def kept(values: Floats32) -> dict[str, Any]:
    """Return an array as a net's file keeps it."""
    array = np.ascontiguousarray(values, dtype="<f4")
    return {"shape": list(array.shape), "values": base64.b64encode(array.tobytes()).decode()}
