"""Fuse what several methods say of one void's depth; log-normal, causes of error kept apart.

``DepthEstimate.mean_mm`` is an expected value, so that area times mean depth is the expected volume and
volumes add up; ``own_rel`` and ``shared_rel`` are standard deviations of the natural log of the depth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from voidmap.depth.prior import LogDepth, above
from voidmap.model import Floats
from voidmap.records import Depth, DepthEstimate, Interval

Z95 = 1.959964
PRIOR_LARGEST_WEIGHT = 0.1
"""Beside a measurement a prior never weighs more, however unsure the measurement is."""
ASTRAY = 0.02
"""Chance that parallax went astray in a void (a dark hole in which only the rim's shade matches): 1 of 73 on simulated
slabs at 0.2 to 0.4 mm a pixel, what is hidden of the floor allowed for."""
ASTRAY_LOG_RANGE = float(np.log(50.0 / 0.05))
"""Where parallax lands then: anywhere on the log scale between 0.05 and 50 mm."""
SHALLOWEST_WALL_MM = 0.3
"""Walls that hide a floor are matched at least so deep on average: less is a flat thing."""
BOTTOM_MET = 0.9
"""Parallax that met this share of the thickness has seen the bottom of a void that goes through."""
PIT_SHARE = (0.02, 0.3)
"""Share of a pierced void's area through which it comes out below, where parallax saw no bottom: 95 of 100 voids (an
estimate)."""
_NODES = np.linspace(-4.0, 4.0, 161)
_WORDS = {
    "prior": "what is usual for its kind and size",
    "probe": "the probe",
    "parallax": "the photos from several places",
    "shadow": "the lamp's shadow",
    "through": "the slab's thickness (it goes through)",
}


@dataclass(frozen=True)
class Fused:
    """A fused depth on the log scale: location, own error, and the weight of every shared cause."""

    mu: float
    own: float
    shared: dict[str, float] = field(default_factory=dict)
    max_mm: float = 0.0
    source: str = "prior"

    @property
    def sd(self) -> float:
        """Standard deviation of the log."""
        return float(np.sqrt(self.own**2 + sum(s**2 for s in self.shared.values())))

    @property
    def mean_mm(self) -> float:
        """Expected mean depth, mm."""
        return float(np.exp(self.mu + self.sd**2 / 2))

    @property
    def interval_mm(self) -> Interval:
        """95 % interval of the mean depth, mm."""
        return Interval(float(np.exp(self.mu - Z95 * self.sd)), float(np.exp(self.mu + Z95 * self.sd)))


def log_sd(estimate: DepthEstimate) -> float:
    """Return the standard deviation of an estimate's log, all causes together."""
    return float(np.sqrt(estimate.own_rel**2 + sum(s**2 for s in estimate.shared_rel.values())))


def log_mu(estimate: DepthEstimate) -> float:
    """Return the mean of an estimate's log."""
    return float(np.log(max(estimate.mean_mm, 1e-4)) - log_sd(estimate) ** 2 / 2)


def combine(estimates: Sequence[DepthEstimate]) -> Fused:
    """Combine estimates by their weight, carrying shared causes as shared.

    Each estimate weighs as the inverse of its log-variance, a prior at most ``PRIOR_LARGEST_WEIGHT`` beside a
    measurement; for a void through the slab the prior is left out. Measurements that scatter more than their
    errors allow widen the result by that scatter. Parallax beside nothing but a prior may have gone astray, or have
    met the walls of a shaft only: the result is the mixture of all cases, by how likely what it says would be.

    Raises
    ------
    ValueError
        When there is no estimate.
    """
    if not estimates:
        raise ValueError("no estimate of depth to combine")
    through = [e for e in estimates if e.source == "through"][-1:]
    used = through + [e for e in estimates if e.source not in (("through", "prior") if through else ("through",))]
    if through:
        used = [with_pit(e, through[0].max_mm) if e.source == "parallax" else e for e in used]
    fused = _by_weight(used)
    parallax = [e for e in used if e.source == "parallax"]
    others = [e for e in used if e.source != "parallax"]
    alone = all(e.source in ("prior", "through") for e in others)
    if others and len(parallax) == 1 and (alone or parallax[0].floor_seen < 1):
        fused = _with_doubt(fused, parallax[0], _by_weight(others))
    if through:
        fused = replace(fused, max_mm=through[0].max_mm, source="through")
    return _below_reading(fused, [e.max_mm for e in estimates if e.greatest_read])


def _below_reading(fused: Fused, readings: Sequence[float]) -> Fused:
    """Hold a depth to the readings of its greatest depth: the deepest of them is it, and no mean is more."""
    if not readings:
        return fused
    greatest = max(readings)
    mu = min(fused.mu, float(np.log(greatest)) - fused.sd**2 / 2)
    return replace(fused, mu=mu, max_mm=greatest)


def with_pit(parallax: DepthEstimate, thickness_mm: float, chance: float = 1.0) -> DepthEstimate:
    """Allow for a pit through the slab of which parallax did not see the bottom.

    Parameters
    ----------
    parallax
        What the photos say.
    thickness_mm
        The slab's thickness.
    chance
        Chance that the void goes through.
    """
    if parallax.max_mm >= BOTTOM_MET * thickness_mm or parallax.mean_mm >= thickness_mm or chance <= 0:
        return parallax
    lo, hi = PIT_SHARE
    middle, spread = (lo * hi) ** 0.5, float(np.log(hi / lo)) / (2 * Z95)
    pit = middle * (thickness_mm - parallax.mean_mm)
    deeper = pit / parallax.mean_mm
    doubt = spread * deeper / (1 + deeper)
    variance = chance * doubt**2 + chance * (1 - chance) * float(np.log1p(deeper)) ** 2
    own = float(np.sqrt(parallax.own_rel**2 + variance))
    if chance < 0.5:  # Most likely there is none: only the doubt of it counts.
        return replace(parallax, own_rel=own)
    return replace(parallax, mean_mm=parallax.mean_mm + chance * pit, max_mm=thickness_mm, own_rel=own)


def _with_doubt(fused: Fused, parallax: DepthEstimate, expected: Fused) -> Fused:
    """Mix the cases of one parallax by Bayes' rule: it met the floor, walls above it, or nothing that is there.

    Parameters
    ----------
    fused
        The depth where it met the floor.
    parallax, expected
        What it says, and what is known without it.
    """
    met = log_mu(parallax)
    sd = float(np.hypot(log_sd(parallax), expected.sd))
    fits = float(np.exp(-0.5 * ((met - expected.mu) / sd) ** 2)) / (sd * (2 * np.pi) ** 0.5)
    deeper = above(LogDepth(expected.mu, expected.sd), float(np.exp(met)))
    chances = np.array([
        (1 - ASTRAY) * parallax.floor_seen * fits,
        (1 - ASTRAY) * (1 - parallax.floor_seen) * walls_density(met, expected.mu, expected.sd),
        ASTRAY / ASTRAY_LOG_RANGE,
    ])  # fmt: skip
    walls = replace(expected, mu=deeper.mu, own=_own_of(deeper.sd, expected), max_mm=max(expected.max_mm, fused.max_mm))
    return _mixed((fused, walls, expected), chances / chances.sum())


def walls_density(met: float, mu: float, sd: float) -> float:
    """Density (per log) of walls that are met at a depth, alike on the log scale from the shallowest to the floor."""
    floors = mu + sd * _NODES
    weight = np.exp(-0.5 * _NODES**2)
    reach = floors - float(np.log(SHALLOWEST_WALL_MM))
    may = (floors >= met) & (reach > 0) & (met >= np.log(SHALLOWEST_WALL_MM))
    return float(np.sum(weight[may] / np.maximum(reach[may], 0.1)) / weight.sum())


def _own_of(sd: float, fused: Fused) -> float:
    """Return the own error that is left of a spread beside the shared causes."""
    return float(np.sqrt(max(sd**2 - sum(s**2 for s in fused.shared.values()), 0.0)))


def _mixed(cases: Sequence[Fused], chances: Floats) -> Fused:
    """Match the expected depth and the log variance of a mixture; shared causes keep their part."""
    mus = np.array([c.mu for c in cases])
    own = float(chances @ (np.array([c.own for c in cases]) ** 2 + (mus - chances @ mus) ** 2))
    causes = {cause for c in cases for cause in c.shared}
    shared = {cause: float(chances @ np.array([c.shared.get(cause, 0.0) for c in cases])) for cause in sorted(causes)}
    likeliest = cases[int(np.argmax(chances))]
    mixed = Fused(0.0, own**0.5, shared, likeliest.max_mm, likeliest.source)
    # A log-normal with the mixture's log mean would have a mean far above the mixture's.
    expected = float(chances @ np.array([c.mean_mm for c in cases]))
    return replace(mixed, mu=float(np.log(expected)) - mixed.sd**2 / 2)


def _by_weight(used: Sequence[DepthEstimate]) -> Fused:
    """Combine by weight alone."""
    mu = np.array([log_mu(e) for e in used])
    sd = np.array([max(log_sd(e), 1e-6) for e in used])
    weight = _weights(used, sd)
    measured = np.array([e.source != "prior" for e in used])
    own = float(np.sum((weight * [e.own_rel for e in used]) ** 2))
    if measured.sum() > 1:
        part = weight[measured] / weight[measured].sum()
        middle = float(part @ mu[measured])
        expected = float(part @ (sd[measured] ** 2))
        scatter = float(part @ (mu[measured] - middle) ** 2)
        own += max(0.0, scatter - expected)
    shared: dict[str, float] = {}
    for w, estimate in zip(weight, used, strict=True):
        for cause, s in estimate.shared_rel.items():
            shared[cause] = shared.get(cause, 0.0) + float(w) * s
    greatest = float(np.exp(weight @ np.log([max(e.max_mm, 1e-4) for e in used])))
    return Fused(float(weight @ mu), own**0.5, shared, greatest, used[int(np.argmax(weight))].source)


def _weights(
    used: Sequence[DepthEstimate], sd: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    weight = 1.0 / sd**2
    weight /= weight.sum()
    prior = np.array([e.source == "prior" for e in used])
    if prior.any() and not prior.all() and weight[prior].sum() > PRIOR_LARGEST_WEIGHT:
        weight[prior] *= PRIOR_LARGEST_WEIGHT / weight[prior].sum()
        weight[~prior] *= (1 - PRIOR_LARGEST_WEIGHT) / weight[~prior].sum()
    return weight


def fuse(estimates: Sequence[DepthEstimate], *, thickness_mm: float | None) -> Depth:
    """Fuse the estimates of one void's depth.

    Parameters
    ----------
    estimates
        At least one; kept in the result, so that a correction can fuse again.
    thickness_mm
        The slab's thickness; no depth exceeds it.

    Returns
    -------
    Depth
        ``mean_interval_mm`` is the 95 % interval of the mean depth.

    Raises
    ------
    ValueError
        When there is no estimate.
    """
    fused = combine(estimates)
    top = thickness_mm if thickness_mm is not None else np.inf
    lo, hi = fused.interval_mm
    mean = min(fused.mean_mm, top)
    return Depth(
        mean_mm=mean,
        max_mm=min(max(fused.max_mm, mean), top),
        mean_interval_mm=Interval(min(lo, mean), max(min(hi, top), mean)),
        source=fused.source,
        estimates=tuple(estimates),
        disagreement=disagreement(estimates),
    )


def disagreement(estimates: Sequence[DepthEstimate]) -> str | None:
    """Return a sentence when two estimates' 95 % intervals do not meet; the worst pair is named."""
    worst, sentence = 0.0, None
    for n, a in enumerate(estimates):
        for b in estimates[n + 1 :]:
            if _only_walls(a, b) or _only_walls(b, a):
                continue
            gap = abs(log_mu(a) - log_mu(b)) - Z95 * (log_sd(a) + log_sd(b))
            if gap > worst:
                worst = gap
                sentence = (
                    f"{_WORDS[a.source].capitalize()} says {a.mean_mm:.1f} mm mean depth, {_WORDS[b.source]} says "
                    f"{b.mean_mm:.1f} mm: more apart than their errors allow; measure again with a probe."
                )
    return sentence


def _only_walls(a: DepthEstimate, b: DepthEstimate) -> bool:
    """Whether one estimate may have met walls above the depth that the other says."""
    return a.floor_seen < 1 and log_mu(a) < log_mu(b)
