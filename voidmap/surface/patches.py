"""Break a picture into patches of even look, and describe each patch and each border between two."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.model import Floats, Ortho

Bools = NDArray[np.bool_]
Ints = NDArray[np.int32]

# Longest side of the coarse picture, px: a slab's outline is then some 1,500 px long.
COARSE_PX = 560
# Patches are about this many coarse px across.
PATCH_PX = 7
# Softens the log of dark pixels, whose noise would be blown up otherwise (8-bit steps).
LOG_SOFT = 12.0
# Softens the log of the spread of fine detail, relative to brightness: an 8-bit step of a mid grey is 0.008.
DETAIL_SOFT = 0.002
# Gradients count up to this many grey steps, so that cracks and edges do not decide.
GRADIENT_CAP = 12.0
# Added to the energies of gradients, grey steps squared per px: that of an 8-bit picture's own noise.
ENERGY_SOFT = 0.3
# Rounds in which a patch shares its texture with its neighbours.
TEXTURE_SHARES = 3
# A step this many times its surroundings' usual step makes the cut e times cheaper.
STEP_SCALE = 1.5
LEAST_STEP = 0.02
# Slopes are no less than those of an 8-bit step of a bright grey over a px (log units).
LEAST_SLOPE = 0.004
# Names of the columns of Coarse.looks.
LOOKS = ("brightness", "red", "blue", "detail", "grain")
# Those that tell the tint.
COLOUR = slice(1, 3)


@dataclass(frozen=True, eq=False)
class Coarse:
    """A picture broken into patches.

    ``labels`` (h, w) int32 from 0; ``looks`` (n, 5) as named in ``LOOKS``, in log units; ``sizes`` (n,) px;
    ``pairs`` (m, 2) neighbours with ``lengths`` (m,) px of common border and ``steps`` (m,), the step of tone
    across it (log units) and ``links`` (m,) px: what it costs to cut the two apart, little along a visible
    edge; ``tensor`` (n, 3) the structure tensor (xx, yy, xy) of the fine detail; ``scale`` coarse px per px of
    the picture that was broken up.
    """

    labels: Ints
    looks: Floats
    sizes: Floats
    pairs: NDArray[np.int64]
    lengths: Floats
    steps: Floats
    links: Floats
    tensor: Floats
    scale: float
    valid: Bools

    def mean(self, values: NDArray[np.generic]) -> Floats:
        """Return the mean (n,) over each patch of a coarse picture (h, w)."""
        total = np.bincount(self.labels.ravel(), np.asarray(values, dtype=np.float64).ravel(), len(self.sizes))
        return np.asarray(total / self.sizes, dtype=np.float64)


def break_up(small: Ortho) -> Coarse:
    """Break the picture into patches of even look.

    Parameters
    ----------
    small
        The square-on picture, reduced to about 1 mm per px: fine detail is judged at that scale.

    Returns
    -------
    Coarse
        The column ``grain`` of ``looks`` is 0 until ``along_grain`` fills it.
    """
    height, width = small.valid.shape
    scale = min(1.0, COARSE_PX / max(height, width))
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    pixels = np.asarray(cv2.resize(small.pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    valid = cv2.resize(small.valid.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 250
    logs = np.log(pixels.astype(np.float64) + LOG_SOFT)
    labels = _patches(pixels)
    pairs, lengths, steps = _borders(labels, logs)
    count = int(labels.max()) + 1
    sizes = np.bincount(labels.ravel(), minlength=count).astype(np.float64)
    links = _links(count, pairs, lengths, steps)
    blue, green, red = logs[..., 0], logs[..., 1], logs[..., 2]
    tones = [_means(labels, plane, sizes) for plane in (logs.mean(axis=2), red - green, blue - green)]
    texture = _texture(_detail(small.pixels, size), logs, valid, labels, pairs, links)
    detail = np.log(texture[:, 0] + DETAIL_SOFT)
    looks = np.column_stack([*tones, detail, np.zeros(count)])
    tensor = texture[:, 1:]
    return Coarse(labels, looks, sizes, pairs, lengths, steps, links, tensor, size[0] / width, np.asarray(valid))


def along_grain(coarse: Coarse, wood: Bools) -> Floats:
    """Return looks with the column ``grain`` filled: how much finer detail runs along the wood's grain.

    Parameters
    ----------
    coarse
        The picture in patches.
    wood
        (h, w) px known to be wood: its grain sets the direction.

    Returns
    -------
    (n, 5) array
        Half the log of the gradients' energy across the grain over that along it: about 0 on a bench
        without a direction, above 0 on wood with the same grain.
    """
    xx, yy, xy = coarse.tensor.T
    weight = coarse.mean(wood) * coarse.sizes
    steepest = 0.5 * np.arctan2(2 * (xy * weight).sum(), ((xx - yy) * weight).sum())
    cos, sin = np.cos(steepest), np.sin(steepest)
    across = xx * cos**2 + yy * sin**2 + 2 * xy * cos * sin
    along = xx * sin**2 + yy * cos**2 - 2 * xy * cos * sin
    looks = coarse.looks.copy()
    looks[:, 4] = 0.5 * np.log((np.maximum(across, 0) + ENERGY_SOFT) / (np.maximum(along, 0) + ENERGY_SOFT))
    return looks


def _means(labels: Ints, values: Floats, weights: Floats) -> Floats:
    return np.asarray(np.bincount(labels.ravel(), values.ravel(), len(weights)) / weights, dtype=np.float64)


def _detail(pixels: NDArray[np.uint8], size: tuple[int, int]) -> tuple[Floats, ...]:
    """Relative spread of fine detail and its gradients' products xx, yy, xy, each (h, w)."""
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
    fine = cv2.absdiff(grey, cv2.GaussianBlur(grey, (0, 0), 3.0))
    spread, level = (cv2.resize(p, size, interpolation=cv2.INTER_AREA).astype(np.float64) for p in (fine, grey))
    soft = cv2.GaussianBlur(grey, (0, 0), 1.0)
    dx, dy = (cv2.Scharr(soft, cv2.CV_32F, *w, scale=1 / 32) for w in ((1, 0), (0, 1)))
    shrink = cv2.divide(GRADIENT_CAP, cv2.max(cv2.magnitude(dx, dy), GRADIENT_CAP))
    dx, dy = cv2.multiply(dx, shrink), cv2.multiply(dy, shrink)
    pairs = ((dx, dx), (dy, dy), (dx, dy))
    products = (cv2.resize(cv2.multiply(*pair), size, interpolation=cv2.INTER_AREA) for pair in pairs)
    return spread / (level + LOG_SOFT), *(np.asarray(p, dtype=np.float64) for p in products)


def _texture(
    planes: tuple[Floats, ...], logs: Floats, valid: Bools, labels: Ints, pairs: NDArray[np.int64], links: Floats
) -> Floats:
    """Mean of each plane over each patch and its like neighbours, (n, 4), strong edges left out.

    An edge's own gradients would speak of a texture that neither side has, so px near one count for little,
    and what is left is shared between neighbours that no edge parts.
    """
    soft = cv2.GaussianBlur(logs.mean(axis=2), (0, 0), 0.8)
    slope = np.hypot(cv2.Scharr(soft, cv2.CV_64F, 1, 0), cv2.Scharr(soft, cv2.CV_64F, 0, 1)) / 32.0
    worst = cv2.dilate(slope, np.ones((3, 3), np.uint8))
    # Beyond the photo all is black, and in an oblique one that is most of the picture.
    usual = float(np.median(worst[valid])) if valid.any() else 0.0
    quiet = 1.0 / (1.0 + (worst / (3.0 * max(usual, LEAST_SLOPE))) ** 4)
    count = int(labels.max()) + 1
    sums = [np.bincount(labels.ravel(), (p * quiet).ravel(), count) for p in (*planes, np.ones_like(quiet))]
    total = np.column_stack(sums)
    a, b = pairs.T
    for _ in range(TEXTURE_SHARES):
        given = np.zeros_like(total)
        for k in range(total.shape[1]):
            given[:, k] = np.bincount(a, total[b, k] * links, count) + np.bincount(b, total[a, k] * links, count)
        near = np.bincount(a, links, count) + np.bincount(b, links, count)
        total = total + given / np.maximum(near, 1.0)[:, None]
    return np.asarray(total[:, :-1] / np.maximum(total[:, -1:], 1e-9), dtype=np.float64)


def _links(count: int, pairs: NDArray[np.int64], lengths: Floats, steps: Floats) -> Floats:
    """Cost of cutting each pair of neighbours apart: little where the step stands out of its surroundings."""
    a, b = pairs.T
    capped = np.minimum(steps, 3 * np.median(steps)) * lengths
    total = np.bincount(a, capped, count) + np.bincount(b, capped, count)
    weight = np.bincount(a, lengths, count) + np.bincount(b, lengths, count)
    for _ in range(4):
        total, weight = (v + np.bincount(a, v[b], count) + np.bincount(b, v[a], count) for v in (total, weight))
    usual = total / np.maximum(weight, 1e-9)
    local = np.maximum((usual[a] + usual[b]) / 2, LEAST_STEP)
    return np.asarray(lengths * np.exp(-steps / (STEP_SCALE * local)), dtype=np.float64)


def _patches(small: NDArray[np.uint8]) -> Ints:
    """Watershed patches grown from a grid of seeds, each at the smoothest place of its cell."""
    height, width = small.shape[:2]
    soft = cv2.GaussianBlur(small, (0, 0), 0.8)
    grey = soft.astype(np.float32)
    slope = np.asarray((cv2.Scharr(grey, -1, 1, 0) ** 2 + cv2.Scharr(grey, -1, 0, 1) ** 2).sum(axis=2))
    down, over = height // PATCH_PX, width // PATCH_PX
    cells = slope[: down * PATCH_PX, : over * PATCH_PX].reshape(down, PATCH_PX, over, PATCH_PX)[:, 1:-1, :, 1:-1]
    inner = PATCH_PX - 2
    row, column = np.divmod(cells.transpose(0, 2, 1, 3).reshape(down, over, -1).argmin(axis=2), inner)
    y, x = np.mgrid[0:down, 0:over] * PATCH_PX + 1
    markers = np.zeros((height, width), np.int32)
    markers[y + row, x + column] = np.arange(1, down * over + 1).reshape(down, over)
    cv2.watershed(soft, markers)
    while (markers <= 0).any():
        spread = cv2.dilate(np.maximum(markers, 0).astype(np.float32), np.ones((3, 3), np.uint8))
        markers = np.where(markers <= 0, spread.astype(np.int32), markers)
    _, packed = np.unique(markers, return_inverse=True)
    return np.asarray(packed.reshape(markers.shape), dtype=np.int32)


def _borders(labels: Ints, logs: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Neighbouring patches, px of common border, and the step of tone across it.

    The steps of colour along a border are averaged with their sign, so that grain, speckle and noise
    average away and the step between two even areas stays.
    """
    count = int(labels.max()) + 1
    keys, steps = [], []
    for dy, dx in ((0, 1), (1, 0)):
        a, b = labels[: labels.shape[0] - dy, : labels.shape[1] - dx], labels[dy:, dx:]
        rows, cols = np.nonzero(a != b)
        first, second = a[rows, cols].astype(np.int64), b[rows, cols].astype(np.int64)
        sign = np.where(first < second, 1.0, -1.0)
        keys.append(np.minimum(first, second) * count + np.maximum(first, second))
        r0, c0 = np.maximum(rows - dy, 0), np.maximum(cols - dx, 0)
        r1, c1 = np.minimum(rows + 2 * dy, labels.shape[0] - 1), np.minimum(cols + 2 * dx, labels.shape[1] - 1)
        steps.append((logs[r1, c1] - logs[r0, c0]) * sign[:, None])
    key, inverse, number = np.unique(np.concatenate(keys), return_inverse=True, return_counts=True)
    signed = np.concatenate(steps)
    mean = np.column_stack([np.bincount(inverse, signed[:, k]) / number for k in range(3)])
    return np.column_stack([key // count, key % count]), number.astype(np.float64), np.linalg.norm(mean, axis=1)
