"""Training rows: the candidates of a picture with their figures, and which of them are pinholes."""

from __future__ import annotations

import json
from typing import NamedTuple

import cv2
import drawn
import numpy as np
from scipy.spatial import KDTree

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, Candidates, pyramid
from voidmap.coat.features import features, ground_noise, ring_samples, smoothed
from voidmap.coat.spots import LARGEST_MM, LEAST_NOISE
from voidmap.coat.twins import find_all
from voidmap.simulate.faint import FAINT_INDEX

DEMOSAIC_BLUR_PX = 0.45
"""What demosaicing adds to the lens's blur, 1 sigma, about."""
BLUR_DOUBT = 0.15
"""Blur is known from a board's edges to about this share."""
PRINT_BLUR_MM = 0.06
"""Those edges have a softness of their own, 1 sigma up to this: ink spreads (common practice, no source)."""


HANDED_ON = ("small", "soft", "white", "tone", "sharp", "pressed")
"""What phones and messengers do to a picture before it gets here: one to three of these, in this order."""


class Rows(NamedTuple):
    """Figures (N, F), label, log of true over guessed diameter, weight (0: neither pinhole nor not)."""

    figures: np.ndarray
    label: np.ndarray
    ratio: np.ndarray
    weight: np.ndarray


class Scene(NamedTuple):
    """A picture with known pinholes: pixels (H, W, 3), places (N, 2) px, sizes (N,) px, which are faint (N,)."""

    pixels: np.ndarray
    places: np.ndarray
    size_px: np.ndarray
    faint: np.ndarray
    px_per_mm: float
    blur_px: float


class Looked(NamedTuple):
    """A scene's pyramid, its candidates with the noise around each and their figures."""

    levels: tuple
    found: Candidates
    noise: np.ndarray
    figures: np.ndarray


def looked(scene):
    """Look a scene through for candidates."""
    grey = cv2.cvtColor(scene.pixels, cv2.COLOR_BGR2GRAY)
    levels = pyramid(grey, LARGEST_MM * scene.px_per_mm)
    found = find_all(levels, np.full(grey.shape, 255, np.uint8))
    samples = ring_samples(smoothed(levels), found)
    noise = ground_noise(samples, floor=LEAST_NOISE)
    figures = features(samples, found, noise=noise, blur_px=scene.blur_px, px_per_mm=scene.px_per_mm)
    return Looked(levels, found, noise, figures)


def rows_of(scene, look):
    """Return the rows of a scene's candidates; nothing is learned from pinholes that are faint."""
    found, places, size_px, faint = look.found, scene.places, scene.size_px, scene.faint
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
    return Rows(look.figures, label, ratio, weight)


def _take_nearest(at, found, places, size_px, wanted, label, ratio):
    """Let the nearest candidate stand for a pinhole that has none at its centre (a ring of glints), in place."""
    away, which = KDTree(at).query(places)
    apart = np.log(size_px / (2 * DISC_RADIUS_SIGMAS * found.sigma_px[which]))
    take = wanted & (away <= np.maximum(2.5, 0.45 * size_px)) & (np.abs(apart) <= 1.2)
    label[which[take]] = 1
    ratio[which[take]] = apart[take]


def closeup_scene(file, rng):
    """Return a close-up, turned by a random number of quarters."""
    truth = json.loads(file.with_suffix(".json").read_text())
    pixels = cv2.imread(str(file))
    places = np.array([(p["x_px"], p["y_px"]) for p in truth["pinholes"]]).reshape(-1, 2)
    for _ in range(int(rng.integers(4))):
        places = np.column_stack([places[:, 1], pixels.shape[1] - 1 - places[:, 0]])
        pixels = np.ascontiguousarray(np.rot90(pixels))
    scale = truth["px_per_mm"]
    return Scene(
        pixels, places,
        np.array([p["diameter_mm"] for p in truth["pinholes"]]) * scale,
        np.array([p["index"] < FAINT_INDEX for p in truth["pinholes"]], bool),
        scale, blur_as_read(rng, np.hypot(truth["blur_px"], DEMOSAIC_BLUR_PX), scale),
    )  # fmt: skip


def handed_on(scene, rng):
    """Return a scene as another phone or a messenger hands it on (the ranges are our assumption)."""
    pixels, places, size_px, scale, blur = scene.pixels, scene.places, scene.size_px, scene.px_per_mm, scene.blur_px
    done = set(rng.choice(HANDED_ON, int(rng.integers(1, 4)), replace=False))
    if {"soft", "sharp"} <= done:
        done.remove(("soft", "sharp")[int(rng.integers(2))])
    if "small" in done and scale > 6.0:
        times = float(rng.uniform(max(0.55, 3.8 / scale), 0.9))
        how = cv2.INTER_AREA if rng.random() < 0.7 else cv2.INTER_LINEAR
        pixels = cv2.resize(pixels, None, fx=times, fy=times, interpolation=how)
        places, size_px, scale = (places + 0.5) * times - 0.5, size_px * times, scale * times
        blur = float(np.hypot(blur * times, 0.35))
    if "soft" in done:
        more = float(rng.uniform(0.4, 1.1))
        pixels, blur = cv2.GaussianBlur(pixels, (0, 0), more), float(np.hypot(blur, more))
    if "white" in done:
        pixels = np.clip(pixels * np.exp(rng.normal(0, 0.06, 3)), 0, 255).astype(np.uint8)
    if "tone" in done:
        tone = (np.arange(256) / 255) ** float(np.exp(rng.normal(0, 0.25)))
        tone = tone + float(rng.uniform(-0.35, 0.6)) * tone * (1 - tone) * (2 * tone - 1)
        tone = 255 * tone * float(np.exp(rng.normal(0, 0.12)))
        pixels = cv2.LUT(pixels, np.clip(tone, 0, 255).astype(np.uint8))
    if "sharp" in done:
        share, reach = float(rng.uniform(0.4, 1.6)), float(rng.uniform(0.7, 1.6))
        pixels = cv2.addWeighted(pixels, 1 + share, cv2.GaussianBlur(pixels, (0, 0), reach), -share, 0)
        blur *= 0.9
    if "pressed" in done:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(40, 78))]
        pixels = cv2.imdecode(cv2.imencode(".jpg", pixels, quality)[1], cv2.IMREAD_COLOR)
    return scene._replace(
        pixels=np.ascontiguousarray(pixels), places=places, size_px=size_px, px_per_mm=scale, blur_px=blur
    )


def blur_as_read(rng, blur_px, px_per_mm):
    """Return a photo's blur as it is read off a printed board."""
    return np.hypot(blur_px, rng.uniform(0, PRINT_BLUR_MM) * px_per_mm) * np.exp(rng.normal(0, BLUR_DOUBT))


def drawn_scene(rng):
    """Return a drawn scene."""
    photo, plants, told, blur = drawn.scene(rng)
    places = np.array([(p.x_px, p.y_px) for p in plants]).reshape(-1, 2)
    size = np.array([p.diameter_px for p in plants])
    px_per_mm = float(np.exp(rng.uniform(np.log(5), np.log(12))))
    faint = np.array(told) < FAINT_INDEX
    return Scene(photo, places, size, faint, px_per_mm, blur_as_read(rng, blur, px_per_mm))


def closeup_rows(file, rng):
    """Return the rows of a close-up."""
    scene = closeup_scene(file, rng)
    return rows_of(scene, looked(scene))


def drawn_rows(rng):
    """Return the rows of a drawn scene."""
    scene = drawn_scene(rng)
    return rows_of(scene, looked(scene))
