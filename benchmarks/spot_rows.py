"""Training rows: the candidates of a picture with their figures, and which of them are pinholes."""

from __future__ import annotations

import json
from typing import NamedTuple

import cv2
import drawn
import numpy as np
from scipy.spatial import KDTree

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, pyramid
from voidmap.coat.features import features, ground_noise, ring_samples
from voidmap.coat.spots import LARGEST_MM, LEAST_NOISE
from voidmap.coat.twins import find_all
from voidmap.simulate.faint import FAINT_INDEX

DEMOSAIC_BLUR_PX = 0.45
"""What demosaicing adds to the lens's blur, 1 sigma, about."""
BLUR_DOUBT = 0.15
"""Blur is known from a board's edges to about this share."""
PRINT_BLUR_MM = 0.06
"""Those edges have a softness of their own, 1 sigma up to this: ink spreads (common practice, no source)."""


class Rows(NamedTuple):
    """Figures (N, F), label, log of true over guessed diameter, weight (0: neither pinhole nor not)."""

    figures: np.ndarray
    label: np.ndarray
    ratio: np.ndarray
    weight: np.ndarray


def rows_of(grey, look, places, size_px, *, px_per_mm, blur_px, faint):
    """Return the rows of a grey picture with known pinholes; nothing is learned from those that are ``faint``."""
    levels = pyramid(grey, LARGEST_MM * px_per_mm)
    found = find_all(levels, look)
    samples = ring_samples(levels, found)
    noise = ground_noise(samples, floor=LEAST_NOISE)
    figures = features(samples, found, noise=noise, blur_px=blur_px, px_per_mm=px_per_mm)
    at = np.column_stack([found.x_px, found.y_px])
    label, ratio, weight = np.zeros(len(at)), np.zeros(len(at)), np.ones(len(at))
    if len(places):
        away, which = KDTree(places).query(at)
        size = size_px[which]
        ratio = np.log(size / (2 * DISC_RADIUS_SIGMAS * found.sigma_px))
        centre = np.maximum(1.5, 0.22 * size)
        label = ((away <= centre) & (np.abs(ratio) <= 1.2)).astype(float)
        told = ~faint
        told[which[label > 0]] = False
        _take_nearest(at, found, places, size_px, told, label, ratio)
        weight[(label == 0) & (away > centre) & (away <= np.maximum(2.5, 0.4 * size))] = 0
        weight[faint[which] & (away <= np.maximum(2.5, 0.6 * size))] = 0
    return Rows(figures, label, ratio, weight)


def _take_nearest(at, found, places, size_px, wanted, label, ratio):
    """Let the nearest candidate stand for a pinhole that has none at its centre (a ring of glints), in place."""
    away, which = KDTree(at).query(places)
    apart = np.log(size_px / (2 * DISC_RADIUS_SIGMAS * found.sigma_px[which]))
    take = wanted & (away <= np.maximum(2.5, 0.45 * size_px)) & (np.abs(apart) <= 1.2)
    label[which[take]] = 1
    ratio[which[take]] = apart[take]


def closeup_rows(file, rng):
    """Return the rows of a close-up, turned by a random number of quarters."""
    truth = json.loads(file.with_suffix(".json").read_text())
    grey = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
    places = np.array([(p["x_px"], p["y_px"]) for p in truth["pinholes"]]).reshape(-1, 2)
    turns = int(rng.integers(4))
    for _ in range(turns):
        places = np.column_stack([places[:, 1], grey.shape[1] - 1 - places[:, 0]])
        grey = np.ascontiguousarray(np.rot90(grey))
    return rows_of(
        grey, np.full(grey.shape, 255, np.uint8), places,
        np.array([p["diameter_mm"] for p in truth["pinholes"]]) * truth["px_per_mm"],
        px_per_mm=truth["px_per_mm"],
        blur_px=blur_as_read(rng, np.hypot(truth["blur_px"], DEMOSAIC_BLUR_PX), truth["px_per_mm"]),
        faint=np.array([p["index"] < FAINT_INDEX for p in truth["pinholes"]], bool),
    )  # fmt: skip


def blur_as_read(rng, blur_px, px_per_mm):
    """Return a photo's blur as it is read off a printed board."""
    return np.hypot(blur_px, rng.uniform(0, PRINT_BLUR_MM) * px_per_mm) * np.exp(rng.normal(0, BLUR_DOUBT))


def drawn_rows(rng):
    """Return the rows of a drawn scene."""
    photo, plants, told, blur = drawn.scene(rng)
    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    places = np.array([(p.x_px, p.y_px) for p in plants]).reshape(-1, 2)
    size = np.array([p.diameter_px for p in plants])
    px_per_mm = float(np.exp(rng.uniform(np.log(5), np.log(12))))
    look = np.full(grey.shape, 255, np.uint8)
    faint = np.array(told) < FAINT_INDEX
    blur = blur_as_read(rng, blur, px_per_mm)
    return rows_of(grey, look, places, size, px_per_mm=px_per_mm, blur_px=blur, faint=faint)
