"""A phone-like camera: pose, lens, and what its sensor and its software make of the light."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from voidmap.simulate.grid import Floats
from voidmap.simulate.noise import F32

SHARPEN_PX = 1.1
"""Reach (1 sigma) of the sharpening."""
GRID_PX = 8
"""Rays are worked out every 8 px and interpolated between (error below 0.005 px for phone lenses)."""


@dataclass(frozen=True, eq=False)
class Camera:
    """Where a camera stands and how it sees.

    ``matrix`` (3, 3) and ``dist`` (k1, k2, p1, p2, k3) in OpenCV's order; ``rotation`` and ``translation`` carry
    slab points (mm) into the camera; ``size`` is (width, height) px. The rest is what softens and disturbs:
    ``blur_px`` (1-sigma of lens and focus), ``motion_px`` (x, y), ``vignette`` (loss of light in the corner),
    ``full_well`` (electrons at white: noise), ``read`` (electrons), ``sharpen``, ``quality`` (JPEG),
    ``exposure`` (gain; None sets it by the picture).
    """

    matrix: Floats
    dist: Floats
    rotation: Floats
    translation: Floats
    size: tuple[int, int]
    blur_px: float = 0.7
    motion_px: tuple[float, float] = (0.0, 0.0)
    vignette: float = 0.25
    full_well: float = 9000.0
    read: float = 4.0
    sharpen: float = 0.6
    quality: int = 90
    exposure: float | None = None
    white: tuple[float, float, float] = field(default=(1.0, 1.0, 1.0))

    def project(self, points_mm: ArrayLike) -> Floats:
        """Carry (x, y) or (x, y, depth) slab points (N, 2 or 3) to photo px (N, 2)."""
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        if points.shape[1] == 2:
            points = np.c_[points, np.zeros(len(points))]
        if not len(points):
            return np.zeros((0, 2))
        turn = cv2.Rodrigues(self.rotation)[0]
        pixels, _ = cv2.projectPoints(points.reshape(-1, 1, 3), turn, self.translation, self.matrix, self.dist)
        return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)

    def undistort(self, pixels: ArrayLike) -> Floats:
        """Carry photo px (N, 2) to straight normalised rays (x/z, y/z), by Newton-like steps to 1e-10."""
        p = np.asarray(pixels, dtype=np.float64).reshape(-1, 2)
        fx, fy, cx, cy = self.matrix[0, 0], self.matrix[1, 1], self.matrix[0, 2], self.matrix[1, 2]
        k1, k2, p1, p2, k3 = self.dist
        u0, v0 = (p[:, 0] - cx) / fx, (p[:, 1] - cy) / fy
        u, v = u0.copy(), v0.copy()
        for _ in range(40):
            r = u * u + v * v
            radial = 1 + r * (k1 + r * (k2 + r * k3))
            un = (u0 - 2 * p1 * u * v - p2 * (r + 2 * u * u)) / radial
            vn = (v0 - p1 * (r + 2 * v * v) - 2 * p2 * u * v) / radial
            done = max(float(np.abs(un - u).max(initial=0)), float(np.abs(vn - v).max(initial=0))) < 1e-10
            u, v = un, vn
            if done:
                break
        return np.c_[u, v]

    def rays(self, pixels: ArrayLike) -> tuple[Floats, Floats]:
        """Return where the rays of photo px meet the top's plane, (N, 2) mm, and their slopes.

        The slopes (N, 2) are how far a ray moves in x and y for each mm of depth.
        """
        n = self.undistort(pixels)
        direction = np.c_[n, np.ones(len(n))] @ self.rotation
        eye = -self.rotation.T @ self.translation
        slope = direction[:, :2] / direction[:, 2:]
        return np.asarray(eye[:2] - slope * eye[2]), np.asarray(slope)

    def mm_per_px(self) -> float:
        """Return the size of a pixel on the top under the picture's middle."""
        w, h = self.size
        at, _ = self.rays([[w / 2, h / 2], [w / 2 + 1, h / 2]])
        return float(np.hypot(*(at[1] - at[0])))

    def truth(self) -> dict[str, object]:
        """Return the camera's words in a truth file."""
        return {
            "K": self.matrix.tolist(),
            "dist": self.dist.tolist(),
            "R": self.rotation.tolist(),
            "t": self.translation.tolist(),
            "size": list(self.size),
        }


def look(
    eye_mm: tuple[float, float, float],
    target_mm: tuple[float, float],
    *,
    size: tuple[int, int],
    focal_px: float,
    turn_deg: float = 0.0,
    dist: ArrayLike = (0, 0, 0, 0, 0),
    centre_px: tuple[float, float] = (0.0, 0.0),
    **rest: object,
) -> Camera:
    """Return a camera at ``eye_mm`` (z negative: above the top) that looks at a place on the top.

    ``turn_deg`` turns it about its own axis; ``centre_px`` moves the principal point from the picture's middle.
    """
    eye = np.asarray(eye_mm, dtype=np.float64)
    ahead = np.array([*target_mm, 0.0]) - eye
    ahead /= np.linalg.norm(ahead)
    a = np.radians(turn_deg)
    right = np.array([np.cos(a), np.sin(a), 0.0])
    right -= ahead * (right @ ahead)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    w, h = size
    matrix = np.array(
        [[focal_px, 0, (w - 1) / 2 + centre_px[0]], [0, focal_px, (h - 1) / 2 + centre_px[1]], [0, 0, 1.0]]
    )
    lens = np.zeros(5)
    given = np.asarray(dist, dtype=np.float64).ravel()
    lens[: len(given)] = given
    return Camera(matrix, lens, rotation, -rotation @ eye, size, **rest)  # type: ignore[arg-type]


def develop(light: F32, camera: Camera, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn linear R, G, B light at the sensor (rows, columns, 3) into the phone's picture (B, G, R, 8 bits).

    Vignetting, blur, exposure, shot and read noise under a colour filter mosaic, demosaicing, white balance,
    a tone curve, sharpening.
    """
    rows, columns = light.shape[:2]
    picture = cv2.GaussianBlur(light, (0, 0), camera.blur_px) if camera.blur_px > 0.2 else light.copy()
    if max(map(abs, camera.motion_px)) > 0.3:
        picture = cv2.filter2D(picture, -1, _motion(camera.motion_px))
    yy = ((np.arange(rows) - rows / 2) / np.hypot(rows, columns) * 2).astype(np.float32)[:, None]
    xx = ((np.arange(columns) - columns / 2) / np.hypot(rows, columns) * 2).astype(np.float32)[None, :]
    picture *= (1 - np.float32(camera.vignette) * (xx * xx + yy * yy))[..., None]
    gain = camera.exposure
    if gain is None:
        gain = 0.82 / max(1e-6, float(np.quantile(picture[::8, ::8].max(2), 0.985)))
    picture *= np.float32(gain)
    mosaic = np.empty((rows, columns), np.float32)
    white = np.array(camera.white, np.float32)
    for dy in range(2):
        for dx in range(2):
            c = (0, 1, 1, 2)[2 * dy + dx]
            mosaic[dy::2, dx::2] = picture[dy::2, dx::2, c] / white[c]
    spread = np.sqrt(
        np.maximum(mosaic, 0) / np.float32(camera.full_well) + np.float32((camera.read / camera.full_well) ** 2)
    )
    mosaic += spread * rng.standard_normal((rows, columns), dtype=np.float32)
    raw = np.clip(mosaic * 16383 + 256, 0, 16383 + 256).astype(np.uint16)
    levels = (np.arange(16384 + 256, dtype=np.float32)[:, None] - 256) / 16383 * white
    curve = tone_of(np.clip(levels, 0, 1))
    colour = cv2.demosaicing(raw, cv2.COLOR_BayerBG2RGB)
    tone = np.stack([curve[colour[..., c], c] for c in range(3)], axis=2)
    if camera.sharpen > 0:
        tone += np.float32(camera.sharpen) * (tone - cv2.GaussianBlur(tone, (0, 0), SHARPEN_PX))
    out: NDArray[np.uint8] = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)[..., ::-1].copy()
    return out


def tone_of(linear: F32) -> F32:
    """Return what the camera's tone curve makes of linear light, both 0 to 1."""
    tone = np.clip(1.055 * linear ** np.float32(1 / 2.4) - 0.055, 0, 1)
    tone += np.float32(0.12) * tone * (1 - tone) * (2 * tone - 1)
    return np.asarray(tone, dtype=np.float32)


def _motion(shift_px: tuple[float, float]) -> F32:
    """Return a kernel for a straight shake."""
    n = 2 * int(np.ceil(max(map(abs, shift_px)) / 2)) + 3
    kernel = np.zeros((n, n), np.float32)
    for t in np.linspace(-0.5, 0.5, 41):
        x, y = n // 2 + t * shift_px[0], n // 2 + t * shift_px[1]
        i, j = int(x), int(y)
        for di, dj in ((0, 0), (1, 0), (0, 1), (1, 1)):
            kernel[j + dj, i + di] += np.float32((1 - abs(x - i - di)) * (1 - abs(y - j - dj)))
    return kernel / kernel.sum()
