"""Small drawn boards with lone holes, torn voids and flat knots: looks that the simulator's slabs do not have.

A hole has a crisp rim, is dark, and lies darker toward the lamp; it may be quite black and even. A flat knot has a
softer rim, rings or an even tone, no shade, and is never black. Everything else is random.
"""

from __future__ import annotations

import cv2
import numpy as np
from kind_rows import NEAR_PX, Rows, rows_of

from voidmap.model import Ortho, SlabFound
from voidmap.surface.candidates import find_candidates

SIZE = (760, 1140)
THINGS = 9


def drawn_rows(seed: int) -> Rows:
    """Return the labelled candidates of one drawn board."""
    rng = np.random.default_rng([seed, 5])
    mm = float(np.exp(rng.uniform(np.log(0.15), np.log(0.5))))
    light, truths = _wood(rng), []
    lamp = rng.uniform(0, 2 * np.pi)
    shine = float(rng.uniform(0.0, 0.7))
    places = rng.permutation(15)[:THINGS]
    blur = float(rng.uniform(0.6, 1.4))
    for place in places:
        at = np.array([130 + 220 * (place % 5), 130 + 250 * (place // 5)]) + rng.uniform(-20, 20, 2)
        kind = str(rng.choice(["knot_hole", "sound_knot", "bark_void", "stain"], p=[0.4, 0.35, 0.15, 0.1]))
        cover = _shape(rng, at, kind)
        tone = _tone(rng, at, kind, lamp, shine)
        soft = blur if kind in ("knot_hole", "bark_void") else float(rng.uniform(0.8, 5.0))
        share = cv2.GaussianBlur(cover.astype(np.float32), (0, 0), soft)
        light = light * (1 - share) + tone * light.mean() * share
        rows, columns = np.nonzero(cover)
        top, left = int(rows.min()), int(columns.min())
        mask = cover[top : rows.max() + 1, left : columns.max() + 1]
        padded = np.pad(mask, NEAR_PX)
        wide = cv2.dilate(padded.astype(np.uint8), np.ones((2 * NEAR_PX + 1,) * 2, np.uint8)).astype(bool)
        corner = (left - NEAR_PX, top - NEAR_PX)
        truths.append(({"kind": kind, "is_void": kind in ("knot_hole", "bark_void")}, padded, wide, corner))
    light = light + rng.normal(0, rng.uniform(0.002, 0.01), light.shape)
    paint = np.array([rng.uniform(0.45, 0.9), rng.uniform(0.7, 0.95), 1.0])
    pixels = np.clip(light[..., None] * paint * 255, 0, 255).astype(np.uint8)
    whole = np.ones(light.shape, bool)
    outline = np.array([[0, 0], [SIZE[1] - 1, 0], [SIZE[1] - 1, SIZE[0] - 1], [0, SIZE[0] - 1]]) * mm
    slab = SlabFound(whole, np.zeros_like(whole), outline, ("sawn",) * 4, 0.1, False)
    return rows_of(seed, mm, find_candidates(Ortho(pixels, whole, 0.0, 0.0, mm), slab), truths)


def _noise(rng: np.random.Generator, along: float, across: float) -> np.ndarray:
    """Return smooth noise of unit spread, stretched along the grain."""
    rough = cv2.GaussianBlur(rng.normal(0, 1, SIZE), (0, 0), along, sigmaY=across)
    return rough / rough.std()


def _wood(rng: np.random.Generator) -> np.ndarray:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float64)
    rings = np.sin(y / rng.uniform(4, 20) + 1.5 * np.sin(x / rng.uniform(200, 600)) + _noise(rng, 90, 25))
    fine = _noise(rng, 9, 0.7) * rng.uniform(0.0, 0.03)
    return rng.uniform(0.3, 0.85) * np.exp(rng.uniform(0.01, 0.12) * rings + fine + 0.04 * _noise(rng, 150, 50))


def _shape(rng: np.random.Generator, at: np.ndarray, kind: str) -> np.ndarray:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float64)
    size = float(np.exp(rng.uniform(np.log(12), np.log(70))))
    stretch, ragged = (2.0, 0.22) if kind == "bark_void" else (float(rng.uniform(1.0, 1.5)), float(rng.uniform(0, 0.1)))
    dx, dy = x - at[0], y - at[1]
    turn = np.arctan2(dy, dx)
    wobble = sum(rng.normal(0, ragged / k) * np.sin(k * turn + rng.uniform(0, 6.3)) for k in range(2, 12))
    return np.hypot(dx / stretch, dy * np.sqrt(stretch)) < size * (1 + wobble)


def _tone(rng: np.random.Generator, at: np.ndarray, kind: str, lamp: float, shine: float) -> np.ndarray:
    """Return the light of a thing as a share of the wood's."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(np.float64)
    dx, dy = x - at[0], y - at[1]
    if kind in ("sound_knot", "stain"):
        ringed = rng.uniform(0, 0.3) * np.sin(np.hypot(dx, dy * 1.2) / rng.uniform(2, 8))
        return rng.uniform(0.22, 0.85) * np.exp(ringed + 0.05 * _noise(rng, 9, 2))
    level = float(np.exp(rng.uniform(np.log(0.03), np.log(0.6 if kind == "knot_hole" else 1.1))))
    shade = -shine * np.tanh((dx * np.cos(lamp) + dy * np.sin(lamp)) / 25.0)
    rough = rng.uniform(0.02, 0.3) * _noise(rng, rng.uniform(2, 9), rng.uniform(1.5, 4))
    return level * np.exp(shade + rough * (2.0 if kind == "bark_void" else 1.0))
