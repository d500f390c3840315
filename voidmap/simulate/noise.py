"""Smooth random fields on a millimetre grid: the raw stuff of wood, bark, benches and uneven light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]


def smooth(rng: np.random.Generator, shape: tuple[int, int], scale_px: tuple[float, float]) -> F32:
    """Return a field (rows, columns) of about zero mean and unit spread.

    ``scale_px`` is the correlation length along (x, y) in cells: a coarse grid of normal deviates, enlarged by
    cubic interpolation.
    """
    rows, columns = shape
    sx, sy = max(1.0, scale_px[0]), max(1.0, scale_px[1])
    coarse = rng.standard_normal((int(rows / sy) + 5, int(columns / sx) + 5), dtype=np.float32)
    big = cv2.resize(coarse, None, fx=sx, fy=sy, interpolation=cv2.INTER_CUBIC)
    top, left = int(2 * sy), int(2 * sx)
    field: F32 = np.ascontiguousarray(big[top : top + rows, left : left + columns])
    # cubic interpolation of white noise keeps about 0.8 of its spread in each direction
    return field * np.float32(1.25) if min(sx, sy) > 1 else field


def fractal(
    rng: np.random.Generator, shape: tuple[int, int], scale_px: tuple[float, float], octaves: int, gain: float = 0.5
) -> F32:
    """Sum octaves of :func:`smooth`, each half as large and ``gain`` times as strong; unit spread."""
    total = np.zeros(shape, np.float32)
    power, weight = 0.0, 1.0
    for k in range(octaves):
        sx, sy = scale_px[0] / 2**k, scale_px[1] / 2**k
        if k and max(sx, sy) < 1:
            break
        total += np.float32(weight) * smooth(rng, shape, (sx, sy))
        power += weight**2
        weight *= gain
    return total / np.float32(np.sqrt(power))


def walk(rng: np.random.Generator, count: int, scale: float) -> NDArray[np.float64]:
    """Return a smooth 1-D field of ``count`` values, correlation length ``scale`` values, unit spread."""
    if count < 1:
        return np.zeros(0)
    knots = rng.standard_normal(max(4, int(count / max(scale, 1.0)) + 4))
    at = np.linspace(1.0, len(knots) - 2.0, count)
    i = np.clip(at.astype(int), 0, len(knots) - 2)
    f = at - i
    blend = f * f * (3 - 2 * f)
    return np.asarray(knots[i] * (1 - blend) + knots[i + 1] * blend, dtype=np.float64)


def linear(srgb: tuple[float, float, float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """Carry 0-255 values of a standard display to linear light, 0 to 1 (IEC 61966-2-1)."""
    v = np.asarray(srgb, dtype=np.float64) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
