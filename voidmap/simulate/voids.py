"""Cut voids into a slab under the saw: each is drawn in its own box, kept apart from the others."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from voidmap.simulate import shapes
from voidmap.simulate.grid import Bools, Box, Feature, Grid
from voidmap.simulate.noise import F32, fractal, linear, smooth, walk
from voidmap.simulate.wood import Knot, Species, paint_knot

LEAST_DEPTH_MM = 0.15
"""Shallower than this a dent is sanded out and not called a void."""
KEEP_APART_MM = 5.0
ACROSS_RAD = (0.2, 1.1)
"""Wood tears at crotches and knots in any direction: a crack across the grain is off it by an angle in this range
(common practice, no source)."""
SHADED = (0.35, 1.0)
"""Wood within a void gives back this share of the light that it does on the top: dirt, weather, no plane ever smoothed
it (common practice, no source)."""


@dataclass(frozen=True)
class Variety:
    """How often voids and marks are unlike the plain ones, as shares (common practice, no source).

    ``across``: of the cracks inside a slab, those that run off the grain. ``bare``: of the loose knots, those that
    leave nothing of the knot around their hole. ``of_wood``, ``bark_of_wood``: of knots' holes and of bark voids, those
    whose walls and floor are the slab's own wood; the rest are as dark or pale as knots and bark. ``wavy``: the most by
    which a hole's rim leaves its ellipse, as a share of its radius. ``written``: of the slabs, those that someone has
    written on in pencil, besides the marks that every shop leaves.
    """

    across: float = 0.15
    bare: float = 0.35
    of_wood: float = 0.4
    bark_of_wood: float = 0.25
    wavy: float = 0.15
    written: float = 0.0


PLAIN = Variety(across=0.0, bare=0.0, of_wood=0.0, bark_of_wood=0.0, wavy=0.0)


@dataclass(eq=False)
class Workpiece:
    """A slab being made; :func:`voidmap.simulate.slab.random_slab` freezes it."""

    grid: Grid
    depth: F32
    albedo: F32
    top: Bools
    taken: Bools
    thickness_mm: float
    species: Species
    half_mm: tuple[float, float]
    variety: Variety = field(default_factory=Variety)
    features: list[Feature] = field(default_factory=list)

    def cut(
        self, kind: str, box: Box, depth: F32, colour: F32 | None, *, merge_into: Feature | None = None, **extra: object
    ) -> Feature | None:
        """Cut a depth field into the slab; None when there is no room for it.

        ``colour`` (rows, columns, 3) is the albedo inside, None leaves the wood's. With ``merge_into`` (a
        feature with the same box) the cut becomes part of that feature.
        """
        part_top = self.top[box.at]
        inside = (depth > LEAST_DEPTH_MM) & part_top
        old = merge_into.mask if merge_into else np.zeros_like(inside)
        if inside.sum() < 4 or (self.taken[box.at] & inside & ~old).any():
            return None
        through = bool((depth[inside] >= self.thickness_mm).any())
        deep = np.minimum(np.where(inside, depth, 0), self.thickness_mm).astype(np.float32)
        area = self.depth[box.at]
        np.maximum(area, deep, out=area)
        if colour is not None:
            self.albedo[box.at][inside] = colour[inside]
        feature = Feature(kind, box, inside | old, through or bool(merge_into and merge_into.through), dict(extra))
        if merge_into:
            self.features[self.features.index(merge_into)] = feature
        else:
            self.features.append(feature)
        self.reserve(box, feature.mask)
        return feature

    def reserve(self, box: Box, mask: Bools) -> None:
        """Keep others away from these cells."""
        n = round(KEEP_APART_MM / self.grid.cell_mm)
        wide = box.grown(n, self.grid)
        area = np.zeros((wide.bottom - wide.top, wide.right - wide.left), np.uint8)
        area[box.top - wide.top : box.bottom - wide.top, box.left - wide.left : box.right - wide.left] = mask
        grown = cv2.dilate(area, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * n + 1, 2 * n + 1)))
        self.taken[wide.at] |= grown.astype(bool)

    def spot(self, rng: np.random.Generator, margin_mm: float) -> tuple[float, float]:
        """Return a random place on the slab, at least ``margin_mm`` from its longest and widest reach."""
        a, b = self.half_mm
        return (
            float(rng.uniform(-a + margin_mm, a - margin_mm)),
            float(rng.uniform(-b + margin_mm, b - margin_mm)),
        )

    def box_about(self, x_mm: float, y_mm: float, reach_x_mm: float, reach_y_mm: float) -> Box:
        """Return the cells about a place."""
        return self.grid.box((x_mm - reach_x_mm, y_mm - reach_y_mm), (x_mm + reach_x_mm, y_mm + reach_y_mm))


def add_crack(rng: np.random.Generator, piece: Workpiece, *, from_edge: bool) -> Feature | None:
    """Cut a crack: an end check opening on a sawn end, or one inside; it wanders, tapers and may branch."""
    width = float(np.exp(rng.uniform(np.log(0.4), np.log(5.0))))
    length = float(np.clip(rng.lognormal(np.log(110), 0.6), 25, 0.8 * piece.half_mm[0]))
    depth = float(np.clip(width * rng.uniform(2.5, 9) + rng.uniform(1, 5), 1.5, 0.9 * piece.thickness_mm))
    if from_edge:
        side = rng.choice([-1.0, 1.0])
        x0, y0 = side * (piece.half_mm[0] + 3), piece.spot(rng, 30)[1]
        turn = float(rng.normal(0, 0.05)) + (np.pi if side > 0 else 0.0)
    else:
        x0, y0 = piece.spot(rng, 40)
        turn = float(rng.normal(0, 0.07)) + _off_grain(rng.spawn(1)[0], piece.variety.across)
    centre, widths, depths = shapes.crack_runs(rng, length, width, depth, from_edge=from_edge)
    c, s = np.cos(turn), np.sin(turn)
    reach = np.abs(centre).max() + width + 0.35 * length * 0.3 + 4
    ends = np.array([[x0, y0], [x0 + c * length, y0 + s * length]])
    box = piece.grid.box(ends.min(0) - reach, ends.max(0) + reach)
    if box.empty:
        return None
    part = piece.grid.sub(box)
    power = float(rng.choice([1.2, 2.0, 4.0, 10.0]))
    field_ = shapes.groove(part, (x0, y0, turn, length), centre, widths, depths, power)
    for _ in range(int(rng.choice([0, 0, 1, 1, 2]))):
        k = int(rng.uniform(0.2, 0.7) * len(centre))
        fork = turn + float(rng.choice([-1, 1]) * rng.uniform(0.08, 0.3))
        size = length * rng.uniform(0.15, 0.35)
        bx, by = x0 + c * k - s * centre[k], y0 + s * k + c * centre[k]
        runs = shapes.crack_runs(rng, size, widths[k] * 0.6, depths[k] * 0.6, from_edge=True)
        field_ = np.maximum(field_, shapes.groove(part, (bx, by, fork, size), *runs, power))
    return piece.cut("crack", box, field_, _shaded_wood(rng, piece, box), length_mm=length)


def _off_grain(rng: np.random.Generator, share: float) -> float:
    """Return by what angle (rad) a crack inside the slab runs off the grain; only a share of them does."""
    if rng.random() >= share:
        return 0.0
    return float(rng.choice([-1.0, 1.0]) * rng.uniform(*ACROSS_RAD))


def bark_colour(rng: np.random.Generator, grid: Grid) -> F32:
    """Return the albedo of bark and rotten wood: darker or lighter than the wood, streaked along the grain."""
    tones = [(58, 44, 36), (92, 70, 54), (130, 104, 80), (160, 140, 116), (196, 180, 156), (40, 32, 28)]
    base = linear(tones[int(rng.integers(len(tones)))])
    c = grid.cell_mm
    grain = fractal(rng, grid.shape, (12 / c, 2.5 / c), 4, 0.7)
    patch = smooth(rng, grid.shape, (25 / c, 10 / c))
    tone = np.exp(0.35 * grain + 0.25 * patch)
    return np.asarray(np.clip(base * tone[..., None], 0.01, 0.8), dtype=np.float32)


def add_bark_void(rng: np.random.Generator, piece: Workpiece, *, at_edge: bool) -> Feature | None:
    """Cut a bark void, maybe open on a live edge."""
    a = float(np.clip(rng.lognormal(np.log(32), 0.5), 8, 110))
    b = a * float(rng.uniform(0.2, 0.55))
    x, y = piece.spot(rng, 1.3 * a)
    if at_edge:
        row = np.flatnonzero(piece.top[:, round(float(piece.grid.to_cell((x, y))[0, 0]))])
        if not len(row):
            return None
        y = float(piece.grid.y()[row[0] if rng.random() < 0.5 else row[-1]])
    box = piece.box_about(x, y, 1.9 * a, 2.2 * b)
    part = piece.grid.sub(box)
    depth = float(np.clip(b * rng.uniform(0.4, 1.6), 2.5, 0.85 * piece.thickness_mm))
    field_ = shapes.ragged(
        rng, part, (x, y), (a, b), depth, wall_mm=float(rng.uniform(0.5, 5)), rough=float(rng.uniform(0.1, 0.45))
    )
    if rng.random() < 0.12:
        core = shapes.frustum(part, (x, y), (a * 0.35, b * 0.35), 0.8, 3 * piece.thickness_mm)
        field_ = np.where(field_ > 0, np.maximum(field_, core), 0).astype(np.float32)
    own = rng.spawn(1)[0]
    colour = bark_colour(rng, part)
    if own.random() < piece.variety.bark_of_wood:
        colour = _shaded_wood(own, piece, box)
    return piece.cut("bark_void", box, _largest(field_), colour)


def _shaded_wood(rng: np.random.Generator, piece: Workpiece, box: Box) -> F32:
    return np.asarray(piece.albedo[box.at] * rng.uniform(*SHADED), dtype=np.float32)


def _largest(depth: F32) -> F32:
    """Keep only the largest piece of a depth field."""
    n, labels, stats, _ = cv2.connectedComponentsWithStats((depth > LEAST_DEPTH_MM).astype(np.uint8))
    if n <= 2:
        return depth
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return np.where(labels == best, depth, 0).astype(np.float32)


def add_knot_hole(rng: np.random.Generator, piece: Workpiece, knot: Knot) -> Feature | None:
    """Cut the hole that a loose knot left: nearly round, steep, often dark, sometimes through."""
    r = knot.radius_mm * float(rng.uniform(0.45, 0.8))
    depth = float(np.clip(rng.uniform(0.4, 2.2) * 2 * r, 3, 0.8 * piece.thickness_mm))
    if rng.random() < 0.15:
        depth = 1.2 * piece.thickness_mm
    box = piece.box_about(knot.x_mm, knot.y_mm, 2.0 * r * knot.stretch, 2.0 * r)
    part = piece.grid.sub(box)
    turn = float(rng.uniform(0, np.pi))
    own = rng.spawn(1)[0]
    wave_cells = max(2.0, 0.6 * r / part.cell_mm)
    waves = float(own.uniform(0.0, piece.variety.wavy)) * smooth(own, part.shape, (wave_cells, wave_cells))
    walls = float(rng.uniform(0.45, 0.97))
    field_ = shapes.frustum(part, (knot.x_mm, knot.y_mm), (r * 1.15, r), walls, depth, turn, waves=waves)
    if depth < piece.thickness_mm:
        wobble = 1 + 0.25 * fractal(rng, part.shape, (8 / part.cell_mm, 8 / part.cell_mm), 3)
        field_ = np.where(field_ > 0, np.clip(field_ * wobble, 0.3, None), 0).astype(np.float32)
    dark = float(rng.uniform(0.3, 1.0))
    if own.random() >= piece.variety.bare:
        paint_knot(rng, piece.grid, piece.albedo, knot, piece.species, dark)
    tone = 0.6 + 0.4 * np.clip(smooth(rng, part.shape, (4 / part.cell_mm, 4 / part.cell_mm)), -1, 1.5)
    colour = linear(piece.species.knot) * float(rng.uniform(0.3, 1.8)) * tone[..., None]
    colour = np.clip(colour, 0.008, 0.8).astype(np.float32)
    if own.random() < piece.variety.of_wood:
        colour = _shaded_wood(own, piece, box)
    return piece.cut("knot_hole", box, field_, colour)


def add_hole(rng: np.random.Generator, piece: Workpiece) -> Feature | None:
    """Drill a worm hole, 0.8 to 4 mm wide."""
    d = float(np.exp(rng.uniform(np.log(0.8), np.log(4.0))))
    x, y = piece.spot(rng, 15)
    box = piece.box_about(x, y, 3 * d + 2, 3 * d + 2)
    part = piece.grid.sub(box)
    depth = float(rng.uniform(1.0, 5.0) * d + 1.0)
    shape = (d / 2 * float(rng.uniform(1.0, 1.3)), d / 2)
    field_ = shapes.frustum(part, (x, y), shape, float(rng.uniform(0.7, 0.98)), depth, float(rng.uniform(0, np.pi)))
    tone = float(rng.uniform(0.3, 0.9))
    feature = piece.cut("hole", box, field_, (piece.albedo[box.at] * tone).astype(np.float32))
    if feature and rng.random() < 0.4:  # the fungus that came with the beetle stains the wood along the grain
        dx, dy = part.x()[None, :] - x, part.y()[:, None] - y
        stain = np.exp(-((dx / (3 * d)) ** 2) - (dy / (0.9 * d)) ** 2)[..., None] * 0.55
        piece.albedo[box.at] *= (1 - stain * (part.cell_mm > 0)).astype(np.float32)
    return feature


def add_seam_gap(rng: np.random.Generator, piece: Workpiece, seam_mm: float) -> Feature | None:
    """Open part of a straight glue seam at y = ``seam_mm``."""
    length = float(rng.uniform(0.15, 0.7) * piece.half_mm[0])
    x = float(rng.uniform(-piece.half_mm[0] - 10, piece.half_mm[0] - length))
    box = piece.grid.box((x - 2, seam_mm - 4), (x + length + 2, seam_mm + 4))
    n = max(8, round(length))
    width = float(rng.uniform(0.35, 1.6)) * np.clip(np.sin(np.linspace(0.12, np.pi - 0.12, n)) ** 0.5, 0.2, 1)
    width = width * np.clip(1 + 0.12 * walk(rng, n, 20), 0.5, 1.5)
    depth = np.full(n, float(rng.uniform(2, 14))) * np.clip(1 + 0.2 * walk(rng, n, 30), 0.4, 1.6)
    part = piece.grid.sub(box)
    field_ = shapes.groove(part, (x, seam_mm, 0.0, length), np.zeros(n), width, depth, 12.0)
    return piece.cut(
        "seam_gap", box, field_, (piece.albedo[box.at] * rng.uniform(0.3, 0.9)).astype(np.float32), length_mm=length
    )
