"""Job folders on disk for the tests of the sheet and of corrections: invented records and drawn pictures."""

import json
import math
from dataclasses import replace

import numpy as np
from PIL import Image, ImageDraw
from report_jobs import intake

from voidmap.files import MEASURED, Job

FRAME = {"x0_mm": -470.0, "y0_mm": -170.0, "mm_per_px": 1.0}
SIZE_PX = (940, 360)


def a_job(folder, record=None):
    """A job as intake leaves it: measured.json, intake.json and the slab's picture."""
    record = intake() if record is None else record
    job = Job(folder)
    folder.mkdir(parents=True, exist_ok=True)
    job.write(record, name=MEASURED)
    job.write(record)
    pictures = job.path("pictures")
    pictures.mkdir(exist_ok=True)
    drawn_picture(record).save(pictures / "intake.jpg", quality=80)
    (pictures / "intake.frame.json").write_text(json.dumps(FRAME))
    return job


def drawn_picture(record):
    """The slab as a flat brown shape with some grain, its defects dark."""
    grain = np.random.default_rng(3).normal(0, 6, (SIZE_PX[1], 1, 1)) + np.zeros((SIZE_PX[1], SIZE_PX[0], 3))
    picture = Image.fromarray(np.clip(grain + np.array([198, 160, 116]), 0, 255).astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    for defect in record.defects:
        draw.polygon([(x - FRAME["x0_mm"], y - FRAME["y0_mm"]) for x, y in defect.outline_mm], fill="#2c2118")
    return picture


def moved(record, *, angle_deg, shift_mm):
    """The same slab in another frame, as a new intake would measure it: turned and shifted."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))

    def carry(points):
        return tuple((c * x - s * y + shift_mm[0], s * x + c * y + shift_mm[1]) for x, y in points)

    defects = tuple(replace(d, outline_mm=carry(d.outline_mm)) for d in record.defects)
    return replace(record, slab=replace(record.slab, outline_mm=carry(record.slab.outline_mm)), defects=defects)
