"""What a damper did, as rows: each about a minute of the ledger, or any other stretch. Arrays, NaN where unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dutylog.domain.exchange import (
    OIL_MOVE_W_PER_M2_K_PER_MPS,
    OIL_STILL_W_PER_M2_K,
    compute_outer_m2,
    compute_wetted_m2,
)
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.life.parts import RULES, Rules

Floats = NDArray[np.float64]

RMS_OVER_MEAN = math.sqrt(math.pi / 2.0)
"""Of a shaft speed that is normally distributed. Source: mean |v| = sqrt(2 / pi) s."""
TEMPERATURES_C = (-60.0, 200.0)
"""What lies outside is no damper's temperature but a fault (judgement)."""
MOST_SPEED_MPS = 12.0
"""Of a shaft; the simulated vehicle's table ends there as well (judgement)."""
MOST_VEHICLE_MPS = 100.0
"""Of a vehicle (judgement)."""
MOST_AMOUNT = 1e15
"""Joules, metres, seconds or strokes in a row above which they are no figures of a damper (judgement)."""

EXTENSIVE = (
    "duration_s",
    "energy_j",
    "strokes_count",
    "sliding_m",
    "measured_s",
    "distance_m",
    "moving_s",
    "moving_measured_s",
)
"""What is shared out where a row is cut."""
FOLLOWING = {"cool_from_c": math.nan, "cool_s": 0.0}
"""What stands behind a row, so in its last piece, and what the piece before it has instead."""


@dataclass(frozen=True, slots=True)
class Use:
    """Rows of use, every field (n,) float64, NaN = unknown.

    measured_s: part of duration_s in which travel was measured; energy, strokes and sliding are of that part.
    moving_s, moving_measured_s: the part of each in which the vehicle moved. dirt_factor: 1 on an ordinary dusty road.
    oil_c: of the oil, computed. cool_from_c, cool_s: temperature and length of the cool-down that follows the row.
    """

    duration_s: Floats
    energy_j: Floats
    strokes_count: Floats
    sliding_m: Floats
    measured_s: Floats
    body_c: Floats
    ambient_c: Floats
    speed_mps: Floats
    dirt_factor: Floats
    distance_m: Floats
    moving_s: Floats
    moving_measured_s: Floats
    oil_c: Floats
    cool_from_c: Floats
    cool_s: Floats

    def __len__(self) -> int:
        return len(self.duration_s)

    @staticmethod
    def of(duration_s: ArrayLike, **columns: ArrayLike) -> Use:
        """Return rows of the columns that are known; a number stands for all rows. InputError for no such column."""
        durations = np.atleast_1d(np.asarray(duration_s, dtype=np.float64))
        given = {name: np.asarray(value, dtype=np.float64) for name, value in columns.items()}
        unknown = np.full(durations.shape, np.nan)
        names = [field.name for field in fields(Use)][1:]
        if strange := set(given) - set(names):
            raise InputError(f"use has no columns {', '.join(sorted(strange))}, but {', '.join(names)}")
        return Use(durations, *(np.broadcast_to(given.pop(name, unknown), durations.shape).copy() for name in names))

    @staticmethod
    def concat(pieces: Sequence[Use]) -> Use:
        """Return all rows of all pieces, in their order."""
        names = [field.name for field in fields(Use)]
        empty = [np.zeros(0)]
        return Use(*(np.concatenate([*empty, *(getattr(piece, name) for piece in pieces)]) for name in names))

    def take(self, rows: slice | NDArray[np.intp]) -> Use:
        """Return some of the rows."""
        return Use(*(getattr(self, field.name)[rows] for field in fields(Use)))

    def cut(self, row: int, fraction: float) -> tuple[Use, Use]:
        """Return what came before and after a place within a row; either may be of no length.

        Args:
            row: which. fraction: 0..1 of it that comes before.
        Raises:
            InputError: no such row, or a fraction outside.
        """
        if not (0 <= row < len(self) and 0.0 <= fraction <= 1.0):
            raise InputError(f"cut of row {row} at {fraction}: expected one of {len(self)} rows and 0 to 1")
        one = self.take(slice(row, row + 1))
        first = replace(one, **{name: getattr(one, name) * fraction for name in EXTENSIVE})
        if fraction < 1.0:
            first = replace(first, **{name: np.array([value]) for name, value in FOLLOWING.items()})
        second = replace(one, **{name: getattr(one, name) * (1.0 - fraction) for name in EXTENSIVE})
        if fraction == 1.0:
            # Nothing of the row is left behind the cut, and its stop goes with it.
            second = replace(second, **{name: np.array([value]) for name, value in FOLLOWING.items()})
        return (
            Use.concat([self.take(slice(0, row)), first]),
            Use.concat([second, self.take(slice(row + 1, len(self)))]),
        )


def estimate_temperatures(profile: Profile, use: Use, rules: Rules = RULES) -> Use:
    """Return the rows with the temperatures of air, body and oil filled in where they are unknown.

    Body: air + P / hA(speed), as if the row had gone on for long. Oil: body + P / (G_still + G_move rms(v)). Neither is
    estimated above the profile's limit: a minute of hard use doesn't get there, and who drives eases off (judgement).

    Source:
        Two nodes at their plateau, shared/CONVENTIONS.md; conductances of domain/exchange.py, within a factor of 3.
    """
    power_w = ratio(use.energy_j, use.measured_s, MOST_AMOUNT)
    g = compute_g_w_per_k(profile, ratio(use.sliding_m, use.measured_s, MOST_SPEED_MPS))
    ambient_c = _temperature(use.ambient_c, np.full(len(use), rules.value("air_c")))
    ha = compute_ha_w_per_k(profile, _air_speed_mps(use, rules), rules)
    oil_limit_c, body_limit_c = limits_c(profile)
    body_c = _temperature(use.body_c, np.minimum(ambient_c + power_w / ha, np.maximum(body_limit_c, ambient_c)))
    oil_c = _temperature(use.oil_c, np.minimum(body_c + power_w / g, np.maximum(oil_limit_c, body_c)))
    return replace(use, ambient_c=ambient_c, body_c=body_c, oil_c=oil_c)


def limits_c(profile: Profile) -> tuple[float, float]:
    """Return the limits of oil and body [degC]; the body's stands for the oil's where that isn't given."""
    return profile.body_limit_c if profile.oil_limit_c is None else profile.oil_limit_c, profile.body_limit_c


def compute_g_w_per_k(profile: Profile, mean_mps: Floats) -> Floats:
    """Return the conductance from oil to body [W/K] at a mean of the shaft's speed [m/s]."""
    moved = OIL_MOVE_W_PER_M2_K_PER_MPS * RMS_OVER_MEAN * mean_mps
    return np.asarray(compute_wetted_m2(profile) * (OIL_STILL_W_PER_M2_K + moved))


def compute_ha_w_per_k(profile: Profile, speed_mps: Floats, rules: Rules = RULES) -> Floats:
    """Return the conductance from body to air [W/K] at a speed of the vehicle [m/s]."""
    moved = rules.value("ha_move_w_per_m2_k") * speed_mps ** rules.value("ha_exponent")
    return np.asarray(compute_outer_m2(profile) * (rules.value("ha_rest_w_per_m2_k") + moved))


def amounts(values: Floats) -> Floats:
    """Return amounts that can be added up: 0 where they are unknown or can't be."""
    # Comparisons with NaN are false.
    return np.asarray(np.where(values > 0.0, np.minimum(values, MOST_AMOUNT), 0.0))


def ratio(values: Floats, seconds: Floats, most: float) -> Floats:
    """Return amounts by time, 0 where no time is known, at most `most`."""
    time_s = amounts(seconds)
    quotient = np.divide(amounts(values), time_s, out=np.zeros(len(values)), where=time_s > 1e-300)
    return np.asarray(np.minimum(quotient, most))


def _temperature(known_c: Floats, else_c: Floats) -> Floats:
    low, high = TEMPERATURES_C
    return np.asarray(np.clip(np.where(np.isfinite(known_c), known_c, else_c), low, high))


def _air_speed_mps(use: Use, rules: Rules) -> Floats:
    """Return the vehicle's speed: as measured, else by the distance, else the usual one."""
    by_distance = ratio(use.distance_m, use.duration_s, MOST_VEHICLE_MPS)
    usual = np.where(np.isfinite(use.distance_m), by_distance, rules.value("unknown_speed_mps"))
    return np.asarray(np.clip(np.where(np.isfinite(use.speed_mps), use.speed_mps, usual), 0.0, MOST_VEHICLE_MPS))
