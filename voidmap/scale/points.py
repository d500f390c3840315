"""A scale picked by hand: two points a known distance apart, or a rectangle's four corners."""

from __future__ import annotations

import numpy as np

from voidmap.errors import ValueRefused
from voidmap.model import Floats, Photo, Plane
from voidmap.records import Lens
from voidmap.scale.rectangle import plane_from_rectangle
from voidmap.scale.solve import DRAWS, SEED, lens_of_photo

PICK_SD_PX = 1.5
"""A point picked by hand on a screen."""
MOST_OFF = 3.0
"""Standard deviations of a pick by which four corners may miss a rectangle in the mean: more is another rectangle."""
LENGTH_SD_MM = 0.3
"""A length read with a tape or rule."""
TILT_SD_DEG = 3.0
"""A phone held square by eye: two points can't show how square it was."""
LEAST_APART_PX = 50.0


def plane_from_points(photo: Photo, text: str, *, lens: Lens | None = None) -> Plane:
    """Return the plane from points that the user picked.

    Parameters
    ----------
    photo
        The photo.
    text
        ``x,y x,y LENGTH`` (the photo is then taken to be square-on, and the interval says what that costs), or
        ``x,y x,y x,y x,y LENGTH LENGTH``: a rectangle's corners in order, its first side, its second side.
    lens
        A lens from a lens file.

    Raises
    ------
    ValueRefused
        When the text can't be read or the points can't serve, as when they are no rectangle of these sides.
    """
    points, lengths = _read(text)
    outside = np.any((points < -0.5) | (points > np.array([photo.width_px, photo.height_px]) - 0.5))
    if outside:
        raise ValueRefused(
            f"a picked point lies outside {photo.file} ({photo.width_px} x {photo.height_px} px)",
            "pick the points in the upright photo at full size",
        )
    gaps = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    if gaps.min() < LEAST_APART_PX:
        raise ValueRefused(
            f"two picked points are only {gaps.min():.0f} pixels apart", "pick points far apart on the slab"
        )
    if len(points) == 2:
        return _square_on(photo, points, lengths[0], lens)
    plane = plane_from_rectangle(
        photo,
        points,
        (lengths[0], lengths[1]),
        side_sd_mm=(LENGTH_SD_MM, LENGTH_SD_MM),
        corner_sd_px=PICK_SD_PX,
        reference="points",
        lens=lens,
    )
    if plane.reprojection_rms_px > MOST_OFF * PICK_SD_PX:
        raise ValueRefused(
            f"the four points are no rectangle of {lengths[0]:g} by {lengths[1]:g} mm: they are "
            f"{plane.reprojection_rms_px:.0f} px off",
            "give them in order round it, the first side from the first point to the second",
        )
    return plane


def _read(text: str) -> tuple[Floats, list[float]]:
    from voidmap.units import parse_length_mm

    words = text.split()
    pairs = [w for w in words if "," in w]
    if len(pairs) not in (2, 4) or words[: len(pairs)] != pairs:
        raise ValueRefused(
            f"the points '{text}' can't be read", "give 'x,y x,y LENGTH' or 'x,y x,y x,y x,y LENGTH LENGTH'"
        )
    try:
        points = np.array([[float(v) for v in pair.split(",")] for pair in pairs])
    except ValueError:
        points = np.zeros((0, 0))
    if points.shape != (len(pairs), 2) or not np.all(np.isfinite(points)):
        raise ValueRefused(f"the points '{text}' can't be read", "write each point as x,y in pixels")
    rest = _lengths(words[len(pairs) :], len(pairs) // 2)
    lengths = [parse_length_mm(word) for word in rest]
    if min(lengths) <= 0:
        raise ValueRefused("a length between picked points must be more than nothing", "give it as in 300mm")
    return points, lengths


def _lengths(words: list[str], wanted: int) -> list[str]:
    """Join words to ``wanted`` lengths: "12 in" is one, and so is "11 1/2 in"."""
    if len(words) == wanted:
        return words
    joined, current = [], ""
    for word in words:
        current = f"{current} {word}".strip()
        if word[-1].isalpha() or word[-1] in "\"'":
            joined.append(current)
            current = ""
    if len(joined) != wanted or current:
        raise ValueRefused(
            f"{wanted} length{'s' if wanted > 1 else ''} must follow the points",
            "write each with its unit, as in 300mm or 12in",
        )
    return joined


def _square_on(photo: Photo, points: Floats, length_mm: float, lens: Lens | None) -> Plane:
    known, spread = lens_of_photo(photo, lens)
    rng = np.random.default_rng(SEED)
    lenses = known + rng.multivariate_normal(np.zeros(9), spread, DRAWS)
    picks = points + PICK_SD_PX * rng.standard_normal((DRAWS, 2, 2))
    lengths = length_mm + LENGTH_SD_MM * rng.standard_normal(DRAWS)
    tilts = np.radians(TILT_SD_DEG) * rng.standard_normal((DRAWS, 2))
    rows = [_pose(picks[s], lengths[s], lenses[s], tilts[s]) for s in range(DRAWS)]
    from voidmap.scale.camera import lens_record, rotations

    pose = _pose(points, length_mm, known, np.zeros(2))
    return Plane(
        size_px=(photo.width_px, photo.height_px),
        lens=lens_record(known, "photo" if lens is None else "file"),
        rotation=rotations(pose[None, :3])[0],
        translation_mm=pose[3:],
        draws=np.column_stack([np.array(rows), lenses]),
        reference="points",
    )


def _pose(points: Floats, length_mm: float, lens: Floats, tilt: Floats) -> Floats:
    """Pose (6,) of a camera that leans by ``tilt`` rad; the origin is the first point, x runs to the second."""
    import cv2

    from voidmap.scale.camera import plane_points

    lean = np.array([tilt[0], tilt[1], 0.0])
    # On a plane one millimetre away first; the true length then says how far it really is.
    flat = plane_points(points, lean[None], np.array([[0.0, 0.0, 1.0]]), lens[None])[0]
    along = flat[1] - flat[0]
    scale = length_mm / np.hypot(*along)
    angle = np.arctan2(along[1], along[0])
    turn, _ = cv2.Rodrigues(lean)
    about = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    shift = scale * (turn @ np.array([*flat[0], 0.0]) + [0, 0, 1.0])
    return np.concatenate([np.ravel(cv2.Rodrigues(turn @ about)[0]), shift])
