"""The fill plan: from the voids' volumes to what happens at the bench, in order."""

from voidmap.fill.plan import plan
from voidmap.fill.resin import Resin, read_resin
from voidmap.fill.values import write_template

__all__ = ["Resin", "plan", "read_resin", "write_template"]
