"""Where the adjustment expects a board's places in a photo, and how that moves with each unknown."""

from __future__ import annotations

import numpy as np

from voidmap.model import Floats
from voidmap.scale.boards import PATTERN_MM
from voidmap.scale.camera import project, rotations
from voidmap.scale.layout import SHAPE_TERMS, Layout, Priors
from voidmap.scale.looks import Look


def equations(look: Look, layout: Layout, priors: Priors, values: Floats) -> tuple[Floats, Floats]:
    """Return residuals (N,) px (seen minus expected, along the normals) and slopes of the expected (N, size)."""
    world, by_world = board_world(look.board_mm, layout, values, look.board)
    pose = values[layout.pose(look.photo)]
    lens = layout.lens_values(values, priors.aspect, look.photo)
    image, by_camera = project(world, pose[:3], pose[3:], lens)
    along = np.einsum("nd,ndk->nk", look.normal, by_camera)
    slope = np.zeros((len(image), layout.size))
    slope[:, layout.pose(look.photo)] = along[:, :6]
    by_focal = along[:, 6] * lens[0] + along[:, 7] * lens[1]
    at = layout.lens(layout.camera_of[look.photo])
    slope[:, at.start] = by_focal
    slope[:, at.start + 1 : at.stop] = along[:, 8:15]
    slope[:, layout.refocus(look.photo)] = by_focal
    through = along[:, 3:6] @ rotations(pose[None, :3])[0]
    for where, part in by_world:
        slope[:, where] += np.einsum("nd,ndk->nk", through, part)
    return np.sum((look.image_px - image) * look.normal, axis=1), slope


def board_world(
    board_mm: Floats, layout: Layout, values: Floats, board: int
) -> tuple[Floats, list[tuple[slice, Floats]]]:
    """Carry board points (N, 2) mm to slab points (N, 3) mm, with the slopes by stretch, place and shape."""
    stretch = np.exp(values[layout.stretch])
    flat = board_mm * stretch
    x, y, angle = values[layout.place(board)] if board else np.zeros(3)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    basis = shape_basis(board_mm)
    world = np.column_stack([flat @ turn.T + [x, y], basis @ values[layout.shape(board)]])
    count = len(board_mm)
    by_stretch = np.zeros((count, 3, 2))
    by_stretch[:, :2, 0] = flat[:, :1] * turn[:, 0]
    by_stretch[:, :2, 1] = flat[:, 1:] * turn[:, 1]
    by_shape = np.zeros((count, 3, SHAPE_TERMS))
    by_shape[:, 2] = basis
    parts = [(layout.stretch, by_stretch), (layout.shape(board), by_shape)]
    if board:
        by_place = np.zeros((count, 3, 3))
        by_place[:, 0, 0] = by_place[:, 1, 1] = 1
        by_place[:, :2, 2] = flat @ np.array([[-np.sin(angle), -np.cos(angle)], [np.cos(angle), -np.sin(angle)]]).T
        parts.append((layout.place(board), by_place))
    return world, parts


def shape_basis(board_mm: Floats) -> Floats:
    """Return (N, 5): height 1, tilts u and v, bows u² - 1/3 and v² - 1/3 over the pattern in [-1, 1]."""
    u, v = (2 * board_mm / np.array(PATTERN_MM) - 1).T
    return np.column_stack([np.ones(len(u)), u, v, u * u - 1 / 3, v * v - 1 / 3])
