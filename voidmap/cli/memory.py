"""How the process treats memory: what one step frees, the next one takes."""

from __future__ import annotations

import ctypes
import sys

# glibc's mallopt(3): how much free memory at the top is kept, by how much the heap grows at once, and the size from
# which a block is mapped on its own, and given back, and zeroed again by the kernel when the next one is asked for.
TRIM_THRESHOLD, TOP_PAD, MMAP_THRESHOLD = -1, -2, -3
# Blocks up to 1 GiB (greater than any picture here) come from the heap, which grows by 256 MiB and is not given back
# while the command runs: a tenth of an intake went into zeroing the same memory again.
SETTINGS = {MMAP_THRESHOLD: 1 << 30, TRIM_THRESHOLD: (1 << 31) - 1, TOP_PAD: 256 << 20}


def keep_freed() -> None:
    """Keep freed memory for the next picture; a C library without such a setting is left as it is."""
    if not sys.platform.startswith("linux"):
        return
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        for name, value in SETTINGS.items():
            mallopt(name, value)
