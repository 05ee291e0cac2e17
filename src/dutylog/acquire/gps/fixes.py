"""Fixes, and which of them can follow each other."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from datetime import date

from dutylog.units import NS_PER_S

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius (2a + b) / 3 of WGS 84. Source: NIMA TR8350.2, third edition, chapter 3 (a, 1/f; from memory)."""
DAY_S = 86_400.0

TRACK_S = 10.0
"""How far back a fix is compared with the way its speeds give; judgement."""
TRACK_COUNT = 128
"""Fixes kept for that at most: 10 s at 10 Hz."""


@dataclass(frozen=True, slots=True)
class GateLimits:
    """Limits of belief; all judgement, reasons in shared/GPS.md.

    margin_m: what two fixes may err against each other. agree_m: RMC against GGA, which print the same fix.
    acceleration_mps2, speed_margin_mps: how fast speed may change. time_margin_s: receiver's time against ours.
    gap_s: a silence longer than this is a gap. settle_count: fixes in a row that must agree after a gap,
    contrary_count: the same where they contradict what was believed. known_hdop_s: how long a GGA's dilution holds.
    lag_s: how far a receiver's smoothed speed may lag behind its places.
    """

    hdop: float = 5.0
    speed_mps: float = 100.0
    margin_m: float = 25.0
    agree_m: float = 5.0
    acceleration_mps2: float = 15.0
    speed_margin_mps: float = 3.0
    time_margin_s: float = 1.5
    gap_s: float = 5.0
    settle_count: int = 3
    contrary_count: int = 10
    known_hdop_s: float = 10.0
    lag_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Fix:
    """Where and how fast, as a receiver said. mono_ns: arrival [ns]; hdop, satellites None: not told."""

    mono_ns: int
    tod_s: float
    latitude_deg: float
    longitude_deg: float
    speed_mps: float
    date: date | None
    hdop: float | None
    satellites: int | None

    @property
    def position_deg(self) -> tuple[float, float]:
        """Return (latitude, longitude) [deg]."""
        return self.latitude_deg, self.longitude_deg


@dataclass(slots=True)
class Track:
    """Fixes that go together: the last TRACK_S of them, each with the way [m] that speeds give up to it.

    Neighbours alone don't show a place that creeps while the speed stays low, as after a cold start; the way over
    some seconds does. A hundred fixes at 10 Hz are compared within a millisecond.
    """

    first: Fix
    count: int = 1
    _steps: deque[tuple[Fix, float]] = field(default_factory=lambda: deque(maxlen=TRACK_COUNT))

    def __post_init__(self) -> None:
        self._steps.append((self.first, 0.0))

    @property
    def newest(self) -> Fix:
        """Return the fix added last."""
        return self._steps[-1][0]

    def compare(self, fix: Fix, limits: GateLimits) -> str:
        """Return why a fix can't follow these, '' when it can."""
        reason = compare(self.newest, fix, limits)
        if reason:
            return reason
        since_ns = fix.mono_ns - TRACK_S * NS_PER_S
        total_m = self._compute_way_m(fix)
        for known, way_m in self._steps:
            lag_m = limits.lag_s * abs(fix.speed_mps - known.speed_mps)
            reach_m = total_m - way_m + lag_m + limits.margin_m
            if known.mono_ns >= since_ns and compute_distance_m(known.position_deg, fix.position_deg) > reach_m:
                return "speed_mismatch"
        return ""

    def add(self, fix: Fix) -> None:
        """Take a fix along."""
        self._steps.append((fix, self._compute_way_m(fix)))
        self.count += 1

    def _compute_way_m(self, fix: Fix) -> float:
        """Return the way [m] up to a fix: the mean of both speeds over the step, trapezoid rule."""
        newest, way_m = self._steps[-1]
        return way_m + (newest.speed_mps + fix.speed_mps) / 2.0 * compute_step_s(newest.tod_s, fix.tod_s)


def compare(earlier: Fix, later: Fix, limits: GateLimits) -> str:
    """Return why two fixes, seconds apart, can't both be right; '' when they can.

    Source: derivation in shared/GPS.md (paths no longer than the higher speed and the acceleration allow; over
    at most 2 s also no shorter, because no vehicle turns round in that time at speed).
    """
    step_s = compute_step_s(earlier.tod_s, later.tod_s)
    if step_s <= 0.0:
        return "time_back"
    if abs(step_s - (later.mono_ns - earlier.mono_ns) / NS_PER_S) > limits.time_margin_s:
        return "time_jump"
    change_mps = abs(later.speed_mps - earlier.speed_mps)
    if change_mps > limits.acceleration_mps2 * step_s + limits.speed_margin_mps:
        return "speed_step"
    if not is_reachable(earlier, later, step_s, limits):
        return "jump"
    distance_m = compute_distance_m(earlier.position_deg, later.position_deg)
    highest_mps = max(earlier.speed_mps, later.speed_mps) + limits.acceleration_mps2 * step_s / 4.0
    lowest_mps = min(earlier.speed_mps, later.speed_mps) - limits.acceleration_mps2 * step_s / 4.0
    is_too_far = distance_m > highest_mps * step_s + limits.margin_m
    is_too_near = step_s <= 2.0 and distance_m < lowest_mps * step_s - limits.margin_m
    return "speed_mismatch" if is_too_far or is_too_near else ""


def compute_step_s(earlier_tod_s: float, later_tod_s: float) -> float:
    """Return the step [s] from one time of day to the next, the shorter way round midnight: -43200 to 43200."""
    return (later_tod_s - earlier_tod_s + DAY_S / 2) % DAY_S - DAY_S / 2


def compute_distance_m(a_deg: tuple[float, float], b_deg: tuple[float, float]) -> float:
    """Return the straight distance [m] between two (latitude, longitude) [deg] on a sphere.

    The chord, good across poles and the date line; the sphere errs by up to 0.6 % against the ellipsoid.
    Source: derivation, |R (u_a - u_b)| with unit vectors u; tests/acquire/gps/test_gate.py compares haversine.
    """
    return EARTH_RADIUS_M * math.dist(_unit_vector(a_deg), _unit_vector(b_deg))


def _unit_vector(position_deg: tuple[float, float]) -> tuple[float, float, float]:
    latitude, longitude = math.radians(position_deg[0]), math.radians(position_deg[1])
    ring = math.cos(latitude)
    return ring * math.cos(longitude), ring * math.sin(longitude), math.sin(latitude)


def is_reachable(earlier: Fix, later: Fix, step_s: float, limits: GateLimits) -> bool:
    """Return whether the highest speed leads from one fix to the other."""
    return compute_distance_m(earlier.position_deg, later.position_deg) <= limits.speed_mps * step_s + limits.margin_m
