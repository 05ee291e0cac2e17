"""Many short rows at once without numpy's copying of what is broadcast over them."""

from __future__ import annotations

from contextvars import Context, copy_context

import numpy as np

BUFFER_VALUES = 1024
"""numpy's buffer in such a context; it has 8192 elsewhere. Measured: any size up to a row's length does."""


def short_rows_context() -> Context:
    """Return a context whose `run` works through arrays of rows of about a thousand values faster.

    Where an operand is broadcast over rows or is a slice of longer ones, numpy 2.3 and later copy every operand
    into buffers that hold several rows before they add two numbers; with buffers shorter than a row they use the
    rows as they lie. Measured on 48 rows of 1025 to 2048: a third of the time, a fourth to a twentieth of the
    instructions; the values are the same.
    """
    context = copy_context()
    context.run(np.setbufsize, BUFFER_VALUES)
    return context
