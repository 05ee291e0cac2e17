"""Many short rows at once without numpy's copying of what is broadcast over them."""

from __future__ import annotations

from contextvars import Context, copy_context

import numpy as np

BUFFER_VALUES = 1024
"""numpy's buffer in such a context; it has 8192 elsewhere. Measured: any size up to a row's length does."""


def short_rows_context() -> Context:
    """Return a context whose `run` works through arrays of rows of about a thousand values faster.

    Where an operand is broadcast over rows or is a slice of longer ones, numpy copies every operand into buffers that
    hold several rows before it adds two numbers; with buffers shorter than a row it uses the rows as they lie.
    Measured on 48 rows of 1025 to 2048 with numpy 2.4: a third of the time, a fourth to a twentieth of the
    instructions. What is worked out element by element is the same; a sum over strided values may differ in its last
    bit (seen with numpy 2.0). The context keeps the caller's `np.errstate` of now, and runs in one thread at a time.
    """
    context = copy_context()
    context.run(np.setbufsize, BUFFER_VALUES)
    return context
