"""Square-on pictures of slabs on benches with an exactly known outline, drawn for the outline's tests."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho

MM_PER_PX = 0.8
PATTERN_MM = (210.0, 150.0)


@dataclass(frozen=True, eq=False)
class Scene:
    """A picture and its truth: ``outline_mm`` (N, 2) of the slab's top, the boards' patterns."""

    ortho: Ortho
    outline_mm: Floats
    patterns_mm: tuple[Floats, ...]

    @property
    def area_mm2(self) -> float:
        """Area of the top by the shoelace formula, the part beyond the picture included."""
        x, y = self.outline_mm.T
        return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


@dataclass(frozen=True)
class Look:
    """How a scene looks. Colours are B, G, R from 0 to 255."""

    heart: tuple[float, float, float] = (110, 150, 190)
    sap: tuple[float, float, float] = (160, 195, 220)
    bench: tuple[float, float, float] = (150, 150, 150)
    sap_mm: float = 40.0
    bench_kind: str = "speckle"
    bench_contrast: float = 0.05
    grain_contrast: float = 0.06
    shadow_mm: float = 0.0
    shadow_soft_mm: float = 8.0
    shadow_depth: float = 0.5
    shadow_deg: float = 60.0
    light_slope: float = 0.15
    blur_mm: float = 0.5
    noise: float = 3.0


def rectangle(width_mm: float, height_mm: float, turn_deg: float = 0.0) -> Floats:
    """Return the corners of a rectangle around (0, 0)."""
    x, y = width_mm / 2, height_mm / 2
    return turned(np.array([[-x, -y], [x, -y], [x, y], [-x, y]]), turn_deg)


def disc(radius_mm: float) -> Floats:
    """Return a finely drawn circle around (0, 0)."""
    angle = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    return radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def live_slab(rng: np.random.Generator, length_mm: float, width_mm: float, turn_deg: float = 0.0) -> Floats:
    """Return a slab with two straight ends and two wandering live edges."""
    x = np.linspace(-length_mm / 2, length_mm / 2, 600)
    edges = []
    for side in (-1.0, 1.0):
        y = np.zeros_like(x)
        for k in range(1, 14):
            y += width_mm * 0.05 / k**1.2 * np.sin(2 * np.pi * (k * x / length_mm / 1.3 + rng.random())) * rng.normal()
        edges.append(np.column_stack([x, side * width_mm / 2 + y]))
    return turned(np.vstack([edges[0], edges[1][::-1]]), turn_deg)


def turned(points: Floats, turn_deg: float) -> Floats:
    """Turn points (N, 2) about (0, 0)."""
    a = np.deg2rad(turn_deg)
    return points @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def pattern_at(x_mm: float, y_mm: float, turn_deg: float = 0.0) -> Floats:
    """Return the corners of a board's pattern with its middle at (x, y)."""
    return rectangle(*PATTERN_MM, turn_deg) + np.array([x_mm, y_mm])


def draw_scene(
    outline_mm: Floats,
    patterns_mm: tuple[Floats, ...],
    rng: np.random.Generator,
    *,
    size_mm: tuple[float, float] = (1000.0, 760.0),
    look: Look | None = None,
    grain_deg: float = 0.0,
    margin_mm: float = 16.0,
    mm_per_px: float = MM_PER_PX,
) -> Scene:
    """Draw a slab on a bench, seen square-on, with boards on it."""
    look = look or Look()
    width, height = (round(s / mm_per_px) for s in size_mm)
    x0, y0 = -size_mm[0] / 2, -size_mm[1] / 2
    inside = coverage(outline_mm, (width, height), (x0, y0), mm_per_px)
    x, y = np.meshgrid(x0 + np.arange(width) * mm_per_px, y0 + np.arange(height) * mm_per_px)
    bench = _bench((height, width), look, rng, mm_per_px) * _shadow(inside, look, mm_per_px)[..., None]
    picture = inside[..., None] * _wood(inside, x, y, look, rng, grain_deg, mm_per_px) + (1 - inside[..., None]) * bench
    for pattern in patterns_mm:
        _lay_board(picture, pattern, (x0, y0), mm_per_px, margin_mm)
    picture *= (1 + look.light_slope * (x / size_mm[0] + 0.5 * y / size_mm[1]))[..., None]
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), max(0.3, look.blur_mm / mm_per_px))
    picture = picture + rng.normal(0, look.noise, picture.shape)
    pixels = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    ortho = Ortho(pixels, np.ones((height, width), dtype=bool), x0, y0, mm_per_px)
    return Scene(ortho, outline_mm, patterns_mm)


def coverage(outline_mm: Floats, size: tuple[int, int], start_mm: tuple[float, float], mm_per_px: float) -> Floats:
    """Return the share (H, W) of each pixel inside an outline, by drawing it 4 times finer."""
    fine = 4
    mask = np.zeros((size[1] * fine, size[0] * fine), np.uint8)
    points = ((outline_mm - np.array(start_mm)) / mm_per_px + 0.5) * fine - 0.5
    cv2.fillPoly(mask, [np.round(points * 256).astype(np.int32)], 1, shift=8)
    return cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA).astype(np.float64)


def _noise(shape: tuple[int, int], rng: np.random.Generator, sigma: tuple[float, float]) -> Floats:
    """Smooth noise of unit spread; sigma in px along x and y."""
    shrink = [max(1, int(s / 2)) for s in sigma]
    small = (max(4, shape[0] // shrink[1]), max(4, shape[1] // shrink[0]))
    raw = rng.normal(size=small).astype(np.float32)
    raw = cv2.GaussianBlur(raw, (0, 0), sigmaX=max(0.3, sigma[0] / shrink[0]), sigmaY=max(0.3, sigma[1] / shrink[1]))
    big = cv2.resize(raw, shape[::-1], interpolation=cv2.INTER_CUBIC).astype(np.float64)
    return (big - big.mean()) / max(big.std(), 1e-9)


def _bench(shape: tuple[int, int], look: Look, rng: np.random.Generator, mm_per_px: float) -> Floats:
    px = 1 / mm_per_px
    if look.bench_kind == "plain":
        tone = np.zeros(shape)
    elif look.bench_kind == "stripes":
        tone = np.sign(np.sin(2 * np.pi * (np.add.outer(np.arange(shape[0]), 0.6 * np.arange(shape[1]))) / (35 * px)))
    elif look.bench_kind == "planks":
        plank = rng.normal(size=60)[(np.arange(shape[0]) / (70 * px)).astype(int) % 60]
        tone = plank[:, None] + 0.5 * _noise(shape, rng, (60 * px, 1.2 * px))
    else:
        tone = 0.7 * _noise(shape, rng, (0.8 * px, 0.8 * px)) + 0.7 * _noise(shape, rng, (15 * px, 15 * px))
    return np.array(look.bench)[None, None, :] * np.exp(look.bench_contrast * tone)[..., None]


def _wood(
    inside: Floats, x: Floats, y: Floats, look: Look, rng: np.random.Generator, grain_deg: float, mm_per_px: float
) -> Floats:
    a = np.deg2rad(grain_deg)
    along, across = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
    wave = _noise(x.shape, rng, (120 / mm_per_px, 60 / mm_per_px))
    rings = np.sin(2 * np.pi * (across + 6 * wave) / 7.0)
    fibre = _turned_noise(along, across, rng)
    tone = look.grain_contrast * (0.7 * rings + 0.8 * fibre)
    depth = cv2.distanceTransform((inside > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * mm_per_px
    share = 1 / (1 + np.exp(-(depth - look.sap_mm + 5 * wave) / 3.0)) if look.sap_mm > 0 else np.ones_like(depth)
    colour = np.array(look.sap) * (1 - share[..., None]) + np.array(look.heart) * share[..., None]
    return colour * np.exp(tone)[..., None]


def _turned_noise(along: Floats, across: Floats, rng: np.random.Generator) -> Floats:
    field = _noise((1200, 400), rng, (2.0, 1.0))
    u = np.mod(along / 12.0, 399).astype(np.float32)
    v = np.mod(across / 0.7, 1199).astype(np.float32)
    return cv2.remap(field.astype(np.float32), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP).astype(np.float64)


def _shadow(inside: Floats, look: Look, mm_per_px: float) -> Floats:
    if look.shadow_mm <= 0:
        return np.ones_like(inside)
    a = np.deg2rad(look.shadow_deg)
    hard = np.zeros_like(inside, dtype=np.float32)
    for step in np.linspace(0, look.shadow_mm, 12):
        move = np.array([[1, 0, step * np.cos(a) / mm_per_px], [0, 1, step * np.sin(a) / mm_per_px]])
        hard = np.maximum(hard, cv2.warpAffine(inside.astype(np.float32), move, inside.shape[::-1]))
    soft = cv2.GaussianBlur(hard, (0, 0), max(0.5, look.shadow_soft_mm / mm_per_px))
    return 1 - look.shadow_depth * soft.astype(np.float64)


def _lay_board(picture: Floats, pattern: Floats, start: tuple[float, float], mm_per_px: float, margin: float) -> None:
    size = (picture.shape[1], picture.shape[0])
    a, b, _, d = pattern
    ux, uy = (b - a) / PATTERN_MM[0], (d - a) / PATTERN_MM[1]
    at: NDArray[np.float64] = np.array([[-margin, -margin], [210 + margin, -margin], [210 + margin, 150 + margin]])
    at = np.vstack([at, [-margin, 150 + margin]])
    sheet = a + at[:, :1] * ux + at[:, 1:] * uy
    cover = coverage(sheet, size, start, mm_per_px)[..., None]
    picture[:] = picture * (1 - cover) + cover * np.array([235.0, 235.0, 232.0])
    for row in range(5):
        for column in range(row % 2, 7, 2):
            corner = a + 30 * column * ux + 30 * row * uy
            square = np.array([corner, corner + 30 * ux, corner + 30 * (ux + uy), corner + 30 * uy])
            dark = coverage(square, size, start, mm_per_px)[..., None]
            picture[:] = picture * (1 - dark) + dark * 40.0
