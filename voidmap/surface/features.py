"""What a candidate looks like, in figures that mean the same on every slab.

Darkness is a natural log against the slab's own sound wood, texture a multiple of the sound wood's, the rim's
sharpness a multiple of the picture's own blur, lengths are in millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from voidmap.model import Floats
from voidmap.surface.along_rim import NAMES as RIM
from voidmap.surface.along_rim import along_line, along_rim
from voidmap.surface.light import Evened
from voidmap.surface.mosaic import Bools, Floats32
from voidmap.surface.quantiles import median, quantiles
from voidmap.surface.rim import Cover, polygon_area
from voidmap.surface.wander import run_of

# The rings on both sides of a rim in which its step is measured, from and to, mm from the rim.
INNER_RING_MM, OUTER_RING_MM = (0.2, 1.2), (0.5, 2.0)
# Texture is told only of things with at least this many cells of the patch grid inside.
LEAST_TEXTURE_CELLS = 24
# Light below this share of the sound wood's is as dark as only a void's bottom is.
BLACK_SHARE = 0.35
# How uneven a thing is: its darkness from its 10 % to its 90 % quantile over the scatter of the wood around it. A
# void's floor and walls lie in uneven shade; a field of wood that a ring or a stain sets off varies as wood does. Of
# patches of 100 to 400 mm² that are doubtful by all else it parts the voids from the others nearly by itself (0.96 of
# pairs, on 156 simulated slabs). Beyond this range it says no more, and so does a step at the rim beyond its own; wood
# is not evener than the least scatter (natural log).
UNEVEN, STEPS, LEAST_SCATTER = (0.3, 6.0), (0.05, 20.0), 0.03
# A thing's step at the rim over how uneven this slab's sound wood is from millimetre to millimetre: late wood that
# stands out as lines is as dark as a shallow crack on another slab. Within these limits.
STEPS_IN_FIGURE = (0.2, 100.0)


@dataclass(frozen=True, eq=False)
class Candidate:
    """A thing that may be a void: found as a ``patch``, a ``line`` or a ``dot``.

    ``rim_level`` is the covered share at which a line's outline has the width that its profiles tell, ``bones_px``
    (M, 2) what it was traced by.
    """

    cover: Cover
    source: str
    score: float
    path_px: Floats | None = None
    width_max_px: float | None = None
    rim_level: float = 0.5
    bones_px: Floats | None = None
    features: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Texture:
    """Gradients of the evened picture on the patch grid, and their usual size in sound wood."""

    along: Floats32
    across: Floats32
    fine: Floats32
    usual: dict[str, float]


def texture_of(evened: Evened, distance: Floats32) -> Texture:
    """Measure the texture of the whole top, and what is usual for its sound wood."""
    bright = evened.patch[..., 0]
    fill = np.where(evened.patch_seen, bright, np.float32(0))
    right = cv2.Sobel(fill, cv2.CV_32F, 1, 0, scale=0.125)
    down = cv2.Sobel(fill, cv2.CV_32F, 0, 1, scale=0.125)
    turn = math.radians(evened.grain_deg)
    along = cv2.addWeighted(right, math.cos(turn), down, math.sin(turn), 0)
    across = cv2.addWeighted(right, -math.sin(turn), down, math.cos(turn), 0)
    fine = cv2.subtract(fill, cv2.GaussianBlur(fill, (0, 0), 1.5 / evened.cell_mm))
    inner = cv2.erode(evened.patch_seen.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    sound = inner & (distance < 3.0)
    usual = {}
    for name, values in (("along", along), ("across", across), ("fine", fine)):
        sample = values[sound][::5]
        usual[name] = max(_rms(sample) if len(sample) else 0.0, 0.004)
    return Texture(along, across, fine, usual)


def describe(
    candidate: Candidate, evened: Evened, distance: Floats32, texture: Texture, blur_px: float
) -> dict[str, float]:
    """Return the figures of a candidate."""
    figures = {"score": candidate.score}
    figures["is_line"] = float(candidate.source == "line")
    figures["is_dot"] = float(candidate.source == "dot")
    figures |= _form(candidate, evened)
    figures |= _darkness(candidate.cover, evened, blur_px)
    rim_of = {"patch": along_rim, "line": along_line}.get(candidate.source)
    figures |= dict.fromkeys(RIM, 0.0) if rim_of is None else rim_of(candidate.cover, evened, blur_px)
    figures |= _inside(candidate.cover, evened, distance, texture)
    figures["step_in_figure"] = _log_within(figures["step"] / texture.usual["fine"], STEPS_IN_FIGURE)
    return figures


def _form(candidate: Candidate, evened: Evened) -> dict[str, float]:
    mm = evened.mm_per_px
    outline = candidate.cover.outline_px
    area = candidate.cover.area_px
    smooth = _smoothed(outline, max(3, round(1.0 / mm)))
    rim = float(np.hypot(*np.diff(np.vstack([smooth, smooth[:1]]), axis=0).T).sum())
    hull = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    off = outline - outline.mean(axis=0)
    sizes, ways = np.linalg.eigh(off.T @ off)
    minor, major = (max(math.sqrt(max(float(size), 0.0)), 1e-6) for size in sizes)
    turn = math.degrees(math.atan2(ways[1, 1], ways[0, 1])) - evened.grain_deg
    length = float(np.ptp(outline @ ways[:, 1]))
    straight, turning, reach = 0.0, 0.0, 1.0
    if candidate.path_px is not None and len(candidate.path_px) > 4:
        turning, reach = run_of(candidate.path_px * mm)
        path = candidate.path_px - candidate.path_px.mean(axis=0)
        straight = _rms(path @ np.linalg.svd(path, full_matrices=False)[2][1]) * mm
        length = float(np.hypot(*np.diff(candidate.path_px, axis=0).T).sum())
    return {
        "log_area": math.log(max(area, 1.0) * mm * mm),
        "log_area_px": math.log(max(area, 1.0)),
        "log_length": math.log(max(length, 1.0) * mm),
        "log_slender": math.log(max(length, 1.0) ** 2 / max(area, 1.0)),
        "log_axes": math.log(major / minor),
        "solidity": float(area / max(abs(polygon_area(hull)), area, 1.0)),
        "roundness": float(4 * np.pi * area / max(rim * rim, 1.0)),
        "off_grain": float(abs((turn + 90.0) % 180.0 - 90.0)) if major > 1.3 * minor else 45.0,
        "bow": straight,
        "bow_share": straight / max(length * mm, 1e-6),
        "turning": turning,
        "reach_share": reach,
    }


def _smoothed(outline: Floats, reach: int) -> Floats:
    if len(outline) < 3 * reach:
        return outline
    padded = np.vstack([outline[-reach:], outline, outline[:reach]])
    kernel = np.ones(2 * reach + 1) / (2 * reach + 1)
    return np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)])


def _box(cover: Cover, pad: int, shape: tuple[int, ...]) -> tuple[tuple[slice, slice], Bools]:
    """Cut a box of the full picture around a cover, and the cover's mask in that box."""
    x, y = cover.corner
    h, w = cover.mask.shape
    x0, y0, x1, y1 = max(0, x - pad), max(0, y - pad), min(shape[1], x + w + pad), min(shape[0], y + h + pad)
    mask = np.zeros((y1 - y0, x1 - x0), bool)
    mask[y - y0 : y - y0 + h, x - x0 : x - x0 + w] = cover.mask
    return (slice(y0, y1), slice(x0, x1)), mask


def _darkness(cover: Cover, evened: Evened, blur_px: float) -> dict[str, float]:
    mm = evened.mm_per_px
    box, mask = _box(cover, int(np.ceil(OUTER_RING_MM[1] / mm)) + 2, evened.seen.shape)
    bare = evened.seen[box]
    dark = np.where(bare, evened.dark[box], np.float32(0))
    deep = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3) * mm
    away = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 3) * mm
    inside = mask & bare
    values = dark[inside] if inside.any() else np.zeros(1, np.float32)
    low, middle, high = quantiles(values, 0.1, 0.5, 0.9)
    thickest = float(deep.max())
    ring_in = inside & (deep >= min(INNER_RING_MM[0], 0.4 * thickest)) & (deep <= INNER_RING_MM[1])
    ring_out = bare & (away >= OUTER_RING_MM[0]) & (away <= OUTER_RING_MM[1])
    around = (away > 0) & (away <= OUTER_RING_MM[1])
    core = inside & (deep > max(INNER_RING_MM[1], 0.5 * thickest))
    at_rim = median(dark[ring_in], middle)
    outside = dark[ring_out] if ring_out.any() else np.zeros(1, np.float32)
    bright, beyond, dim = quantiles(outside, 0.9, 0.5, 0.1)
    step, scatter = beyond - at_rim, max(bright - dim, LEAST_SCATTER)
    slope = _slope_on(cover, dark, box)
    width = abs(step) / (math.sqrt(2 * math.pi) * max(slope, 1e-4))
    light = np.exp(values)
    lean_x, lean_y = _lean(light, inside) if len(values) > 30 and values.std() > 1e-3 else (0.0, 0.0)
    return {
        "dark_low": low,
        "dark_middle": middle,
        "dark_high": high,
        "dark_spread": high - low,
        "outside_spread": bright - dim,
        "uneven": _log_within((high - low) / scatter, UNEVEN),
        "step": step,
        "step_in_scatters": _log_within(step / scatter, STEPS),
        "rim_width": min(width / blur_px, 20.0),
        "rim_width_mm": min(width * mm, 10.0),
        "collar": median(dark[core], at_rim) - at_rim,
        "black": float(np.mean(light < BLACK_SHARE)),
        "lean": math.hypot(lean_x, lean_y),
        "lean_x": lean_x,
        "lean_y": lean_y,
        "at_border": 1.0 - float(np.mean(bare[around])) if around.any() else 1.0,
    }


def _log_within(value: float, limits: tuple[float, float]) -> float:
    """Natural log of a value that is first brought between the limits."""
    return math.log(min(max(value, limits[0]), limits[1]))


def _lean(light: Floats32, inside: Bools) -> tuple[float, float]:
    """Return how far the shade leans to the right and down, as correlations; ``light`` (n,) is that of ``inside``."""
    shade = light - light.mean()
    spread = max(_rms(shade), 1e-6)
    right, down = (
        -float(np.dot(off, shade)) / len(shade) / (spread * max(_rms(off), 1e-6)) for off in _off_middle(inside)
    )
    return right, down


def _off_middle(inside: Bools) -> tuple[Floats, Floats]:
    """Return how far each marked pixel lies from the middle of them all: columns (n,) and rows (n,)."""
    rows, columns = np.nonzero(inside)
    return columns - columns.mean(), rows - rows.mean()


def _slope_on(cover: Cover, dark: Floats32, box: tuple[slice, slice]) -> float:
    """Median slope of the darkness across the outline, per px."""
    soft = cv2.GaussianBlur(dark, (0, 0), 0.7)
    slope = cv2.magnitude(
        cv2.filter2D(soft, -1, np.array([[-0.5, 0, 0.5]], np.float32)),
        cv2.filter2D(soft, -1, np.array([[-0.5], [0], [0.5]], np.float32)),
    )
    stride = max(1, len(cover.outline_px) // 2000)
    local = cover.outline_px[::stride] - [box[1].start, box[0].start]
    columns, rows = np.rint(local).astype(np.intp).T
    height, width = slope.shape
    at = np.minimum(np.maximum(rows, 0), height - 1), np.minimum(np.maximum(columns, 0), width - 1)
    return median(slope[at], 0.0)


def _inside(cover: Cover, evened: Evened, distance: Floats32, texture: Texture) -> dict[str, float]:
    step = evened.step
    x, y = cover.corner
    shape = evened.patch_seen.shape
    left, top = x // step, y // step
    right, bottom = (
        min(shape[1], (x + cover.mask.shape[1]) // step + 1),
        min(shape[0], (y + cover.mask.shape[0]) // step + 1),
    )
    columns, rows = np.arange(left, right), np.arange(top, bottom)
    own_columns = np.minimum(np.maximum(columns * step + step // 2 - x, 0), cover.mask.shape[1] - 1)
    own_rows = np.minimum(np.maximum(rows * step + step // 2 - y, 0), cover.mask.shape[0] - 1)
    mask = cover.mask[own_rows[:, None], own_columns]
    box = (slice(top, bottom), slice(left, right))
    inside = mask & evened.patch_seen[box]
    names = ("blue", "red", "odd", "rough_along", "rough_across", "rough_fine", "ringed", "direction")
    if not inside.any():
        return dict.fromkeys(names, 0.0)
    tint = evened.patch[box][inside]
    figures = {
        "blue": median(tint[:, 1], 0.0),
        "red": median(tint[:, 2], 0.0),
        "odd": float(np.log1p(median(distance[box][inside], 0.0))),
    }
    core = inside
    if inside.sum() >= 4 * LEAST_TEXTURE_CELLS:
        core = _eroded(inside)
    if core.sum() < LEAST_TEXTURE_CELLS:
        return figures | dict.fromkeys(names[3:], 0.0)
    along, across = texture.along[box][core], texture.across[box][core]
    size = {"along": _rms(along), "across": _rms(across), "fine": _rms(texture.fine[box][core])}
    figures |= {f"rough_{name}": math.log(size[name] / texture.usual[name] + 0.05) for name in size}
    figures["ringed"] = _ringed(core, along, across, evened.grain_deg)
    figures["direction"] = math.log((size["along"] + 1e-3) / (size["across"] + 1e-3))
    return figures


def _eroded(inside: Bools) -> Bools:
    """Return the cells of a mask that lie two or more from its rim, and from the border of its box."""
    kernel = np.ones((5, 5), np.uint8)
    core = cv2.erode(inside.view(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(core).view(np.bool_)


def _rms(values: Floats32 | Floats) -> float:
    return math.sqrt(float(np.dot(values, values)) / len(values))


def _ringed(core: Bools, along: Floats32, across: Floats32, grain_deg: float) -> float:
    """Log of the gradients toward the middle over those around it: great where rings are concentric.

    ``along`` and ``across`` (n,) are the gradients of ``core``.
    """
    turn = math.radians(grain_deg)
    dx, dy = _off_middle(core)
    u, v = math.cos(turn) * dx + math.sin(turn) * dy, -math.sin(turn) * dx + math.cos(turn) * dy
    # An oblique cut makes ellipses of the rings: scale the axes alike.
    u, v = u / max(_rms(u), 1e-6) ** 2, v / max(_rms(v), 1e-6) ** 2
    size = np.maximum(np.hypot(u, v), 1e-6)
    inward = (along * u + across * v) / size
    around = (-along * v + across * u) / size
    return math.log((_rms(inward) + 1e-3) / (_rms(around) + 1e-3))
