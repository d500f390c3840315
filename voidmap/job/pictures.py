"""The job's own square-on pictures: what the sheet draws over and later coats are laid onto."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from voidmap.files import Job, load_photo, read_json, write_bytes, write_json

if TYPE_CHECKING:
    from voidmap.model import Floats, Ortho

LONGEST_SIDE_PX = 2600
"""A picture of this size prints a slab at 200 dpi on Letter and keeps the sheet under its 12 MB."""
JPEG_QUALITY = 88
DARKEST = 8
"""8-bit level up to which all channels are the black beyond the photo, blurred by JPEG."""
MARGIN_MM = 25.0
"""Bench left around the slab, so that its edge can be judged."""


@dataclass(frozen=True, eq=False)
class KeptPicture:
    """A square-on picture as the job keeps it: the bytes of a JPEG, and where its first pixel is centred."""

    jpeg: bytes
    x0_mm: float
    y0_mm: float
    mm_per_px: float

    def write(self, job: Job, name: str) -> None:
        """Write ``pictures/NAME.jpg`` and its frame."""
        write_bytes(job.path(f"pictures/{name}.jpg"), self.jpeg)
        frame = {"x0_mm": self.x0_mm, "y0_mm": self.y0_mm, "mm_per_px": self.mm_per_px}
        write_json(job.path(f"pictures/{name}.frame.json"), frame)


def picture_of(ortho: Ortho, *, around_mm: Floats | None = None) -> KeptPicture:
    """Make the picture to keep, cut to a margin around points (N, 2) mm when given."""
    import cv2
    import numpy as np

    pixels: np.ndarray[Any, Any] = ortho.pixels
    x0_px = y0_px = 0
    if around_mm is not None:
        margin = MARGIN_MM / ortho.mm_per_px
        at = ortho.to_px(around_mm)
        x0_px, y0_px = (max(0, int(v)) for v in at.min(axis=0) - margin)
        x1_px, y1_px = (int(np.ceil(v)) for v in at.max(axis=0) + margin)
        pixels = pixels[y0_px:y1_px, x0_px:x1_px]
    shrink = min(1.0, LONGEST_SIDE_PX / max(pixels.shape[:2]))
    if shrink < 1.0:
        pixels = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    assert done, "a picture in memory can always be encoded"
    mm_per_px = ortho.mm_per_px / shrink
    # The centre of the first pixel moves when pixels are merged into larger ones.
    shift_mm = (mm_per_px - ortho.mm_per_px) / 2
    x0_mm, y0_mm = ortho.to_mm([[x0_px, y0_px]])[0] + shift_mm
    return KeptPicture(data.tobytes(), float(x0_mm), float(y0_mm), mm_per_px)


def kept_picture(job: Job, name: str) -> Ortho | None:
    """Return the picture ``pictures/NAME.jpg`` with its frame; None when the job has none."""
    import cv2

    from voidmap.model import Ortho

    path = job.path(f"pictures/{name}.jpg")
    frame = job.path(f"pictures/{name}.frame.json")
    if not (path.is_file() and frame.is_file()):
        return None
    pixels = load_photo(path).pixels
    where = read_json(frame)
    valid = cv2.bitwise_not(cv2.inRange(pixels, (0, 0, 0), (DARKEST,) * 3)) > 0
    return Ortho(pixels, valid, where["x0_mm"], where["y0_mm"], where["mm_per_px"])
