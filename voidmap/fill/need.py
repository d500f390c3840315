"""How much resin the voids may need: skewed quantities with a cause that they share.

Every void's volume is log-normal through its 95 % interval. One cause common to all voids (scale, lens, depth
model) is as strong as makes the sum as uncertain as the intake's own total says. Overfill is area times
height; soak is a range per metre of rim, one unknown for each kind of void.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voidmap.fill.resin import Resin
from voidmap.records import Defect, Interval, Totals

Floats = NDArray[np.float64]

Z95 = 1.959963984540054
"""Half-width of a normal 95 % interval, in standard deviations."""
DRAWS = 20_000
"""Simulated jobs: a chance of 5 % is known within 0.15 points (one standard error)."""
SMALLEST_ML = 1e-6
"""Volumes are kept above this so that their logarithm exists."""


@dataclass(frozen=True)
class LogNormal:
    """A positive quantity: median and standard deviation of its natural logarithm."""

    median: float
    sigma: float

    @classmethod
    def from_interval(cls, value: float, interval: tuple[float, float]) -> LogNormal:
        """Return the one with this 95 % interval; without a usable interval it is certain."""
        lo, hi = interval
        if 0 < lo < hi:
            return cls(math.sqrt(lo * hi), math.log(hi / lo) / (2 * Z95))
        return cls(max(value, SMALLEST_ML), 0.0)

    @classmethod
    def from_range(cls, low: float, high: float) -> LogNormal:
        """Return the one with this 95 % range; (0, 0) is nothing."""
        if high <= 0:
            return cls(0.0, 0.0)
        low = max(low, high / 100)
        return cls(math.sqrt(low * high), math.log(high / low) / (2 * Z95))

    def at(self, z: float) -> float:
        """Return its value ``z`` standard deviations from the median."""
        return self.median * math.exp(self.sigma * z)


@dataclass(frozen=True)
class Need:
    """What one void may take."""

    defect: str
    kind: str
    volume: LogNormal
    area: LogNormal
    """mm²."""
    overfill_mm: float
    soak: LogNormal
    """ml."""

    @property
    def overfill_ml(self) -> float:
        """Median overfill."""
        return self.area.median * self.overfill_mm / 1000


def need_of(defect: Defect, resin: Resin, *, overfill_mm: float) -> Need:
    """Return what a void may take, with its overfill and soak."""
    soak = LogNormal.from_range(*resin.soak_ml_per_m(defect.kind.value))
    rim_m = (defect.rim_mm or math.sqrt(4 * math.pi * defect.area_mm2)) / 1000
    return Need(
        defect=defect.id,
        kind=defect.kind.value,
        volume=LogNormal.from_interval(defect.volume_ml, defect.volume_interval_ml),
        area=LogNormal.from_interval(defect.area_mm2, defect.area_interval_mm2),
        overfill_mm=overfill_mm,
        soak=LogNormal(soak.median * rim_m, soak.sigma),
    )


@dataclass(frozen=True, eq=False)
class NeedDraws:
    """Simulated jobs: (DRAWS, voids) each, in ml; columns in the order of ``needs``."""

    needs: tuple[Need, ...]
    volume_ml: Floats
    overfill_ml: Floats
    soak_ml: Floats

    def total_interval_ml(self) -> Interval:
        """Return the 95 % interval of the voids' summed volume, ml."""
        if not self.needs:
            return Interval(0.0, 0.0)
        lo, hi = np.quantile(self.volume_ml.sum(axis=1), [0.025, 0.975])
        return Interval(float(lo), float(hi))


def shared_part(defects: Sequence[Defect], totals: Totals) -> float:
    """Return the correlation of the voids' log-volumes (0 to 1) that gives the total its stated interval.

    The sum's variance is worked out in closed form for log-normals: with correlation r, the covariance of
    two volumes is m_i m_j (exp(r s_i s_j) - 1), m being means and s the sigmas of the logarithms.
    """
    laws = [LogNormal.from_interval(d.volume_ml, d.volume_interval_ml) for d in defects if d.is_void]
    wanted = LogNormal.from_interval(totals.volume_ml, totals.volume_interval_ml)
    if len(laws) < 2 or wanted.sigma == 0:
        return 1.0
    sigma = np.array([law.sigma for law in laws])
    mean = np.array([law.median for law in laws]) * np.exp(sigma**2 / 2)
    target = math.expm1(wanted.sigma**2) * mean.sum() ** 2

    def excess(r: float) -> float:
        covariance = np.outer(mean, mean) * np.expm1(r * np.outer(sigma, sigma))
        np.fill_diagonal(covariance, mean**2 * np.expm1(sigma**2))
        return float(covariance.sum() - target)

    if excess(0.0) >= 0:
        return 0.0
    if excess(1.0) <= 0:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    return (low + high) / 2


def draw_needs(needs: Sequence[Need], shared: float, rng: np.random.Generator, *, draws: int = DRAWS) -> NeedDraws:
    """Simulate jobs.

    Parameters
    ----------
    needs
        The voids that get resin.
    shared
        Correlation of their log-volumes, from :func:`shared_part`.
    rng
        Seeded generator.
    draws
        How many jobs.
    """
    n = len(needs)
    common, area_cause = rng.standard_normal((draws, 1)), rng.standard_normal((draws, 1))
    own = rng.standard_normal((draws, n))
    kinds = sorted({need.kind for need in needs})
    thirst = rng.standard_normal((draws, max(len(kinds), 1)))
    z_volume = math.sqrt(shared) * common + math.sqrt(1 - shared) * own
    column = [kinds.index(need.kind) for need in needs]
    overfill = np.array([need.overfill_mm / 1000 for need in needs])
    return NeedDraws(
        tuple(needs),
        _spread([need.volume for need in needs], z_volume),
        _spread([need.area for need in needs], np.repeat(area_cause, n, axis=1)) * overfill,
        _spread([need.soak for need in needs], thirst[:, column]),
    )


def _spread(laws: list[LogNormal], z: Floats) -> Floats:
    median = np.array([law.median for law in laws])
    sigma = np.array([law.sigma for law in laws])
    return np.asarray(median * np.exp(sigma * z), dtype=np.float64)
