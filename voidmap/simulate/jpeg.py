"""Write pictures as a phone does: JPEG with camera data."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray

from voidmap.simulate.camera import Camera

SENSOR_DIAGONAL_PX_35MM = 43.2666
"""Diagonal of the 36 x 24 mm frame that "35 mm equivalent" refers to, mm (CIPA DCG-001)."""


def jpeg_bytes(pixels: NDArray[np.uint8], camera: Camera, *, minute: int = 0) -> bytes:
    """Encode B, G, R pixels as JPEG with EXIF: maker "simulated", focal length, time (a fixed day)."""
    from PIL import Image
    from PIL.ExifTags import IFD, Base

    w, h = camera.size
    focal_mm = 4.25
    equivalent = float(camera.matrix[0, 0]) * SENSOR_DIAGONAL_PX_35MM / float(np.hypot(w, h))
    when = f"2025:03:04 10:{minute % 60:02d}:00"
    exif = Image.Exif()
    exif[Base.Make] = "simulated"
    exif[Base.Model] = "simulated"
    exif[Base.Orientation] = 1
    exif[Base.DateTime] = when
    more = exif.get_ifd(IFD.Exif)
    more[Base.DateTimeOriginal] = when
    more[Base.FocalLength] = focal_mm
    more[Base.FocalLengthIn35mmFilm] = round(equivalent)
    more[Base.ISOSpeedRatings] = 100
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels[..., ::-1])).save(
        out, "JPEG", quality=camera.quality, exif=exif.tobytes(), subsampling="4:2:0"
    )
    return out.getvalue()
