"""Coat series of known truth: the same patch after each seal coat, with pinholes that stay, close and come."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from voidmap import files
from voidmap.coat.pit import RIM_RADII, Pit, draw_pit, sanded_style
from voidmap.simulate.camera import SHARPEN_PX, Camera, develop, look, tone_of
from voidmap.simulate.faint import FAINT_INDEX, detectability
from voidmap.simulate.gloss import Finish, Tube, eye_of, shade
from voidmap.simulate.grid import Floats, Grid, Slab
from voidmap.simulate.jpeg import jpeg_bytes
from voidmap.simulate.noise import F32, fractal, smooth
from voidmap.simulate.patch import TINTS, Patch, Site, grow_sites, patch_of
from voidmap.simulate.photograph import TILE_PX, Rays, mean_of, spread
from voidmap.simulate.sheets import Sheet, albedo_at
from voidmap.simulate.slab import random_slab
from voidmap.simulate.truth import write_truth

PIT_OVERSAMPLE = 5
"""Rays a pixel in x and in y on a pit."""
OVERSAMPLE = 1
"""Rays a pixel elsewhere: the patch's cells are about as wide as a pixel, and its look-up smooths between them."""
SHEET_OVERSAMPLE = 3
COARSE_CELLS = 4
"""Fields that vary over many cells are drawn on every fourth."""


def coat_over(rng: np.random.Generator, patch: Patch, *, sanded: bool, distance_mm: float) -> Finish:
    """Lay a coat over a patch: waves, lamps in the ceiling, and sanding haze with swirls and low spots."""
    grid, shape = patch.grid, patch.grid.shape
    c = grid.cell_mm
    waves = [float(rng.uniform(0.001, 0.006)) * _broad(rng, shape, s / c) for s in (25, 25, 5, 5)]
    waves[2] *= np.float32(0.3)
    waves[3] *= np.float32(0.3)
    haze = np.zeros(shape, np.float32)
    base = patch.base * np.float32(1 + 0.06 * rng.standard_normal())
    light = 1 + 0.12 * _broad(rng, shape, grid.columns * 0.8)
    base = base * np.clip(light, 0.6, 1.5)[..., None]
    if sanded:
        low = np.clip(fractal(rng, shape, (45 / c, 35 / c), 3) * 1.5 - rng.uniform(1.0, 2.2), 0, 1)
        haze = np.asarray(rng.uniform(0.75, 0.95) * (1 - 0.85 * low) + _swirls(rng, grid) * (1 - low), dtype=np.float32)
        haze *= 1 + 0.06 * _broad(rng, shape, 8 / c)
        haze = np.clip(haze, 0, 1).astype(np.float32)
    return Finish(grid, base.astype(np.float32), waves[0] + waves[2], waves[1] + waves[3], haze,
                  _lamps(rng, distance_mm), float(rng.uniform(0.1, 0.7)))  # fmt: skip


def _broad(rng: np.random.Generator, shape: tuple[int, int], scale_cells: float) -> F32:
    """Return a smooth field (rows, columns) drawn on a coarser grid."""
    n = COARSE_CELLS
    few = smooth(rng, (shape[0] // n + 2, shape[1] // n + 2), (scale_cells / n, scale_cells / n))
    out: F32 = cv2.resize(few, (few.shape[1] * n, few.shape[0] * n), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(out[: shape[0], : shape[1]])


def _lamps(rng: np.random.Generator, distance_mm: float) -> tuple[Tube, ...]:
    """Hang lamps overhead, which the level surface mirrors, and set windows aside, which only steep rims mirror."""
    tubes = []
    for _ in range(int(rng.integers(1, 4))):
        up = float(rng.uniform(1200, 2400))
        spread_mm = 0.5 * min(1.0, up / 1500) * distance_mm * (1 + up / distance_mm) * 0.5
        long = bool(rng.random() < 0.7)
        tubes.append(
            Tube(
                float(rng.uniform(-1, 1) * spread_mm), float(rng.uniform(-1, 1) * spread_mm), up,
                float(rng.uniform(300, 700) if long else rng.uniform(40, 150)), float(rng.uniform(15, 90)),
                float(rng.uniform(0, np.pi)), float(rng.uniform(5, 60)), float(rng.uniform(4, 22)),
            )
        )  # fmt: skip
    for _ in range(int(rng.integers(0, 3))):
        side, away = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(1200, 3500))
        tubes.append(
            Tube(
                away * float(np.cos(side)), away * float(np.sin(side)), float(rng.uniform(700, 1800)),
                float(rng.uniform(300, 900)), float(rng.uniform(150, 600)), side + float(rng.normal(0, 0.3)),
                float(rng.uniform(20, 80)), float(rng.uniform(2, 9)),
            )
        )  # fmt: skip
    return tuple(tubes)


def _swirls(rng: np.random.Generator, grid: Grid) -> F32:
    """Return the small loops that a random-orbit sander leaves, and a few long scratches."""
    out = np.zeros(grid.shape, np.float32)
    for _ in range(int(grid.rows * grid.columns * grid.cell_mm**2 / 60)):
        centre = (int(rng.integers(grid.columns)), int(rng.integers(grid.rows)))
        r = max(2, int(rng.uniform(1.5, 5) / grid.cell_mm))
        start = float(rng.uniform(0, 360))
        cv2.ellipse(
            out,
            centre,
            (r, r),
            0,
            start,
            start + float(rng.uniform(60, 300)),
            float(rng.uniform(-0.15, 0.15)),
            1,
            cv2.LINE_AA,
        )
    return cv2.GaussianBlur(out, (0, 0), 0.6)


def _lint(rng: np.random.Generator, finish: Finish, reach_mm: tuple[float, float], middle: Floats) -> list[list[float]]:
    """Lay pale and dark threads on the coat, in place; return their middles, mm."""
    grid, places = finish.grid, []
    for _ in range(int(rng.integers(3, 14))):
        at = middle + rng.uniform(-1, 1, 2) * reach_mm
        a = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.12, 40)) + rng.normal(0, 0.03) * np.arange(40)
        step = rng.uniform(0.05, 0.25)
        run = at + np.cumsum(np.c_[np.cos(a), np.sin(a)] * step, 0)
        cells = np.round(grid.to_cell(run) * 16).astype(np.int32)
        mask = np.zeros(grid.shape, np.uint8)
        cv2.polylines(mask, [cells], False, 255, 1, cv2.LINE_AA, 4)
        box = grid.box(run.min(0) - 1, run.max(0) + 1)
        if box.empty:
            continue
        share = mask[box.at].astype(np.float32)[..., None] / 255 * np.float32(rng.uniform(0.3, 0.8))
        tone = np.float32(rng.choice([0.7, 0.7, 0.05]))
        finish.base[box.at] += share * (tone - finish.base[box.at])
        places.append([float(v) for v in run[len(run) // 2]])
    return places


def photograph_coat(
    finish: Finish, camera: Camera, pits: list[Pit], sheets: tuple[Sheet, ...], rng: np.random.Generator
) -> tuple[Any, list[float]]:
    """Take a photo of a coat; returns B, G, R pixels before JPEG and each pit's index of detectability."""
    rays, eye = Rays(camera), eye_of(camera)
    w, h = camera.size
    bare = np.empty((h, w, 3), np.float32)
    for top in range(0, h, TILE_PX):
        for left in range(0, w, TILE_PX):
            bottom, right = min(h, top + TILE_PX), min(w, left + TILE_PX)
            at, _ = rays.at(spread(left, right, OVERSAMPLE), spread(top, bottom, OVERSAMPLE))
            seen = shade(finish, at, eye)
            bare[top:bottom, left:right] = mean_of(seen, bottom - top, right - left, OVERSAMPLE)
    white = 0.9 / float(np.quantile(bare[::8, ::8].max(2), 0.93))
    camera = replace(camera, exposure=min(white, 1.05))
    full = bare.copy()
    for pit in pits:
        _press(full, finish, camera, rays, eye, pit)
    for sheet in sheets:
        _lay_sheet((bare, full), camera, rays, sheet)
    pixels = develop(full, camera, copy.deepcopy(rng))
    signal = _expected(full, camera) - _expected(bare, camera)
    plain = develop(bare, camera, rng)
    without = np.asarray(cv2.cvtColor(plain, cv2.COLOR_BGR2GRAY), dtype=np.float32)
    error = _grey(plain, camera) - without
    scale = camera.mm_per_px()
    reach = [RIM_RADII * pit.diameter_mm / 2 / scale + 2 * camera.blur_px + 1 for pit in pits]
    centre = camera.project([[pit.x_mm, pit.y_mm] for pit in pits]) if pits else np.zeros((0, 2))
    return pixels, [
        detectability(signal, without, error, (float(x), float(y)), r) for (x, y), r in zip(centre, reach, strict=True)
    ]


def _expected(light: F32, camera: Camera) -> F32:
    """Return the grey picture (rows, columns) that light gives on average: no noise, no rounding, no JPEG."""
    rows, columns = light.shape[:2]
    x = ((np.arange(columns) - columns / 2) / np.hypot(rows, columns) * 2).astype(np.float32)
    y = ((np.arange(rows) - rows / 2) / np.hypot(rows, columns) * 2).astype(np.float32)
    picture = cv2.GaussianBlur(light, (0, 0), max(camera.blur_px, 0.2))
    picture *= (1 - np.float32(camera.vignette) * (x[None, :] ** 2 + y[:, None] ** 2))[..., None]
    tone = tone_of(np.clip(picture * np.float32(camera.exposure or 1.0), 0, 1))
    grey = tone @ np.array([0.299, 0.587, 0.114], np.float32)
    grey += np.float32(camera.sharpen) * (grey - cv2.GaussianBlur(grey, (0, 0), SHARPEN_PX))
    return np.asarray(np.clip(grey, 0, 1) * 255, dtype=np.float32)


def _grey(pixels: Any, camera: Camera) -> F32:
    """Return the grey picture (rows, columns) that the written JPEG shows."""
    written = np.frombuffer(jpeg_bytes(pixels, camera), np.uint8)
    return np.asarray(cv2.imdecode(written, cv2.IMREAD_GRAYSCALE), dtype=np.float32)


def _press(out: F32, finish: Finish, camera: Camera, rays: Rays, eye: Floats, pit: Pit) -> None:
    """Press one pit into the picture, in place."""
    h, w = out.shape[:2]
    reach = RIM_RADII * pit.diameter_mm / 2
    ring = np.array([[pit.x_mm + i * reach, pit.y_mm + j * reach] for i in (-1, 1) for j in (-1, 1)])
    px = camera.project(ring)
    lo = np.clip(np.floor(px.min(0)).astype(int) - 1, 0, [w, h])
    hi = np.clip(np.ceil(px.max(0)).astype(int) + 2, 0, [w, h])
    if (hi <= lo).any():
        return
    n = PIT_OVERSAMPLE
    at, _ = rays.at(spread(int(lo[0]), int(hi[0]), n), spread(int(lo[1]), int(hi[1]), n))
    shape = (int(hi[1] - lo[1]), int(hi[0] - lo[0]), n)
    before, after = mean_of(shade(finish, at, eye), *shape), mean_of(shade(finish, at, eye, pit), *shape)
    out[lo[1] : hi[1], lo[0] : hi[0]] += after - before


def _lay_sheet(pictures: tuple[F32, ...], camera: Camera, rays: Rays, sheet: Sheet) -> None:
    h, w = pictures[0].shape[:2]
    px = camera.project(sheet.corners())
    lo = np.clip(np.floor(px.min(0)).astype(int) - 2, 0, [w, h])
    hi = np.clip(np.ceil(px.max(0)).astype(int) + 3, 0, [w, h])
    n = SHEET_OVERSAMPLE
    for top in range(int(lo[1]), int(hi[1]), 64):
        bottom = min(int(hi[1]), top + 64)
        at, _ = rays.at(spread(int(lo[0]), int(hi[0]), n), spread(top, bottom, n))
        albedo, on = albedo_at(sheet, at)
        shape = (bottom - top, int(hi[0] - lo[0]), n)
        free, paper = 1 - mean_of(on, *shape), mean_of(albedo * on, *shape)
        for picture in pictures:
            area = picture[top:bottom, lo[0] : hi[0]]
            area *= free
            area += paper


def coat_camera(rng: np.random.Generator, middle: Floats, view_mm: float, megapixels: float) -> Camera:
    """Return a phone held over a patch; the picture is ``view_mm`` wide."""
    width = round(np.sqrt(megapixels * 1e6 * 4 / 3) / 4) * 4
    focal = width * float(rng.uniform(0.72, 0.8))
    up = view_mm * focal / width
    at = middle + rng.normal(0, 0.02 * view_mm, 2)
    eye = middle + rng.normal(0, 0.06 * view_mm, 2)
    return look(
        (float(eye[0]), float(eye[1]), -float(up * rng.uniform(0.98, 1.05))), (float(at[0]), float(at[1])),
        size=(width, width * 3 // 4 // 2 * 2), focal_px=focal, turn_deg=float(rng.normal(0, 5)),
        dist=(float(rng.normal(0, 0.04)), float(rng.normal(0, 0.015)), float(rng.normal(0, 3e-4)), 0.0, 0.0),
        blur_px=float(rng.uniform(0.55, 1.2)), full_well=float(rng.uniform(3000, 12000)),
        sharpen=float(rng.uniform(0.1, 0.9)), vignette=float(rng.uniform(0.1, 0.35)), quality=int(rng.integers(82, 96)),
    )  # fmt: skip


def coat_truth(
    name: str,
    number: int,
    surface: str,
    camera: Camera,
    sheet: Sheet,
    sites: list[Site],
    told: list[float],
    lint: list[list[float]],
) -> dict[str, Any]:
    """Return what is true of one coat photo."""
    w, h = camera.size
    px = camera.project([[s.pit.x_mm, s.pit.y_mm] for s in sites]) if sites else np.zeros((0, 2))
    paper = camera.project(sheet.corners()).astype(np.float32)
    holes = []
    for site, at, index in zip(sites, px, told, strict=True):
        free = cv2.pointPolygonTest(paper, (float(at[0]), float(at[1])), True) < -3
        hole = {
            "id": site.id, "x_mm": site.pit.x_mm, "y_mm": site.pit.y_mm, "x_px": float(at[0]), "y_px": float(at[1]),
            "diameter_mm": site.pit.diameter_mm, "kind": site.kind, "first_coat": site.first_coat,
            "index": round(index, 2),
            "in_frame": bool(free and 3 < at[0] < w - 4 and 3 < at[1] < h - 4),
        }  # fmt: skip
        if index < FAINT_INDEX:
            hole["faint"] = True
        holes.append(hole)
    return {"name": name, "coat": number, "surface": surface, "camera": camera.truth(), "boards": [sheet.truth()],
            "pinholes": holes, "lint_mm": lint}  # fmt: skip


def write_coats(
    folder: Path,
    stems: list[str],
    seed: int,
    patch: Patch,
    sites: list[list[Site]],
    surfaces: list[str],
    view_mm: float,
    *,
    megapixels: float,
    name: str,
    board: int = 0,
    board_in: float | None = None,
    quality: int | None = None,
) -> tuple[Path, ...]:
    """Photograph and write one coat a stem (STEM.jpg, STEM.json)."""
    grid, paths = patch.grid, []
    middle = grid.to_mm([[grid.columns / 2, grid.rows / 2]])[0]
    reach = (0.45 * view_mm, 0.34 * view_mm)
    for k, (stem, surface) in enumerate(zip(stems, surfaces, strict=True)):
        rng = np.random.default_rng([seed, 3000 + k])
        camera = coat_camera(rng, middle, view_mm, megapixels)
        camera = camera if quality is None else replace(camera, quality=quality)
        finish = coat_over(rng, patch, sanded=surface == "sanded", distance_mm=view_mm)
        lint = _lint(rng, finish, reach, middle)
        sheet = _board_in_view(rng, patch, middle, view_mm, board, board_in)
        pits = [as_sanded(rng, s.pit) if surface == "sanded" else s.pit for s in sites[k]]
        pixels, told = photograph_coat(finish, camera, pits, (sheet,), rng)
        truth = coat_truth(name, k + 1, surface, camera, sheet, sites[k], told, lint)
        files.write_bytes(folder / f"{stem}.jpg", jpeg_bytes(pixels, camera, minute=30 + k))
        write_truth(folder / f"{stem}.json", truth)
        paths.append(folder / f"{stem}.jpg")
    return tuple(paths)


def as_sanded(rng: np.random.Generator, pit: Pit) -> Pit:
    """Return a pit as sanding leaves it: of the same size, packed with dust or opened."""
    return draw_pit(rng, pit.x_mm, pit.y_mm, pit.diameter_mm, sanded_style(rng, pit.style))


def _board_in_view(
    rng: np.random.Generator, patch: Patch, middle: Floats, view_mm: float, board: int, outward: float | None
) -> Sheet:
    """Lay a board by a corner of the picture.

    ``outward`` above 1 lets part of it leave the picture, and the corner is then the one where it hides least
    of the fills, as a finisher would lay it.
    """
    turn = float(rng.normal(0, 6))
    side = rng.choice([-1.0, 1.0], 2)
    reach = rng.uniform(0.8, 1.0, 2) if outward is None else np.full(2, outward)
    away = np.array([view_mm / 2 - 125, view_mm * 0.375 - 95]) * reach
    a = np.radians(turn)
    half = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.array([105.0, 75.0])

    def sheet(sides: Floats) -> Sheet:
        x, y = middle + sides * away - half
        return Sheet(board, float(x), float(y), turn, (12.0, 12.0, 12.0, 12.0))

    if outward is None:
        return sheet(side)
    corners = [np.array([i, j]) for i in (-1.0, 1.0) for j in (-1.0, 1.0)]
    return min((sheet(c) for c in corners), key=lambda s: _hidden(patch, s))


def _hidden(patch: Patch, sheet: Sheet) -> float:
    """Return how many cells of fill a sheet hides."""
    area = np.zeros(patch.grid.shape, np.uint8)
    cv2.fillPoly(area, [np.round(patch.grid.to_cell(sheet.corners())).astype(np.int32)], 1)
    return float(patch.filled[area > 0].sum())


def slab_of_series(
    seed: int, cell_mm: float = 0.15, figures: tuple[str, ...] = ()
) -> tuple[np.random.Generator, float, Slab]:
    """Return the slab that a coat series of that seed is of, the width of its photos (mm), and what draws the rest."""
    rng = np.random.default_rng([seed, 77])
    view = float(rng.uniform(380, 470))
    length, width = 1.35 * view, 1.2 * view
    slab = random_slab(rng, length_mm=length, width_mm=width, cell_mm=max(0.25, cell_mm), busy=0.8, figures=figures)
    return rng, view, slab


def write_series(
    folder: Path | str,
    name: str,
    seed: int,
    *,
    coats: int = 3,
    surface: str = "gloss",
    megapixels: float = 5.0,
    count: int | None = None,
    tint: str | None = None,
    cell_mm: float = 0.15,
    figures: tuple[str, ...] = (),
) -> tuple[Path, ...]:
    """Write NAME-1.jpg, NAME-1.json, ...: the same patch after each seal coat.

    ``surface`` is gloss or sanded (every coat). ``count`` pinholes after the first coat (50 to 800 at random when
    None), ``figures`` is what the wood's face has (:data:`voidmap.simulate.figure.FIGURES`). The same seed and options
    give the same files.
    """
    rng, view, slab = slab_of_series(seed, cell_mm, figures)
    first = count or int(np.exp(rng.uniform(np.log(50), np.log(800))))
    patch = patch_of(rng, slab, (0.0, 0.0), (1.2 * view, 0.95 * view), cell_mm, tint or str(rng.choice(sorted(TINTS))))
    sites = grow_sites(rng, patch, first, coats, (0.47 * view, 0.35 * view))
    stems = [f"{name}-{k + 1}" for k in range(coats)]
    return write_coats(
        Path(folder), stems, seed, patch, sites, [surface] * coats, view, megapixels=megapixels, name=name
    )
