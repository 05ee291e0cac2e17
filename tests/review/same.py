"""Two TripData compared in everything, arrays bit for bit."""

from __future__ import annotations

import numpy as np


def assert_same(one, other):
    """Fail with the name of what differs."""
    assert type(one) is type(other)
    for name in type(one).__slots__:
        mine, theirs = getattr(one, name), getattr(other, name)
        if name == "dampers":
            for a, b in zip(mine, theirs, strict=True):
                assert_same(a, b)
        elif isinstance(mine, np.ndarray):
            assert mine.dtype == theirs.dtype, name
            assert np.array_equal(mine, theirs, equal_nan=mine.dtype.kind == "f"), name
        else:
            assert mine == theirs, name
