"""Depth and volume: prior, probe, parallax and shadow, fused by weight; volumes whose intervals hold.

What only some jobs need (``heights``, ``peg``, ``lamplight``) is imported from its own module, so that an intake of one
photo does not load it.
"""

from voidmap.depth.advise import advise
from voidmap.depth.fuse import fuse
from voidmap.depth.prior import prior_estimate, through_estimate
from voidmap.depth.probe import probe_dots, probe_estimate
from voidmap.depth.revise import revise_kind, revise_void_probability
from voidmap.depth.stage import estimate_depths
from voidmap.depth.volume import volumes

__all__ = [
    "advise",
    "estimate_depths",
    "fuse",
    "prior_estimate",
    "probe_dots",
    "probe_estimate",
    "revise_kind",
    "revise_void_probability",
    "through_estimate",
    "volumes",
]
