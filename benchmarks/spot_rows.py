"""Training rows: the candidates of a picture with their figures, and which of them are pinholes."""

from __future__ import annotations

import json
from typing import NamedTuple

import cv2
import drawn
import numpy as np
from scipy.spatial import KDTree

from voidmap.coat.candidates import DISC_RADIUS_SIGMAS, find_candidates, pyramid
from voidmap.coat.features import features, ground_noise, ring_samples
from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.spots import LARGEST_MM, LEAST_NOISE
from voidmap.simulate.faint import FAINT_INDEX

DEMOSAIC_BLUR_PX = 0.45
"""What demosaicing adds to the lens's blur, 1 sigma, about."""
BLUR_DOUBT = 0.1
"""Blur is known from a board's edges to about this share."""
PLANTS = 260
LAMP_SETTINGS = 4
MEDIAN_MM, LOG_SPREAD, SMALLEST_MM, WIDEST_MM = 0.65, 0.5, 0.2, 3.2


class Rows(NamedTuple):
    """Figures (N, F), label, log of true over guessed diameter, weight (0: neither pinhole nor not)."""

    figures: np.ndarray
    label: np.ndarray
    ratio: np.ndarray
    weight: np.ndarray


def rows_of(grey, look, places, size_px, *, px_per_mm, blur_px, faint=None, other=None):
    """Return the rows of a grey picture with known pinholes; near ``other`` (x, y, reach) nothing is learned."""
    levels = pyramid(grey, LARGEST_MM * px_per_mm)
    found = find_candidates(levels, look)
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
        told = np.ones(len(places), bool) if faint is None else ~faint
        told[which[label > 0]] = False
        _take_nearest(at, found, places, size_px, told, label, ratio)
        weight[(label == 0) & (away > centre) & (away <= np.maximum(2.5, 0.4 * size))] = 0
        if faint is not None:
            weight[faint[which] & (away <= np.maximum(2.5, 0.6 * size))] = 0
    if other is not None and len(other):
        away, which = KDTree(other[:, :2]).query(at)
        weight[(away <= other[which, 2]) & (label == 0)] = 0
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
        blur_px=np.hypot(truth["blur_px"], DEMOSAIC_BLUR_PX) * np.exp(rng.normal(0, BLUR_DOUBT)),
        faint=np.array([p["index"] < FAINT_INDEX for p in truth["pinholes"]], bool),
    )  # fmt: skip


def planted_rows(file, rng):
    """Return the rows of a coat photo with a board, with pinholes planted among its own, which don't count."""
    truth = json.loads(file.with_suffix(".json").read_text())
    camera = {k: np.array(truth["camera"][k]) for k in ("K", "dist", "R", "t")}
    px_per_mm = float(camera["K"][0, 0] / camera["t"][2])
    pixels = cv2.imread(str(file))
    look = np.full(pixels.shape[:2], 255, np.uint8)
    for board in truth["boards"]:
        turn = np.radians(board["angle_deg"])
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        corners = np.array([[-20, -20], [230, -20], [230, 170], [-20, 170]]) @ axes + [board["x_mm"], board["y_mm"]]
        flat = np.column_stack([corners, np.zeros(4)])
        at = cv2.projectPoints(flat, cv2.Rodrigues(camera["R"])[0], camera["t"], camera["K"], camera["dist"])[0]
        cv2.fillPoly(look, [np.round(at.reshape(-1, 2)).astype(np.int32)], 0)
    own = np.array([(p["x_px"], p["y_px"], p["diameter_mm"]) for p in truth["pinholes"]]).reshape(-1, 3)
    own[:, 2] = np.maximum(5.0, 1.2 * own[:, 2] * px_per_mm)
    free = cv2.resize(look, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_NEAREST)
    places = 4 * places_apart(free, PLANTS, 2.5 * px_per_mm / 4, rng, taken_px=own[:, :2] / 4) + 1.5
    drawn_mm = MEDIAN_MM * np.exp(LOG_SPREAD * rng.standard_normal(len(places)))
    size = np.clip(drawn_mm, SMALLEST_MM, WIDEST_MM) * px_per_mm
    plants = [Plant(float(x), float(y), float(d)) for (x, y), d in zip(places, size, strict=True)]
    for k in range(LAMP_SETTINGS):
        pixels = plant(pixels, plants[k::LAMP_SETTINGS], rng, sanded=truth["surface"] == "sanded", blur_px=0.9)
    grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
    blur = 0.9 * np.exp(rng.normal(0, BLUR_DOUBT))
    return rows_of(grey, look, places, size, px_per_mm=px_per_mm, blur_px=blur, other=own)


def drawn_rows(rng):
    """Return the rows of a drawn scene."""
    photo, plants, blur = drawn.scene(rng)
    grey = cv2.cvtColor(photo, cv2.COLOR_BGR2GRAY)
    places = np.array([(p.x_px, p.y_px) for p in plants]).reshape(-1, 2)
    size = np.array([p.diameter_px for p in plants])
    px_per_mm = float(np.exp(rng.uniform(np.log(5), np.log(12))))
    look = np.full(grey.shape, 255, np.uint8)
    return rows_of(grey, look, places, size, px_per_mm=px_per_mm, blur_px=blur)
