"""Depth and volume: prior, probe, parallax and shadow, fused by weight; volumes whose intervals hold."""

from voidmap.depth.advise import advise
from voidmap.depth.fuse import fuse
from voidmap.depth.heights import heights_of
from voidmap.depth.lamplight import LampLight, add_shadow, lamp_light, shadow_estimate
from voidmap.depth.peg import PegShadow, find_pegs
from voidmap.depth.prior import prior_estimate, through_estimate
from voidmap.depth.probe import probe_dots, probe_estimate
from voidmap.depth.revise import revise_kind, revise_void_probability
from voidmap.depth.stage import estimate_depths
from voidmap.depth.volume import volumes

__all__ = [
    "LampLight",
    "PegShadow",
    "add_shadow",
    "advise",
    "estimate_depths",
    "find_pegs",
    "fuse",
    "heights_of",
    "lamp_light",
    "prior_estimate",
    "probe_dots",
    "probe_estimate",
    "revise_kind",
    "revise_void_probability",
    "shadow_estimate",
    "through_estimate",
    "volumes",
]
