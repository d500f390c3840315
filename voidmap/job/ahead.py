"""Load the heavy libraries of the later steps while the photos are decoded."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from threading import Thread

LATER = ("skimage.morphology", "voidmap.surface", "voidmap.depth", "voidmap.fill.values")
"""What finding, measuring and writing the voids import, and decoding and solving the scale do not."""


def load_ahead(names: Sequence[str] = LATER) -> Callable[[], None]:
    """Begin to import modules on a thread of its own; call what is returned before they are used.

    Decoding and finding the boards run outside the interpreter for most of their time, so that the imports, about
    a tenth of an intake, cost next to nothing there.
    """
    thread = Thread(target=lambda: [importlib.import_module(name) for name in names])
    thread.start()
    return thread.join
