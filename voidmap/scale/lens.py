"""Lens files: fit a lens from photos of a board, and take one up for a photo it belongs to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Photo
from voidmap.records import Lens
from voidmap.scale.camera import lens_record, lens_values
from voidmap.scale.turn import turn_lens

SCHEMA = "voidmap/lens/1"
ZOOM_TOLERANCE = 0.01
"""Focal lengths in Exif are rounded to a hundredth; further apart is another lens or zoom."""


def lens_for_photo(values: Any, photo: Photo, name: str) -> Lens:
    """Return the lens of a lens file, turned with the photo, when it belongs to its camera, size and zoom.

    Parameters
    ----------
    values
        The lens file as read.
    photo
        A photo that it is to serve.
    name
        What to call the file.

    Raises
    ------
    ScaleError
        When it is no lens file, or was made with another camera, size or zoom.
    """
    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise ScaleError(f"{name} is not a lens file", "make one with voidmap lens")
    try:
        known = {key: float(values["lens"][key]) for key in ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")}
        covariance = tuple(tuple(float(v) for v in row) for row in values["covariance"])
        size = (int(values["width_px"]), int(values["height_px"]))
    except (KeyError, TypeError, ValueError) as error:
        raise ScaleError(f"the lens file {name} is damaged", "make it again with voidmap lens") from error
    again = "make a lens file with the camera, the zoom and the picture size that you photograph slabs with"
    camera = values.get("camera")
    if camera and photo.camera and camera != photo.camera:
        raise ScaleError(
            f"the lens file {name} is for the camera {camera}, and {photo.file} is from the camera {photo.camera}",
            again,
        )
    sensor = (photo.width_px, photo.height_px)
    if photo.turned_deg % 180:
        sensor = sensor[::-1]
    if size not in (sensor, sensor[::-1]):
        theirs = f"{size[0]} x {size[1]}"
        raise ScaleError(
            f"the lens file {name} is for {theirs} pixels, and {photo.file} has {photo.width_px} x {photo.height_px}",
            again,
        )
    zoom = values.get("focal_mm")
    if zoom and photo.focal_mm and abs(photo.focal_mm / zoom - 1) > ZOOM_TOLERANCE:
        raise ScaleError(
            f"the lens file {name} is for a focal length of {zoom:g} mm, and {photo.file} has {photo.focal_mm:g} mm",
            again,
        )
    lens = Lens(**known, source="file", covariance=covariance)
    if size == sensor:
        return turn_lens(lens, size, photo.turned_deg)
    return _unknown_turn(lens, size)


def _unknown_turn(lens: Lens, size: tuple[int, int]) -> Lens:
    """Return the lens of a picture on end that doesn't say which way it was turned: between both ways."""
    ways = [turn_lens(lens, size, degrees) for degrees in (90, 270)]
    values = [lens_values(way) for way in ways]
    apart = (values[0] - values[1]) / 2
    covariance = np.asarray(ways[0].covariance) + np.outer(apart, apart)
    middle = lens_record((values[0] + values[1]) / 2, lens.source)
    return replace(middle, covariance=tuple(tuple(float(v) for v in row) for row in covariance))
