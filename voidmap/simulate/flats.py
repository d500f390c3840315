"""Flat things that look like voids: sound knots, stains, pencil, streaks, labels, glue, tape."""

from __future__ import annotations

import cv2
import numpy as np

from voidmap.simulate import shapes
from voidmap.simulate.grid import Feature
from voidmap.simulate.noise import fractal, linear, smooth
from voidmap.simulate.voids import Workpiece
from voidmap.simulate.wood import Knot, ellipse_radius, paint_knot

FIBRE_MM = (1.5, 0.6)
"""Pencil on rough wood catches on fibres about so long and wide."""


def add_sound_knot(rng: np.random.Generator, piece: Workpiece, knot: Knot) -> Feature | None:
    """Paint a sound knot; one in four carries a drying crack, which is a void of its own."""
    reach = knot.radius_mm * knot.stretch * 1.2
    box = piece.box_about(knot.x_mm, knot.y_mm, reach, reach)
    part = piece.grid.sub(box)
    rho = ellipse_radius(part, knot.x_mm, knot.y_mm, knot.radius_mm * knot.stretch, knot.radius_mm, 0.0)
    mask = (rho < 1) & piece.top[box.at]
    if (piece.taken[box.at] & mask).any() or mask.sum() < 9:
        return None
    paint_knot(rng, piece.grid, piece.albedo, knot, piece.species, float(rng.uniform(0.25, 1.4)))
    feature = Feature("sound_knot", box, mask)
    piece.features.append(feature)
    if rng.random() < 0.25 and knot.radius_mm > 8:
        _crack_knot(rng, piece, knot)
    piece.reserve(box, mask)
    return feature


def _crack_knot(rng: np.random.Generator, piece: Workpiece, knot: Knot) -> None:
    """Cut a star-like drying crack into a knot."""
    r = knot.radius_mm
    box = piece.box_about(knot.x_mm, knot.y_mm, 2 * r, 2 * r)
    part = piece.grid.sub(box)
    field = np.zeros(part.shape, np.float32)
    for turn in rng.uniform(0, 2 * np.pi) + np.arange(rng.integers(1, 4)) * 2.1:
        runs = shapes.crack_runs(
            rng, r * float(rng.uniform(0.5, 0.95)), float(rng.uniform(0.6, 1.8)), 6.0, from_edge=True
        )
        start = (knot.x_mm, knot.y_mm, float(turn), float(len(runs[0])))
        field = np.maximum(field, shapes.groove(part, start, *runs, 2.0))
    colour = np.broadcast_to(linear(piece.species.knot) * 0.5, (*part.shape, 3)).astype(np.float32)
    piece.cut("crack", box, field, colour, in_knot=True)


def add_stain(rng: np.random.Generator, piece: Workpiece) -> Feature | None:
    """Paint a stain: iron, water, or a mineral streak; soft or hard rim, dark or coloured."""
    streak = rng.random() < 0.35
    a = float(rng.uniform(15, 60))
    b = a * float(rng.uniform(0.06, 0.15) if streak else rng.uniform(0.35, 1.0))
    x, y = piece.spot(rng, a)
    box = piece.box_about(x, y, 2 * a, 2 * max(b, 8))
    part = piece.grid.sub(box)
    rho = ellipse_radius(part, x, y, a, b, float(rng.normal(0, 0.1)))
    rho += 0.25 * fractal(rng, part.shape, (a / part.cell_mm, b / part.cell_mm), 4, 0.55)
    hard = float(np.exp(rng.uniform(np.log(2.0), np.log(40.0))))
    share = 1 / (1 + np.exp(np.clip((rho - 1) * hard, -50, 50)))
    mask = (share > 0.5) & piece.top[box.at]
    if (piece.taken[box.at] & mask).any() or mask.sum() * part.cell_mm**2 < 20:
        return None
    tint = linear([(60, 60, 70), (70, 50, 36), (40, 44, 40), (110, 84, 50)][int(rng.integers(4))])
    strength = float(rng.uniform(0.35, 0.95)) * share * (1 + 0.15 * smooth(rng, part.shape, (20, 8)))
    strength = np.clip(strength, 0, 0.97)[..., None] * piece.top[box.at][..., None]
    area = piece.albedo[box.at]
    piece.albedo[box.at] = area * (1 - strength) + (0.25 * area + 0.75 * tint) * 0.6 * strength
    feature = Feature("stain", box, mask)
    piece.features.append(feature)
    piece.reserve(box, mask)
    return feature


def _blend(
    piece: Workpiece, poly_mm: np.ndarray, colour: np.ndarray, share: float, catches: np.random.Generator | None = None
) -> None:
    """Paint a polygon onto the top, rim smoothed over a cell; with ``catches`` only on the wood's high fibres."""
    box = piece.grid.box(poly_mm.min(0) - 1, poly_mm.max(0) + 1)
    if box.empty:
        return
    part = piece.grid.sub(box)
    area = np.zeros(part.shape, np.float32)
    cv2.fillPoly(area, [np.round(part.to_cell(poly_mm) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    flat = piece.top[box.at] & (piece.depth[box.at] <= 0)
    if catches is not None:
        high = smooth(catches, part.shape, (FIBRE_MM[0] / part.cell_mm, FIBRE_MM[1] / part.cell_mm))
        area *= np.clip(0.5 + high, 0.0, 1.0)
    area = (area * share * flat)[..., None]
    piece.albedo[box.at] = piece.albedo[box.at] * (1 - area) + colour.astype(np.float32) * area


def strip(points_mm: np.ndarray, width_mm: float) -> np.ndarray:
    """Return the outline of a stroke along a polyline (N, 2)."""
    step = np.gradient(points_mm, axis=0)
    normal = np.c_[-step[:, 1], step[:, 0]] / np.maximum(np.hypot(*step.T), 1e-9)[:, None] * width_mm / 2
    return np.asarray(np.r_[points_mm + normal, (points_mm - normal)[::-1]])


def _write(rng: np.random.Generator, piece: Workpiece) -> None:
    """Write on rough wood in pencil: numbers, and long lines in any direction, which catch on the high fibres only."""
    for _ in range(int(rng.integers(2, 6))):
        at = np.array(piece.spot(rng, 40))
        if rng.random() < 0.5:
            turn, length = float(rng.uniform(0, np.pi)), float(rng.uniform(60, 300))
            along = np.array([np.cos(turn), np.sin(turn)])
            strokes = [at + np.linspace(0, length, 60)[:, None] * along]
        else:
            size = float(rng.uniform(8, 25))
            strokes = [at + size * (np.array([0.8 * k, 0.0]) + _glyph(rng)) for k in range(int(rng.integers(1, 4)))]
        wide, tone = float(rng.uniform(0.4, 1.0)), linear((70, 68, 70)) * float(rng.uniform(0.6, 1.6))
        share = float(rng.uniform(0.4, 1.0))
        for stroke in strokes:
            _blend(piece, strip(stroke, wide), tone, share, rng)


def _glyph(rng: np.random.Generator) -> np.ndarray:
    """Return the stroke (N, 2) of something like a digit, in a box half as wide as high."""
    corners = rng.uniform(0, 1, (int(rng.integers(3, 7)), 2)) * [0.5, 1.0]
    at, fine = np.linspace(0, 1, len(corners)), np.linspace(0, 1, 80)
    path = np.column_stack([np.interp(fine, at, corners[:, k]) for k in (0, 1)])
    round_ = int(rng.integers(1, 12))
    kernel = np.ones(round_) / round_
    return np.column_stack([np.convolve(path[:, k], kernel, "valid") for k in (0, 1)])


def add_marks(rng: np.random.Generator, piece: Workpiece) -> tuple[str, ...]:
    """Draw what shops leave on a slab: pencil, chalk, a label, tape, glue; none of them a defect."""
    done = []
    hand = rng.spawn(1)[0]
    if hand.random() < piece.variety.written:
        _write(hand, piece)
        done.append("writing")
    for word, chance in (("pencil", 0.6), ("chalk", 0.25), ("label", 0.25), ("tape", 0.2), ("glue", 0.3)):
        if rng.random() > chance:
            continue
        x, y = piece.spot(rng, 40)
        turn = float(rng.uniform(0, np.pi))
        t = np.linspace(0, 1, 60)[:, None]
        along = np.array([np.cos(turn), np.sin(turn)])
        across = np.array([-along[1], along[0]])
        if word in ("pencil", "chalk"):
            length = rng.uniform(40, 300)
            bend = np.sin(t * rng.uniform(0.5, 6)) * rng.uniform(0, 12)
            path = np.array([x, y]) + t * length * along + bend * across
            wide, tone = (0.7, (70, 68, 70)) if word == "pencil" else (2.5, (235, 235, 230))
            _blend(piece, strip(path, wide), linear(tone), float(rng.uniform(0.4, 0.9)))
        elif word == "glue":
            path = np.array([x, y]) + t * rng.uniform(20, 120) * np.array([1.0, 0.0]) + 0.4 * np.sin(t * 40) * across
            _blend(piece, strip(path, float(rng.uniform(1, 4))), linear((206, 178, 120)), 0.6)
        else:
            long, wide = (rng.uniform(30, 60), rng.uniform(15, 30)) if word == "label" else (rng.uniform(60, 200), 24)
            tone = (244, 244, 240) if word == "label" else ((222, 204, 150), (60, 110, 180))[int(rng.integers(2))]
            path = np.array([x, y]) + (t - 0.5) * long * along
            _blend(piece, strip(path, float(wide)), linear(tone), 0.93)
            if word == "label":
                for k in range(-1, 2):
                    _blend(piece, strip(path[8:-8] + across * k * wide * 0.25, 1.2), linear((40, 40, 44)), 0.9)
        done.append(word)
    return tuple(done)
