"""Turn the bytes of a photo file into a Photo: decoded, upright, with what the camera says of it."""

from __future__ import annotations

import hashlib
import io
import warnings
from datetime import datetime
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from voidmap.errors import PhotoError
from voidmap.model import Photo, frozen

if TYPE_CHECKING:
    from PIL import Image

SMALLEST_SIDE_PX = 200
"""Below this a picture is a thumbnail: no board of 30 mm squares can be told in it."""

# Tags of the Exif standard (CIPA DC-008): the root directory, then the camera's own (0x8769).
_MAKE, _MODEL, _DATE, _EXIF_DIRECTORY = 0x010F, 0x0110, 0x0132, 0x8769
_ORIENTATION = 0x0112
_TURNED_DEG = {3: 180, 6: 90, 8: 270}
"""Clockwise turns by which orientations 3, 6 and 8 become upright; the mirrored ones no camera writes."""
_DATE_TAKEN, _FOCAL_MM, _FOCAL_35MM, _SENSITIVITY = 0x9003, 0x920A, 0xA405, 0x8827


_ISO_MEDIA = b"ftyp"
"""Bytes 4 to 7 of every file of the ISO base media format (ISO/IEC 14496-12), HEIC among them."""
_JPEG_SCAN, _JPEG_END = b"\xff\xda", b"\xff\xd9"
"""Markers of ISO/IEC 10918-1, table B.1; within a scan no such pair of bytes can stand."""


def decode(data: bytes, file: str) -> Photo:
    """Decode a JPEG, PNG, TIFF or HEIC photo.

    Parameters
    ----------
    data
        The file's bytes.
    file
        The name to call it by.

    Returns
    -------
    Photo
        Pixels (H, W, 3) uint8 B, G, R with the Exif orientation applied.

    Raises
    ------
    PhotoError
        When the bytes are empty, broken, not a photo, or too small to be of use.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not data:
        raise PhotoError(f"the photo {file} is empty", "copy it from the phone again")
    if data[4:8] == _ISO_MEDIA:
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data)) as image:
                tags = image.getexif()
                pixels = _whole_jpeg(data, image)
                if pixels is None:
                    ImageOps.exif_transpose(image, in_place=True)
                    pixels = np.asarray(cv2.cvtColor(np.asarray(_to_rgb(image)), cv2.COLOR_RGB2BGR), dtype=np.uint8)
    except UnidentifiedImageError as error:
        raise PhotoError(f"{file} is not a photo that can be read", "give a JPEG, PNG, TIFF or HEIC file") from error
    except Image.DecompressionBombError as error:
        raise PhotoError(f"the photo {file} is larger than 170 megapixels", "save it smaller") from error
    except (OSError, SyntaxError, ValueError, MemoryError) as error:
        raise PhotoError(
            f"the photo {file} is broken ({str(error).rstrip('.')})", "copy it from the phone again"
        ) from error
    if min(pixels.shape[:2]) < SMALLEST_SIDE_PX:
        raise PhotoError(
            f"the photo {file} is only {pixels.shape[1]} x {pixels.shape[0]} pixels",
            "give the photo as the camera saved it, not a thumbnail",
        )
    camera_tags = tags.get_ifd(_EXIF_DIRECTORY)
    return Photo(
        file=file,
        sha256=hashlib.sha256(data).hexdigest(),
        pixels=frozen(pixels),
        taken=_iso_date(camera_tags.get(_DATE_TAKEN) or tags.get(_DATE)),
        camera=_camera_name(tags.get(_MAKE), tags.get(_MODEL)),
        focal_mm=_positive(camera_tags.get(_FOCAL_MM)),
        focal_35mm_mm=_positive(camera_tags.get(_FOCAL_35MM)),
        turned_deg=_TURNED_DEG.get(tags.get(_ORIENTATION, 1), 0),
        sensitivity=_positive(_first(camera_tags.get(_SENSITIVITY))),
    )


def _whole_jpeg(data: bytes, image: Image.Image) -> NDArray[np.uint8] | None:
    """Decode a whole JPEG in half the time, upright, (H, W, 3) B, G, R; None for what is left to Pillow.

    A JPEG that was cut off ends in its scan, without the marker of its end (ISO/IEC 10918-1, B.1.1.2): OpenCV would
    fill it up with grey, Pillow says that it is broken.
    """
    cut_off = data.rfind(_JPEG_END) < data.rfind(_JPEG_SCAN)
    if image.format not in ("JPEG", "MPO") or image.mode not in ("RGB", "L") or cut_off:
        return None
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return None if pixels is None else np.asarray(pixels, dtype=np.uint8)


def _to_rgb(image: Image.Image) -> Image.Image:
    from PIL.Image import fromarray

    if image.mode in ("I;16", "I;16B", "I", "F"):
        values = np.asarray(image, dtype=np.float64)
        top = 65535.0 if image.mode.startswith("I;16") or values.max() > 255 else 255.0
        image = fromarray((np.clip(values / top, 0, 1) * 255 + 0.5).astype(np.uint8))
    return image if image.mode == "RGB" else image.convert("RGB")


def _iso_date(text: object) -> str | None:
    try:
        return datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S").isoformat()
    except ValueError:
        return None


def _camera_name(make: object, model: object) -> str | None:
    words = [str(part).strip("\0 ") for part in (make, model) if part]
    return " ".join(words) or None


def _first(value: object) -> object:
    """Return a tag's value, or the first of several."""
    return value[0] if isinstance(value, tuple) and value else value


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if number > 0 and np.isfinite(number) else None
