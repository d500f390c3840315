"""Where the adjustment begins, and whether it began in the right valley: a plane has two poses in a photo."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from voidmap.errors import ScaleError
from voidmap.model import Floats
from voidmap.scale.adjust import Fit, adjust
from voidmap.scale.camera import plane_points, project
from voidmap.scale.layout import Priors, Start
from voidmap.scale.looks import Look

MOST_TURNS = 2
CLEARLY_BETTER = 0.8
"""A photo's other pose is tried when its corners miss by a fifth less."""


def fit_looks(looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, names: Sequence[str]) -> Fit:
    """Adjust, from the better of the two poses that a plane allows in each photo."""
    fit = adjust(looks, camera_of, priors, start(looks, camera_of, priors, names))
    for _ in range(MOST_TURNS):
        other = _turned_about(looks, priors, fit)
        if other is None:
            break
        fit = min(fit, adjust(looks, camera_of, priors, other), key=lambda f: f.cost)
    return fit


def _turned_about(looks: Sequence[Look], priors: Priors, fit: Fit) -> Start | None:
    """Return a start with those photos turned whose other pose fits better by the lens found; None if none does."""
    layout = fit.layout
    poses = np.array([fit.values[layout.pose(photo)] for photo in range(layout.photos)])
    places = np.array([fit.values[layout.place(board)] if board else np.zeros(3) for board in range(layout.boards)])
    turned = False
    for photo in range(layout.photos):
        own = [look for look in looks if look.photo == photo]
        world = np.concatenate([_placed(look.board_mm, places[look.board]) for look in own])
        image = np.concatenate([look.image_px for look in own])
        lens = layout.lens_values(fit.values, priors.aspect, photo)
        tried = [poses[photo], *_poses(world, image, lens)]
        miss = [float(np.median(np.abs(_misses(world, image, pose, lens)))) for pose in tried]
        best = int(np.argmin(miss))
        if miss[best] < CLEARLY_BETTER * miss[0]:
            poses[photo], turned = tried[best], True
    return Start(poses, places) if turned else None


def _misses(world_mm: Floats, image_px: Floats, pose: Floats, lens: Floats) -> Floats:
    solid = np.column_stack([world_mm, np.zeros(len(world_mm))])
    return np.asarray(np.hypot(*(project(solid, pose[:3], pose[3:], lens)[0] - image_px).T))


def start(looks: Sequence[Look], camera_of: Sequence[int], priors: Priors, names: Sequence[str]) -> Start:
    """Find poses and places to begin with: from the frame's board outward, over shared boards.

    Raises
    ------
    ScaleError
        When a photo shares no board with the others.
    """
    boards = 1 + max(look.board for look in looks)
    poses: dict[int, Floats] = {}
    places: dict[int, Floats] = {0: np.zeros(3)}
    lens = [_prior_lens(priors, camera) for camera in camera_of]
    while len(poses) < len(camera_of):
        shared = {
            photo: sum(len(k.image_px) for k in looks if k.photo == photo and k.board in places)
            for photo in range(len(camera_of))
            if photo not in poses
        }
        photo = max(shared, key=lambda p: shared[p])
        if shared[photo] == 0:
            raise ScaleError(
                f"the photo {names[photo]} shares no board with the others",
                "leave it out, or photograph again with a board in view that another photo shows too",
            )
        own = [k for k in looks if k.photo == photo]
        known = [k for k in own if k.board in places]
        world = np.concatenate([_placed(k.board_mm, places[k.board]) for k in known])
        poses[photo] = _poses(world, np.concatenate([k.image_px for k in known]), lens[photo])[0]
        for look in own:
            if look.board not in places:
                flat = plane_points(look.image_px, poses[photo][None, :3], poses[photo][None, 3:], lens[photo][None])
                places[look.board] = _rigid(look.board_mm, flat[0])
    return Start(np.array([poses[p] for p in range(len(camera_of))]), np.array([places[b] for b in range(boards)]))


def _prior_lens(priors: Priors, camera: int) -> Floats:
    terms = priors.lens_mean[camera]
    focal = float(np.exp(terms[0]))
    return np.concatenate([[focal, focal * priors.aspect[camera]], terms[1:8]])


def _placed(board_mm: Floats, place: Floats) -> Floats:
    c, s = np.cos(place[2]), np.sin(place[2])
    return np.asarray(board_mm @ np.array([[c, -s], [s, c]]).T + place[:2])


def _rigid(board_mm: Floats, slab_mm: Floats) -> Floats:
    """Place (x, y, angle) that carries board points to slab points, by least squares (Procrustes)."""
    a, b = board_mm - board_mm.mean(axis=0), slab_mm - slab_mm.mean(axis=0)
    angle = np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b))
    turned = _placed(board_mm, np.array([0.0, 0.0, angle]))
    return np.array([*(slab_mm - turned).mean(axis=0), angle])


def _poses(world_mm: Floats, image_px: Floats, lens: Floats) -> list[Floats]:
    """Return the poses (6,) that a plane seen by one photo allows, the better first."""
    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    solid = np.column_stack([world_mm, np.zeros(len(world_mm))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(solid, image_px, matrix, lens[4:9], flags=cv2.SOLVEPNP_IPPE)
    return [
        np.concatenate([np.ravel(turn), np.ravel(shift)]).astype(np.float64)
        for turn, shift in zip(turns, shifts, strict=True)
    ]
