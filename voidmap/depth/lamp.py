"""Where the lamp stands, from the shadows of pegs: its direction everywhere over the slab, with its doubt.

One form holds for the sun and for a near lamp alike. At a place ``at_mm`` the level way to the lamp has azimuth a and
the lamp's height over the top is tan(elevation) of that way; ``nearness`` is one over the way's length, zero for the
sun. At another place p the level way is u(a) + nearness (at - p), still in units of the way at ``at_mm``, so that the
tangent there is tan(elevation) / |u + nearness (at - p)|.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voidmap.depth.peg import PegShadow
from voidmap.errors import CantTell, ValueRefused
from voidmap.model import Floats
from voidmap.records import Interval

HEIGHT_MM = 0.25
"""Standard error of a peg's height: a caliper or a rule, a sawn end."""
UPRIGHT_RAD = 0.01
"""How far a peg with a sawn foot leans (1 s.d.): its top then stands off by so much of its height."""
USUAL_NEARNESS_PER_MM = 0.35e-3
"""A shop's lamp stands 1 m away or farther, the sun at no end: 0.35 +- 0.35 per m (common practice, no source)."""
USUAL_NEARNESS_SD = 0.35e-3
MOST_NEARNESS_PER_MM = 1 / 250
MOST_DOUBT = 0.25
"""Doubt of the light's tangent at the slab's far end (1 s.d., relative) from which on the lamp is too near."""
MOST_MISFIT = 6.0
"""Pegs that fit one lamp scatter by one standard error, a peg that leans by two or three; beyond that they don't
belong together."""
ENDS_MM = 0.8
"""Standard error of a shadow's length from the peg's own edges (sawn and eased by half a mm) at both its ends."""
DRAWS = 400
SEED = 40_027


@dataclass(frozen=True, eq=False)
class Lamp:
    """A lamp as the pegs show it.

    ``azimuth_rad`` points from ``at_mm`` to the lamp, from x toward y of the slab frame. ``draws`` is (S, 3): equally
    likely azimuths (rad), tangents and nearnesses (1/mm). ``pegs`` are the shadows that it rests on.
    """

    at_mm: Floats
    azimuth_rad: float
    tan_elevation: float
    nearness_per_mm: float
    draws: Floats
    pegs: tuple[PegShadow, ...]

    @property
    def share(self) -> float | None:
        """Part of all light on the top that the lamp gives, at the peg where it is least; None when none shows it."""
        return min((p.lamp_share for p in self.pegs if p.lamp_share is not None), default=None)

    @property
    def elevation_deg(self) -> float:
        """Elevation at ``at_mm``."""
        return float(np.degrees(np.arctan(self.tan_elevation)))

    @property
    def elevation_interval_deg(self) -> Interval:
        """95 % interval of the elevation at ``at_mm``."""
        lo, hi = np.degrees(np.arctan(np.percentile(self.draws[:, 1], [2.5, 97.5])))
        return Interval(float(lo), float(hi))

    def level_way(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Return the unit level way to the lamp (N, 2) and the tangent of its elevation (N,) at places on the top."""
        u = np.array([np.cos(self.azimuth_rad), np.sin(self.azimuth_rad)])
        way = u + self.nearness_per_mm * (self.at_mm - np.asarray(points_mm, dtype=np.float64).reshape(-1, 2))
        length = np.maximum(np.hypot(*way.T), 1e-3)
        return way / length[:, None], self.tan_elevation / length

    def drawn_tangents(self, point_mm: Floats) -> Floats:
        """Return equally likely tangents (S,) of the lamp's elevation at a place on the top."""
        azimuth, tangent, nearness = self.draws.T
        way = np.column_stack([np.cos(azimuth), np.sin(azimuth)]) + nearness[:, None] * (self.at_mm - point_mm)
        return np.asarray(tangent / np.maximum(np.hypot(*way.T), 1e-3))


def solve_lamp(pegs: Sequence[PegShadow], *, by_light: tuple[float, float] | None = None) -> Lamp:
    """Find the lamp whose light throws the pegs' shadows.

    Parameters
    ----------
    pegs
        One or more shadows in one photo.
    by_light
        The nearness (1/mm) seen from the light's fall over the slab, with its standard error; for the first peg.

    Returns
    -------
    Lamp

    Raises
    ------
    ValueRefused
        When the pegs' shadows contradict each other.
    """
    from scipy.optimize import least_squares

    at = pegs[0].foot_mm
    throw = at - pegs[0].tip_mm
    start = np.array([np.arctan2(throw[1], throw[0]), np.log(pegs[0].height_mm / pegs[0].length_mm), 0.3])

    def misfit(x: Floats) -> Floats:
        azimuth, tangent, nearness = x[0], np.exp(x[1]), x[2] * 1e-3
        rest = []
        for peg in pegs:
            way = np.array([np.cos(azimuth), np.sin(azimuth)]) + nearness * (at - peg.foot_mm)
            expected = -peg.height_mm * way / max(tangent - nearness * peg.height_mm, 1e-3)
            along = (peg.tip_mm - peg.foot_mm) / peg.length_mm
            off = peg.tip_mm - peg.foot_mm - expected
            lean = UPRIGHT_RAD * peg.height_mm
            high = HEIGHT_MM * peg.length_mm / peg.height_mm
            rest.append(off @ along / float(np.linalg.norm([peg.along_mm, ENDS_MM, lean, high])))
            rest.append((off[1] * along[0] - off[0] * along[1]) / np.hypot(peg.across_mm, lean))
        if by_light is not None:
            rest.append((nearness - by_light[0]) / by_light[1])
        elif len(pegs) == 1:
            rest.append((nearness - USUAL_NEARNESS_PER_MM) / USUAL_NEARNESS_SD)
        return np.array(rest)

    bounds = ([-np.inf, np.log(0.02), 0.0], [np.inf, np.log(20.0), 1e3 * MOST_NEARNESS_PER_MM])
    found = least_squares(misfit, start, bounds=bounds, x_scale=[0.01, 0.01, 0.1])
    if len(pegs) > 1 and float(np.abs(found.fun[: 2 * len(pegs)]).max()) > MOST_MISFIT:
        raise ValueRefused(
            "the pegs' shadows don't belong to one lamp",
            "switch other lamps off, and check each peg's height and points",
        )
    slopes = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(slopes.T @ slopes)
    drawn = np.random.default_rng(SEED).multivariate_normal(found.x, covariance, DRAWS)
    drawn = np.column_stack([drawn[:, 0], np.exp(drawn[:, 1]), np.maximum(drawn[:, 2], 0.0) * 1e-3])
    azimuth, tangent, nearness = found.x[0], np.exp(found.x[1]), found.x[2] * 1e-3
    return Lamp(at, float(azimuth), float(tangent), float(nearness), drawn, tuple(pegs))


def refuse_near(lamp: Lamp, outline_mm: Floats) -> None:
    """Refuse a lamp so near that its light is not known over the slab.

    Parameters
    ----------
    lamp
        As solved.
    outline_mm
        (N, 2) the slab's outline.

    Raises
    ------
    CantTell
        When the doubt of the light's slope at the slab's far end is too great.
    """
    doubts = [_doubt(lamp, p) for p in outline_mm[:: max(1, len(outline_mm) // 40)]]
    if max(doubts) <= MOST_DOUBT:
        return
    away = 1e-3 / max(lamp.nearness_per_mm, 1e-5)
    if len(lamp.pegs) > 1:
        remedy = "move it to twice the slab's length away and take the photo again"
    else:
        remedy = "move it to twice the slab's length away, or stand a second peg at the slab's other end"
    raise CantTell(
        f"the lamp is too near (about {away:.1f} m from the peg) to tell its light over the whole slab", remedy
    )


def _doubt(lamp: Lamp, point_mm: Floats) -> float:
    """Relative standard error of the tangent at a place, by quantiles (the draws may be skewed)."""
    lo, hi = np.log(np.percentile(lamp.drawn_tangents(point_mm), [16, 84]))
    return float(hi - lo) / 2
