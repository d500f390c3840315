"""Slabs, cameras and coats of known truth: for the demo, for planting, for tests."""

from voidmap.simulate.coat import write_series
from voidmap.simulate.scene import random_scene, write_scene

__all__ = ["random_scene", "write_scene", "write_series"]
