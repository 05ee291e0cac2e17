"""A bench's force curve over its profile's: how much force is lost in which direction, and what that points to.

Compared within the measured speeds only, never beyond them. What a pattern points to is common practice without a
published source: it says where to look, not what is broken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dutylog.bench.curve_csv import BenchCurve
from dutylog.bench.figures import Figure, Sentence, percent
from dutylog.domain.vehicle import Profile
from dutylog.duty.force import ForceTable
from dutylog.errors import InputError

SPEEDS_MPS = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0)
"""Where both are compared, as far as it was measured. Source: judgement, closer where dampers work most."""
SAME_RATIO = 0.10
"""Within this a bench, its warmth and the click of an adjuster explain it. Source: judgement."""
SLOW_MPS = 0.1
"""Below it oil goes through bleeds and past the piston rather than by the shims. Source: common practice."""
PATTERN_RATIO = 0.15
LOST_LIMITS = (-300.0, 100.0)
"""Per cent, as the point `damping_curve` takes it."""


@dataclass(frozen=True, slots=True)
class Difference:
    """At one speed: measured and expected force [N], and the change of its size (-0.2: a fifth less)."""

    speed_mps: float
    measured_n: float
    expected_n: float
    change_ratio: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """A bench's curve against its profile.

    points: by rising speed. compression_ratio, rebound_ratio: change of the force summed over the speeds, None where
    that direction wasn't measured. says: what it points to, a sentence each. notes: what may explain a difference.
    """

    points: tuple[Difference, ...]
    compression_ratio: float | None
    rebound_ratio: float | None
    says: tuple[Sentence, ...]
    notes: tuple[str, ...]

    @property
    def measures(self) -> dict[str, float]:
        """Return the measures of the point `damping_curve`, in per cent lost."""
        told = {"compression_lost_percent": self.compression_ratio, "rebound_lost_percent": self.rebound_ratio}
        low, high = LOST_LIMITS
        return {key: min(high, max(low, round(-100.0 * one, 1))) for key, one in told.items() if one is not None}


def take_gas_out(curve: BenchCurve, gauge_pa: float, shaft_area_m2: float) -> BenchCurve:
    """Return a curve without the force of the gas, for a bench that shows it: it pushes the shaft out at every speed.

    Args:
        gauge_pa: when it was measured. shaft_area_m2: of the shaft.
    Source:
        Gauge pressure on the shaft's cross section; as constant over the stroke, which a long one isn't (DESIGN.md 6).
    """
    gas_n = gauge_pa * shaft_area_m2
    note = f"the gas force of {gas_n:.0f} N was taken out"
    return replace(curve, forces_n=tuple(one - gas_n for one in curve.forces_n), notes=(*curve.notes, note))


def compare(
    curve: BenchCurve, profile: Profile, body_c: float | None = None, travel_m: float | None = None
) -> Comparison:
    """Return how a measured curve differs from its profile.

    Args:
        curve: without gas force, as the profile is. body_c: of the damper while it was measured, None: not told.
        travel_m: about which it was stroked, for profiles with force by travel; None: mid stroke.
    Raises:
        InputError: the curve reaches none of the speeds that are compared.
    """
    speeds = _speeds_within(curve)
    if not len(speeds):
        raise InputError(
            f"curve: measured from {curve.speeds_mps[0]:g} to {curve.speeds_mps[-1]:g} m/s, too slow to compare; "
            f"measure up to {SPEEDS_MPS[0]:g} m/s at least"
        )
    where_m = profile.stroke_m / 2.0 if travel_m is None else travel_m
    table = ForceTable(profile)
    expected = table.compute_force_n(speeds, np.full(len(speeds), where_m))
    if body_c is not None:
        expected = expected * table.compute_fade_ratio(np.full(len(speeds), body_c))
    measured = np.interp(speeds, curve.speeds_mps, curve.forces_n)
    points = tuple(
        Difference(float(v), float(m), float(e), _change(m, e, v))
        for v, m, e in zip(speeds, measured, expected, strict=True)
    )
    compression, rebound = (_sum_change([one for one in points if one.speed_mps * sign > 0], sign) for sign in (1, -1))
    notes = _notes(curve, profile, body_c, where_m)
    return Comparison(points, compression, rebound, _say(points, compression, rebound), notes)


def _speeds_within(curve: BenchCurve) -> NDArray[np.float64]:
    """Return the speeds of both directions that were measured, and the ends of what was measured."""
    low, high = curve.speeds_mps[0], curve.speeds_mps[-1]
    both = {sign * one for one in SPEEDS_MPS for sign in (-1.0, 1.0)} | {low, high}
    return np.array(sorted(one for one in both if low <= one <= high and abs(one) >= SPEEDS_MPS[0]))


def _change(measured_n: float, expected_n: float, speed_mps: float) -> float:
    # Against the motion a force is damping; one that pushes the other way damps less than nothing.
    sign = 1.0 if speed_mps > 0 else -1.0
    return float(sign * measured_n / (sign * expected_n) - 1.0) if sign * expected_n > 0.0 else 0.0


def _sum_change(points: Sequence[Difference], sign: int) -> float | None:
    expected = sum(sign * one.expected_n for one in points)
    return sum(sign * one.measured_n for one in points) / expected - 1.0 if expected > 0.0 else None


def _say(points: Sequence[Difference], compression: float | None, rebound: float | None) -> tuple[Sentence, ...]:
    said: list[Sentence] = []
    for name, ratio, sign in (("compression", compression, 1), ("rebound", rebound, -1)):
        if ratio is None:
            said.append((f"{name}: not measured, so nothing is said of it",))
            continue
        of_side = [one for one in points if one.speed_mps * sign > 0]
        reach: Sentence = (
            ", ", Figure("shaft_mps", min(abs(one.speed_mps) for one in of_side)), " to ",
            Figure("shaft_mps", max(abs(one.speed_mps) for one in of_side)),
        )  # fmt: skip
        if abs(ratio) <= SAME_RATIO:
            said.append((f"{name}: as the profile within ", percent(SAME_RATIO), *reach))
        else:
            word = "less" if ratio < 0.0 else "more"
            said.append((f"{name}: ", percent(abs(ratio)), f" {word} force than the profile", *reach))
        said += _say_where(name, of_side, sign)
    return (*said, *_say_both(compression, rebound))


def _say_where(name: str, points: Sequence[Difference], sign: int) -> list[Sentence]:
    """Return where in speed a loss sits, nothing where it is alike."""
    slow = _sum_change([one for one in points if abs(one.speed_mps) < SLOW_MPS], sign)
    fast = _sum_change([one for one in points if abs(one.speed_mps) >= SLOW_MPS], sign)
    if slow is None or fast is None or abs(slow - fast) < PATTERN_RATIO:
        return []
    if slow < fast and slow < -SAME_RATIO:
        return [
            (f"{name}: most of the loss is at slow speed: oil goes past the piston; look at its band, bleed and check "
             "valve, and at the adjuster's clicks",)
        ]  # fmt: skip
    if fast < slow and fast < -SAME_RATIO:
        why = "gas too low for it, foam, or bent shims" if sign > 0 else "bent or missing shims, foam"
        return [(f"{name}: most of the loss is at speed: {why}",)]
    return []


def _say_both(compression: float | None, rebound: float | None) -> list[Sentence]:
    if compression is None or rebound is None:
        return []
    lost = [one < -SAME_RATIO for one in (compression, rebound)]
    if all(lost) and abs(compression - rebound) < PATTERN_RATIO:
        return [("both directions lost alike: thin, hot or too little oil comes before the valving",)]
    if any(lost) and not all(lost):
        side = "compression" if lost[0] else "rebound"
        return [(f"only {side} lost: look at that side's shims, check valve and adjuster first",)]
    if compression > SAME_RATIO and rebound > SAME_RATIO:
        return [("more force both ways: another setting, cold or thicker oil, or it isn't valved as its profile",)]
    return []


def _notes(curve: BenchCurve, profile: Profile, body_c: float | None, travel_m: float) -> tuple[str, ...]:
    notes = list(curve.notes)
    if body_c is None:
        notes.append("the body's temperature wasn't told, so no fade was taken off the profile")
    elif profile.fade_per_k == 0.0:
        notes.append("the profile states no fade by temperature, so warmth may explain a part")
    if len(profile.force) > 1:
        notes.append(f"the profile's force depends on travel; compared at {travel_m * 1e3:.0f} mm")
    notes.append("the adjusters must stand as in the profile; a click changes a curve more than wear does")
    return tuple(notes)
