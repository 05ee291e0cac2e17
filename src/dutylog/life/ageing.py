"""How heat and load age things: Arrhenius, the rule of ten degrees, both while something cools down, Palmgren-Miner."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dutylog.domain.nitrogen import GAS_CONSTANT
from dutylog.units import ZERO_C_IN_K

Floats = NDArray[np.float64]

RULE_STEP_K = 10.0
"""The rule of thumb doubles by every ten degrees. Source: common practice; Arrhenius 1889 in short."""
NODES, WEIGHTS = np.polynomial.legendre.leggauss(24)
"""Gauss-Legendre. 24 points: see `integrate_fall_s`."""
MOST_CONSTANTS = 700.0
"""Time constants after which exp() has nothing left of a difference in temperature."""


def compute_arrhenius(temp_c: ArrayLike, ea_j_per_mol: float, ref_c: float) -> Floats:
    """Return how many times as fast something ages at `temp_c` as at `ref_c`, above -273.15 degC.

    Source:
        exp(Ea / R (1 / Tref - 1 / T)), the way of ISO 11346; tests/data/reference/07_acceleration_factors.csv.
    """
    return np.asarray(np.exp(_arrhenius_log(np.asarray(temp_c, dtype=np.float64), ref_c, ea_j_per_mol)))


def compute_ten_degree(temp_c: ArrayLike, ref_c: float, step_k: float = RULE_STEP_K) -> Floats:
    """Return the same by the rule of thumb: double by every `step_k`.

    Source:
        2^((T - Tref) / 10), common practice; tests/data/reference/07_acceleration_factors.csv.
    """
    return np.asarray(2.0 ** ((np.asarray(temp_c, dtype=np.float64) - ref_c) / step_k))


def integrate_arrhenius_fall_s(
    from_c: Floats, air_c: Floats, tau_s: float, fall_s: Floats, ea_j_per_mol: float, ref_c: float
) -> Floats:
    """Return the equivalent time at `ref_c` [s] of cooling down by air + (from - air) exp(-time / tau).

    Args:
        from_c, air_c: (n,) [degC]. tau_s: > 0. fall_s: (n,) how long it cools, >= 0.
    Source:
        With x = exp(-time / tau) the integral is tau (rate(air) time / tau + int (rate - rate(air)) / x dx), whose
        second part is smooth. 24 points leave 2e-9 of the result between -40 and 160 degC at up to 160 kJ/mol,
        test_ageing.py.
    """
    drop_k = from_c - air_c
    last, lapse = _left(fall_s, tau_s)
    x, width = _points(last, np.ones_like(last))
    gained = np.expm1(_arrhenius_log(air_c[:, None] + drop_k[:, None] * x, air_c[:, None], ea_j_per_mol)) / x
    shape = lapse + width * (gained * WEIGHTS).sum(axis=1)
    return np.asarray(tau_s * compute_arrhenius(air_c, ea_j_per_mol, ref_c) * shape)


def integrate_ten_degree_fall_s(
    from_c: Floats,
    air_c: Floats,
    tau_s: float,
    fall_s: Floats,
    ref_c: float,
    band_c: tuple[float, float] = (-np.inf, np.inf),
    step_k: float = RULE_STEP_K,
) -> Floats:
    """Return the same by the rule of ten degrees. band_c: below nothing counts, above counts as the upper end.

    Source:
        As `integrate_arrhenius_fall_s`; the instants at which the band is entered and left are exact.
    """
    drop_k = from_c - air_c
    drop_k = np.where(np.abs(drop_k) < 1e-9, 1e-9, drop_k)
    last, lapse = _left(fall_s, tau_s)
    low, high = (np.clip((level - air_c) / drop_k, last, 1.0) for level in band_c)
    first, second = np.minimum(low, high), np.maximum(low, high)
    x, width = _points(first, second)
    rise = np.log(2.0) / step_k * drop_k[:, None] * x
    inside = _lapse_between(first, second, last, lapse) + width * (np.expm1(rise) / x * WEIGHTS).sum(axis=1)
    # Above the band: before it where it cools down, behind it where it warms up to the air.
    above = np.where(
        drop_k > 0.0, _lapse_between(high, np.ones_like(high), last, lapse), _lapse_between(last, high, last, lapse)
    )
    at_most = compute_ten_degree(band_c[1], ref_c, step_k) * above if np.isfinite(band_c[1]) else 0.0
    return np.asarray(tau_s * (compute_ten_degree(air_c, ref_c, step_k) * inside + at_most))


def compute_time_above_s(from_c: Floats, air_c: Floats, tau_s: float, fall_s: Floats, level_c: float) -> Floats:
    """Return for how long [s] something that cools down (air below the level) is above a level."""
    ratio = np.maximum(from_c - air_c, 1e-9) / np.maximum(level_c - air_c, 1e-9)
    needed_s = tau_s * np.log(np.maximum(ratio, 1.0))
    return np.asarray(np.where(from_c > level_c, np.minimum(needed_s, fall_s), 0.0))


def compute_damage(stress: ArrayLike, counts: ArrayLike, exponent: float, constant: float = 1.0) -> Floats:
    """Return the damage of each row of counts at a stress; their sum is Palmgren and Miner's.

    Args:
        stress: >= 0, in the unit that `constant` was found with. counts: cycles.
    Source:
        Elementary form, n / N with N = constant stress^-exponent (Basquin); tests/data/reference/09_miner.json.
        At failure the sum scatters from 0.3 to 3 (handbooks, from memory).
    """
    loads = np.asarray(stress, dtype=np.float64)
    return np.asarray(np.asarray(counts, dtype=np.float64) * loads**exponent / constant)


def _arrhenius_log(temp_c: Floats, ref_c: float | Floats, ea_j_per_mol: float) -> Floats:
    inverse = 1.0 / (np.asarray(ref_c) + ZERO_C_IN_K) - 1.0 / (temp_c + ZERO_C_IN_K)
    return np.asarray(ea_j_per_mol / GAS_CONSTANT * inverse)


def _left(fall_s: Floats, tau_s: float) -> tuple[Floats, Floats]:
    """Return what is left of the difference at the end, and the time in time constants."""
    lapse = fall_s / tau_s
    return np.asarray(np.exp(-np.minimum(lapse, MOST_CONSTANTS))), lapse


def _lapse_between(first: Floats, second: Floats, last: Floats, lapse: Floats) -> Floats:
    """Return the time in time constants that x takes from `second` down to `first`; the end is known exactly."""
    ends = (np.where(x <= last, lapse, -np.log(np.maximum(x, last))) for x in (first, second))
    early, late = next(ends), next(ends)
    return np.asarray(np.maximum(early - late, 0.0))


def _points(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Return where to look between two ends, (n, points), and half the distance (n,)."""
    half = 0.5 * (second - first)
    return 0.5 * (first + second)[:, None] + half[:, None] * NODES, half
