"""Random jobs for the fill plan's tests: slabs with voids of all kinds, sizes and depths."""

from __future__ import annotations

import math

import numpy as np

from voidmap.records import (
    Defect,
    Depth,
    EdgeRun,
    Intake,
    Interval,
    Kind,
    Lens,
    ScaleRecord,
    SlabRecord,
    Totals,
)

VOID_KINDS = [kind for kind in Kind if kind.is_void]


def ellipse(x, y, length, width, angle, points=24):
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    t = np.linspace(0, 2 * math.pi, points, endpoint=False)
    return tuple(map(tuple, (np.column_stack([np.cos(t) * length / 2, np.sin(t) * width / 2]) @ turn.T + [x, y])))


def a_defect(number, kind, *, at, length, width, mean, deepest, spread=1.2, thickness=45.0, through=False, edge=0.0):
    outline = ellipse(*at, length, width, 0.3)
    area = math.pi / 4 * length * width
    ml = area * mean / 1000
    flat = not kind.is_void
    return Defect(
        id=f"D{number:02d}",
        kind=kind,
        is_void=not flat,
        void_probability=0.02 if flat else 0.97,
        area_mm2=area,
        area_interval_mm2=Interval(area * 0.97, area * 1.03),
        length_mm=length,
        width_mean_mm=width * math.pi / 4,
        width_max_mm=width,
        outline_mm=outline,
        outline_px=outline,
        opens_on_edge=edge > 0,
        edge_opening_mm=edge,
        through=through,
        depth=None
        if flat
        else Depth(mean, thickness if through else deepest, Interval(mean / spread, mean * spread), "parallax"),
        volume_ml=0.0 if flat else ml,
        volume_interval_ml=Interval(0.0, 0.0) if flat else Interval(ml / spread / 1.03, ml * spread * 1.03),
        rim_mm=2 * (length + width),
    )


def an_intake(defects, *, size=(1200.0, 600.0), thickness=45.0, live=True):
    x, y = size
    outline = ((0.0, 0.0), (x, 0.0), (x, y), (0.0, y))
    kind = "live" if live else "sawn"
    runs = (EdgeRun(kind, x, 0), EdgeRun("sawn", y, 1), EdgeRun(kind, x, 2), EdgeRun("sawn", y, 3))
    slab = SlabRecord(x * y, Interval(x * y * 0.99, x * y * 1.01), 2 * (x + y), thickness, outline, outline, runs)
    voids = [d for d in defects if d.is_void]
    ml = sum(d.volume_ml for d in voids)
    # Half of each void's error is shared: the total is less sure than independent voids, surer than one void.
    whole = sum(d.volume_interval_ml.hi - d.volume_ml for d in voids)
    own = math.sqrt(sum((d.volume_interval_ml.hi - d.volume_ml) ** 2 for d in voids))
    grow = 1 + (whole + own) / 2 / ml if ml else 1.0
    lens = Lens(3000, 3000, 2000, 1500)
    return Intake(
        photos=(),
        scale=ScaleRecord("boards", (), 0.3, 0.002, 0.3, lens),
        slab=slab,
        defects=tuple(defects),
        totals=Totals(len(voids), sum(d.area_mm2 for d in voids), ml, Interval(ml / grow, ml * grow)),
    )


def random_intake(rng, count):
    thickness = float(rng.uniform(20, 80))
    size = (float(rng.uniform(300, 3500)), float(rng.uniform(200, 1000)))
    defects = []
    for number in range(1, count + 1):
        kind = list(Kind)[int(rng.integers(len(Kind)))]
        width = float(np.exp(rng.uniform(np.log(0.1), np.log(150))))
        length = width * float(rng.uniform(1, 3 if kind is not Kind.CRACK else 60))
        mean = float(np.exp(rng.uniform(np.log(0.3), np.log(thickness))))
        defects.append(
            a_defect(
                number,
                kind,
                at=(float(rng.uniform(0, size[0])), float(rng.uniform(0, size[1]))),
                length=min(length, size[0]),
                width=width,
                mean=mean,
                deepest=min(thickness, mean * float(rng.uniform(1, 3))),
                spread=float(rng.uniform(1.02, 2.5)),
                thickness=thickness,
                through=bool(rng.random() < 0.15),
                edge=float(rng.choice([0, 0, rng.uniform(1, 250)])),
            )
        )
    return an_intake(defects, size=size, thickness=thickness, live=bool(rng.random() < 0.5))


def a_desk():
    """A top with every kind of defect, as a finisher would meet it."""
    return an_intake(
        [
            a_defect(1, Kind.BARK_VOID, at=(300, 300), length=220, width=90, mean=12.6, deepest=28),
            a_defect(2, Kind.BARK_VOID, at=(700, 30), length=114, width=47, mean=7.1, deepest=12.8, edge=114),
            a_defect(3, Kind.KNOT_HOLE, at=(850, 350), length=30, width=24, mean=30, deepest=45, through=True),
            a_defect(4, Kind.KNOT_HOLE, at=(400, 450), length=18, width=17, mean=10.7, deepest=15, spread=2.2),
            a_defect(5, Kind.CRACK, at=(500, 200), length=310, width=1.5, mean=9.7, deepest=16.6),
            a_defect(6, Kind.CRACK, at=(900, 500), length=170, width=2.4, mean=8.7, deepest=16.5, edge=2.4),
            a_defect(7, Kind.CRACK, at=(1000, 250), length=70, width=0.9, mean=5, deepest=8),
            a_defect(8, Kind.CRACK, at=(200, 500), length=90, width=0.25, mean=4, deepest=6),
            a_defect(9, Kind.HOLE, at=(620, 420), length=2.2, width=2.1, mean=8, deepest=10),
            a_defect(10, Kind.HOLE, at=(640, 430), length=0.8, width=0.8, mean=6, deepest=7),
            a_defect(11, Kind.SEAM_GAP, at=(600, 550), length=400, width=1.9, mean=6, deepest=9),
            a_defect(12, Kind.SOUND_KNOT, at=(150, 150), length=50, width=40, mean=0, deepest=0),
            a_defect(13, Kind.STAIN, at=(1100, 100), length=60, width=50, mean=0, deepest=0),
        ]
    )
