"""Pairs of neighbouring values as sum and difference, the difference predicted from sums near it.

The arithmetic of the `predict` codec (shared/RECORDING.md, Codecs), integers throughout. Predicting
a sample from those before it adds their noise to its own: 1 bit a sample for a straight line through
noise of one count. Sums and differences of pairs hold just the noise the samples hold, and a
difference predicted from the sums on both sides of it is mostly noise. Sum and difference are even
or odd together, so half of the difference is enough and nothing is rounded away. The sums are a
signal of half the rate, to which the same applies.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[Any]

SHORT_LEVELS = 2
"""Levels from here on predict with the long weights. Measured on recorded desert travel at 1 kHz:
the first two levels hold little but noise, which more weights don't lessen."""

LONG_REACH = 3
"""Sums to each side that the long weights need."""


def split_pairs(values: Ints, level: int) -> tuple[Ints, Ints]:
    """Return (sums, residues) of pairs of values; `join_pairs` is the exact inverse.

    Args:
        values: (channels, n) int32 or int64, n >= 2, small enough that 256 times a sum fits the type.
        level: how often sums were taken before, from 0.
    Returns:
        sums (channels, ceil(n / 2)), of an odd n the last value doubled; residues (channels, n // 2).
    Source:
        Derivation in shared/RECORDING.md, Codecs of samples, predict.
    """
    n = values.shape[1]
    half = n // 2
    even, odd = values[:, : 2 * half : 2], values[:, 1::2]
    sums = np.empty((len(values), n - half), values.dtype)
    np.add(even, odd, out=sums[:, :half])
    if n % 2:
        sums[:, half] = 2 * values[:, -1]
    expected, _ = _expect(sums, half, level)
    residues = odd - even
    residues >>= 1
    residues -= expected >> 8
    _fold(residues, expected)
    return sums, residues


def join_pairs(sums: Ints, residues: Ints, level: int) -> tuple[Ints, Ints]:
    """Return the values of which `split_pairs` made these sums and residues: those at even places, those at odd.

    Takes any numbers, what overflows wraps, and any axes before the last. The residues are used up.
    """
    half = residues.shape[-1]
    expected, is_odd = _expect(sums, half, level)
    difference = residues
    _fold(difference, expected)
    expected >>= 8
    difference += expected
    difference <<= 1
    difference += is_odd
    even = np.empty_like(sums)
    np.subtract(sums[..., :half], difference, out=even[..., :half])
    even[..., half:] = sums[..., half:]
    even >>= 1
    difference += even[..., :half]
    return even, difference


def _expect(sums: Ints, half: int, level: int) -> tuple[Ints, Ints]:
    """Return what the differences are expected to be, in a form for rounding, and which sums are odd.

    The form is 128 times the expected difference, less 128 where the sum is odd, plus 128: its 256th
    part rounded down is the expected half difference, and bit 7 is set where that lies at or below
    the exact expectation.
    """
    reach = np.empty_like(sums)
    if sums.shape[-1] > 2:
        np.subtract(sums[..., 2:], sums[..., :-2], out=reach[..., 1:-1])
        reach[..., 0] = reach[..., 1]
        reach[..., -1] = reach[..., -2]
    else:
        reach[:] = 0
    expected = reach << 4
    if level >= SHORT_LEVELS and sums.shape[-1] > 2 * LONG_REACH:
        inner = reach[..., 3:-3] * 27
        inner -= 7 * (sums[..., 5:-1] - sums[..., 1:-5])
        inner += sums[..., 6:]
        inner -= sums[..., :-6]
        expected[..., 3:-3] = inner
    expected = expected[..., :half]
    is_odd = sums[..., :half] & 1
    expected -= is_odd << 7
    expected += 128
    return expected, is_odd


def _fold(residues: Ints, expected: Ints) -> None:
    """Change the sign of residues in place where the rounded expectation lies at or below the exact one.

    A residue is likelier positive there and likelier negative elsewhere; then negative everywhere. To
    fold twice changes nothing.
    """
    width_bits = 8 * expected.itemsize
    flips = expected << (width_bits - 8)
    flips >>= width_bits - 1
    residues ^= flips
    residues -= flips
