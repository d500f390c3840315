"""Matrix products in pieces so small that BLAS does them in one go, on the thread that asks.

A larger one is shared out over the processors. On two of them, from within threads that work beside each other, that
takes up to a hundred times longer than the product does.
"""

from __future__ import annotations

import numpy as np

from voidmap.coat.ground import Floats32

MOST = 262_144
"""Multiplications in one piece: OpenBLAS works on more with several threads (its GEMM_MULTITHREAD_THRESHOLD of 4, times
65,536). It is no slower in such pieces on one."""


def by_rows(values: Floats32, weight: Floats32) -> Floats32:
    """Return values (N, K) times weight (K, M)."""
    count, inner = values.shape
    step = max(1, MOST // weight.size)
    whole = count // step * step
    out = np.empty((count, weight.shape[1]), np.float32)
    np.matmul(values[:whole].reshape(-1, step, inner), weight, out=out[:whole].reshape(-1, step, weight.shape[1]))
    np.matmul(values[whole:], weight, out=out[whole:])
    return out


def by_columns(weight: Floats32, values: Floats32) -> Floats32:
    """Return weight (M, K) times values (K, N)."""
    outer, count = len(weight), values.shape[1]
    step = max(1, MOST // weight.size)
    whole = count // step * step
    out = np.empty((outer, count), np.float32)
    pieces = values[:, :whole].reshape(len(values), -1, step).transpose(1, 0, 2)
    np.matmul(weight, pieces, out=out[:, :whole].reshape(outer, -1, step).transpose(1, 0, 2))
    np.matmul(weight, values[:, whole:], out=out[:, whole:])
    return out
