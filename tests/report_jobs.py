"""A made-up slab as records, for the tests of corrections and report: all values are invented."""

import math

from voidmap import depth
from voidmap.records import (
    BoardPlace,
    Defect,
    Intake,
    Interval,
    Kind,
    Lens,
    PhotoRecord,
    Quality,
    ScaleRecord,
    SlabRecord,
    Totals,
)

MM_PER_PX = 0.25
LENS = Lens(3000.0, 3000.0, 2000.0, 1500.0, k1=0.05, k2=-0.02)


def to_px(points_mm, *, height_mm=1200.0):
    """Photo points of slab points: a camera straight above the frame's origin, with its lens."""
    import cv2
    import numpy as np

    solid = np.column_stack([np.asarray(points_mm, float), np.full(len(points_mm), height_mm)])
    matrix = np.array([[LENS.fx, 0, LENS.cx], [0, LENS.fy, LENS.cy], [0, 0, 1.0]])
    terms = np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    out = cv2.projectPoints(solid, np.zeros(3), np.zeros(3), matrix, terms)[0].reshape(-1, 2)
    return tuple((float(x), float(y)) for x, y in out)


def slab_outline(step=20.0):
    """A board 900 x 300 mm whose lower edge is live."""
    top = [(x, -150.0) for x in frange(-450, 450, step)]
    right = [(450.0, y) for y in frange(-150, 130, step)]
    low = [(x, 150 + 14 * math.sin(x / 60) + 9 * math.sin(x / 23 + 1)) for x in frange(450, -450, -step)]
    left = [(-450.0, y) for y in frange(130, -150, -step)]
    return tuple(top + right + low + left)


def frange(a, b, step):
    count = max(1, round(abs(b - a) / abs(step)))
    return [a + (b - a) * k / count for k in range(count)]


def disc(x, y, r, n=48):
    return tuple((x + r * math.cos(2 * math.pi * k / n), y + r * math.sin(2 * math.pi * k / n)) for k in range(n))


def band(x, y, length, width, angle=0.1):
    c, s = math.cos(angle), math.sin(angle)
    corners = [(-length / 2, -width / 2), (length / 2, -width / 2), (length / 2, width / 2), (-length / 2, width / 2)]
    return tuple((x + c * u - s * v, y + s * u + c * v) for u, v in corners)


def defect(name, kind, outline, *, note="", thickness=45.0):
    from voidmap.corrections.shape import measure

    found = measure(outline)
    known = None
    if kind.is_void:
        prior = depth.prior_estimate(kind, area_mm2=found.area_mm2, thickness_mm=thickness)
        known = depth.fuse((prior,), thickness_mm=thickness)
    return Defect(
        id=name,
        kind=kind,
        is_void=kind.is_void,
        void_probability=0.95 if kind.is_void else 0.1,
        area_mm2=found.area_mm2,
        area_interval_mm2=Interval(found.area_mm2 * 0.95, found.area_mm2 * 1.05),
        length_mm=found.length_mm,
        width_mean_mm=found.width_mean_mm,
        width_max_mm=found.width_max_mm,
        outline_mm=outline,
        outline_px=to_px(outline),
        opens_on_edge=False,
        edge_opening_mm=0.0,
        through=False,
        depth=known,
        volume_ml=0.0,
        volume_interval_ml=Interval(0.0, 0.0),
        rim_mm=found.rim_mm,
        note=note,
    )


def intake(*, defects=None, outline=None, photo="slab-1.jpg"):
    outline = slab_outline() if outline is None else outline
    from voidmap.corrections.shape import area_mm2, rim_mm

    if defects is None:
        defects = (
            defect("D01", Kind.KNOT_HOLE, disc(-210, -40, 24)),
            defect("D02", Kind.CRACK, band(120, 60, 260, 4)),
            defect("D03", Kind.HOLE, disc(300, -90, 3)),
            defect("D04", Kind.BARK_VOID, disc(20, -80, 17)),
            defect("D05", Kind.SEAM_GAP, band(-300, 90, 90, 2, angle=0.0)),
            defect("D06", Kind.SOUND_KNOT, disc(200, -10, 15)),
            defect("D07", Kind.STAIN, disc(-80, 70, 20)),
        )
    defects, totals = depth.volumes(defects, scale_rel=0.002) if defects else ((), Totals(0, 0, 0, Interval(0, 0)))
    area = area_mm2(outline)
    quality = Quality(sharpness=0.2, clipped_fraction=0.0, glare_fraction=0.0, verdict="good")
    return Intake(
        photos=(PhotoRecord(photo, "ab" * 32, 4000, 3000, "2026-03-02T09:30:00", quality),),
        scale=ScaleRecord("boards", (BoardPlace(0, 24, 0.0, 0.0, 0.0, 0.1),), MM_PER_PX, 0.002, 0.2, LENS),
        slab=SlabRecord(area, Interval(area * 0.997, area * 1.003), rim_mm(outline), 45.0, outline, to_px(outline)),
        defects=defects,
        totals=totals,
        notes=("One photo shows no depth: depths are typical ranges until you probe.",),
    )
