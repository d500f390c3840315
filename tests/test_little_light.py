"""Photos that their camera took in little light are told, by intake and coat."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image
from slab_scenes import draw_scene, rectangle
from typer.testing import CliRunner

from voidmap.cli import app
from voidmap.job.little_light import LITTLE_LIGHT, little_light_notes
from voidmap.model import Photo

SENSITIVITY = 0x8827
"""PhotographicSensitivity (CIPA DC-008, Exif 2.32)."""


@pytest.mark.parametrize(("sensitivity", "told"), [(None, 0), (100.0, 0), (LITTLE_LIGHT, 1), (3200.0, 1)])
def test_a_photo_taken_in_little_light_is_told(sensitivity: float | None, told: int) -> None:
    taken = Photo("dim.jpg", "0" * 64, np.zeros((200, 300, 3), np.uint8), sensitivity=sensitivity)
    notes = little_light_notes([taken], "Look twice.")
    assert len(notes) == told
    assert all("dim.jpg" in said and "light" in said and "Look twice." in said for said in notes)


@pytest.mark.parametrize(("command", "options"), [("intake", ()), ("coat", ("--number", "1"))])
@pytest.mark.parametrize(("sensitivity", "told"), [(100, False), (1600, True)])
def test_commands_say_so(tmp_path, command: str, options: tuple[str, ...], sensitivity: int, told: bool) -> None:
    scene = draw_scene(rectangle(500, 300), (), np.random.default_rng(3))
    picture = Image.fromarray(cv2.cvtColor(scene.ortho.pixels, cv2.COLOR_BGR2RGB))
    exif = Image.Exif()
    exif.get_ifd(0x8769)[SENSITIVITY] = sensitivity
    picture.save(tmp_path / "top.jpg", quality=92, exif=exif)
    scale = ("--mm-per-px", str(scene.ortho.mm_per_px))
    done = CliRunner().invoke(app, [command, str(tmp_path / "job"), str(tmp_path / "top.jpg"), *options, *scale])
    assert done.exit_code in (0, 3), done.output
    assert ("little light" in done.output) == told
