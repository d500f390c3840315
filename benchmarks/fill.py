"""Measure the fill plans: cups against the bound, time to plan, the stated chance of running short.

Run ``python benchmarks/fill.py``; random slabs from ``tests/fill_jobs.py``, usual resin values.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from fill_jobs import random_intake

from voidmap.fill.plan import plan
from voidmap.fill.resin import read_resin

JOBS = 20
SIZES = (5, 20, 60, 200)


def main() -> None:
    resin = read_resin("")
    plan(random_intake(np.random.default_rng(0), 5), resin)
    print(
        f"{'defects':>8} {'cups':>6} {'bound':>6} {'at bound':>9} {'chance short':>13} {'median s':>9} {'worst s':>8}"
    )
    for size in SIZES:
        cups, bounds, chances, seconds = [], [], [], []
        for seed in range(JOBS):
            intake = random_intake(np.random.default_rng(1000 * size + seed), size)
            begun = time.perf_counter()
            made = plan(intake, resin, scale_step="0.1g")
            seconds.append(time.perf_counter() - begun)
            cups.append(len(made.batches))
            bounds.append(made.batch_bound)
            chances.append(made.chance_short)
        at = np.mean(np.equal(cups, bounds))
        print(
            f"{size:>8} {np.mean(cups):>6.1f} {np.mean(bounds):>6.1f} {at:>9.0%} {np.mean(chances):>13.3f} "
            f"{np.median(seconds):>9.2f} {max(seconds):>8.2f}"
        )


if __name__ == "__main__":
    main()
