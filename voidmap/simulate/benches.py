"""Benches and floors under a slab, as tiles that repeat without a seam."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.simulate.noise import F32, linear

BENCHES = ("concrete", "ply", "paper", "cloth", "planks", "foam", "steel")
CELLS = 720


def _wrapped(rng: np.random.Generator, sigma: tuple[float, float]) -> F32:
    """Return noise of unit spread that repeats, blurred by ``sigma`` cells along (x, y)."""
    fx, fy = np.fft.rfftfreq(CELLS)[None, :], np.fft.fftfreq(CELLS)[:, None]
    keep = np.exp(-2 * np.pi**2 * ((fx * sigma[0]) ** 2 + (fy * sigma[1]) ** 2))
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((CELLS, CELLS))) * keep, (CELLS, CELLS))
    return np.asarray(field / field.std(), dtype=np.float32)


def bench_tile(rng: np.random.Generator, name: str) -> F32:
    """Return a tile of albedo (720, 720, 3) of one of :data:`BENCHES`."""
    at = np.arange(CELLS)
    tone = np.ones((CELLS, CELLS), np.float32)
    if name == "concrete":
        base = rng.uniform(120, 190) + rng.normal(0, 4, 3)
        tone += 0.05 * _wrapped(rng, (60, 60)) + 0.05 * _wrapped(rng, (8, 8)) + 0.05 * _wrapped(rng, (0.7, 0.7))
    elif name == "ply":
        base = np.array([214, 184, 142]) + rng.normal(0, 8, 3)
        tone += 0.05 * _wrapped(rng, (90, 9)) + 0.04 * _wrapped(rng, (25, 1.2)) + 0.02 * _wrapped(rng, (6, 0.6))
    elif name == "paper":
        base = np.array([226, 222, 212]) - rng.uniform(0, 50)
        tone += 0.015 * _wrapped(rng, (50, 50)) + 0.015 * _wrapped(rng, (1.5, 1.5))
    elif name == "cloth":
        base = rng.uniform(30, 130, 3)
        base = base.mean() + 0.4 * (base - base.mean())
        weave = np.sin(2 * np.pi * at / 6)[:, None] * np.sin(2 * np.pi * at / 6)[None, :]
        tone += 0.1 * weave.astype(np.float32) + 0.08 * _wrapped(rng, (40, 40)) + 0.06 * _wrapped(rng, (1, 1))
    elif name == "planks":
        base = np.array([140, 104, 74]) + rng.normal(0, 15, 3)
        plank = rng.normal(1, 0.09, 6)[(at // (CELLS // 6))[:, None] % 6].astype(np.float32)
        gap = np.where((at % (CELLS // 6)) < 4, 0.25, 1.0)[:, None].astype(np.float32)
        tone = (tone + 0.07 * _wrapped(rng, (80, 2)) + 0.06 * _wrapped(rng, (12, 0.8))) * plank * gap
    elif name == "foam":
        base = np.array([150, 186, 204]) + rng.normal(0, 15, 3)
        tone += 0.03 * _wrapped(rng, (2, 2)) + 0.02 * _wrapped(rng, (70, 70))
    else:
        base = np.full(3, rng.uniform(90, 160))
        tone += 0.05 * _wrapped(rng, (40, 0.8)) + 0.06 * _wrapped(rng, (80, 80))
    tile = linear(np.clip(base, 8, 245)).astype(np.float32) * np.clip(tone, 0.05, 2)[..., None]
    if rng.random() < 0.5:
        tile *= _chips(rng)[..., None]
    return np.clip(tile, 0.005, 0.93)


def _chips(rng: np.random.Generator) -> F32:
    """Return specks, paint drops and shavings on the bench."""
    marks = np.ones((CELLS, CELLS), np.float32)
    for _ in range(int(rng.integers(5, 60))):
        x, y = rng.integers(12, CELLS - 12, 2)
        size = (int(rng.integers(1, 9)), int(rng.integers(1, 3)))
        cv2.ellipse(marks, (int(x), int(y)), size, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.5, 1.5)), -1)
    return cv2.GaussianBlur(marks, (0, 0), 0.7)
