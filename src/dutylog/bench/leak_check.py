"""Whether a charge is still there after a night, and whether a fill is what the damper takes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.domain.gas import compute_oil_growth_m3, compute_room_m3
from dutylog.domain.nitrogen import ROOM_SD_RATIO, compute_atmosphere_pa, estimate_gas_c, move_charge_pa
from dutylog.domain.quantity import METRIC, US, quantity_text
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.life.gas import BARE_ROOM_STROKES, LEAST_KEPT_RATIO, Reading, compute_equivalent
from dutylog.units import ZERO_C_IN_K

HOLDS, UNSURE, LEAKS, GAINED = "holds", "unsure", "leaks", "gained"
GAUGE_SD_RATIO = 0.005
"""Of the absolute pressure: the same gauge twice, so only what it repeats to. Source: judgement, half of its class."""
WEATHER_SD_PA = 500.0
"""Of the atmosphere from one day to the next. Source: from memory, within a factor of 2."""
RANGE_SD = 1.96
"""95 of 100, normal distribution."""
LEAST_LOSS_RATIO = 0.02
"""A smaller loss of the absolute pressure isn't called a leak: putting the hose on takes as much. Source: judgement."""
MOST_DOUBT_RATIO = 0.05
"""Of the absolute pressure: with more doubt nothing is said to hold. Source: judgement, the tolerance of a charge."""
BARE_OIL_SD_PER_K = 0.004
"""Without a profile: of the gas's room, what the oil's growth takes for each kelvin. Source: judgement, six times as
much oil as gas at 0.0007 per kelvin (domain.gas)."""
EMPTY_PA = 30e3
"""A gauge that shows less shows no charge. Source: judgement; the least a maker asks for is several times that."""
OFF_TARGET_RATIO = 0.20
"""Of the stated charge: a fill further from it is a slip of the hand or of the unit. Source: judgement."""
FROM_FILL_RATIO = 0.10
"""Of the absolute pressure: what may be gone between fill and first reading: the hose is put on again. Judgement."""


@dataclass(frozen=True, slots=True)
class LeakVerdict:
    """verdict: HOLDS, UNSURE, LEAKS or GAINED. expected_pa, lost_pa: gauge after the night if nothing had left, and
    less than that (negative: more). doubt_pa: 95 of 100 either way. text: one line with both unit systems.
    """

    verdict: str
    expected_pa: float
    lost_pa: float
    doubt_pa: float
    text: str

    @property
    def is_held(self) -> bool:
        """Return whether a build may be signed on it."""
        return self.verdict == HOLDS


@dataclass(frozen=True, slots=True)
class _Moved:
    """A reading brought to the state of another one: gauge there, absolute pressure there, doubt of either [95 %]."""

    expected_pa: float
    absolute_pa: float
    doubt_pa: float


def judge_leak(
    before: Mapping[str, Any], after: Mapping[str, Any], profile: Profile | None = None, travel_m: float = 0.0
) -> LeakVerdict:
    """Return whether the charge held.

    Args:
        before, after: checked readings of `build_values.check_leak`: gauge_pa, body_c, air_c, altitude_m.
        profile: of the damper, None where nobody gave one. travel_m: at which both were read.
    Source:
        The amount of gas stays; its room is what shaft and oil leave of its volume, and the oil shrinks as it cools
        (domain.gas). A loss or a gain counts where it is more than its doubt and LEAST_LOSS_RATIO.
    """
    moved = _move(before, after, profile, travel_m)
    lost_pa, least_pa = moved.expected_pa - after["gauge_pa"], LEAST_LOSS_RATIO * moved.absolute_pa
    if abs(lost_pa) > max(moved.doubt_pa, least_pa):
        verdict = LEAKS if lost_pa > 0.0 else GAINED
    else:
        is_sure = moved.doubt_pa <= MOST_DOUBT_RATIO * moved.absolute_pa
        verdict = HOLDS if is_sure and abs(lost_pa) <= least_pa else UNSURE
    text = _say(verdict, moved.expected_pa, after["gauge_pa"], moved.doubt_pa)
    return LeakVerdict(verdict, moved.expected_pa, lost_pa, moved.doubt_pa, text)


def check_charge(
    fill: Mapping[str, Any] | None, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None,
    profile: Profile | None,
) -> list[str]:  # fmt: skip
    """Return what speaks against a charge: empty, far off what the profile states, or not what was filled in.

    Args:
        fill: checked reading of `build_values.check_gas`, None where nobody put one down. before, after: of the leak
        check. profile: of the damper; without its `charge_pa` nothing is held against a target.
    """
    readings = (
        ("the gas fill", fill),
        ("the reading before the night", before),
        ("the reading after the night", after),
    )
    empty = [name for name, one in readings if one is not None and one["gauge_pa"] < EMPTY_PA]
    if empty:
        return [f"{name} shows less than {_both(EMPTY_PA)}: that is no charge" for name in empty]
    found = [] if fill is None or profile is None else _off_target(fill, profile)
    if fill is not None and before is not None:
        moved = _move(fill, before, profile, fill["travel_mm"] * 1e-3)
        if abs(moved.expected_pa - before["gauge_pa"]) > max(moved.doubt_pa, FROM_FILL_RATIO * moved.absolute_pa):
            found.append(
                f"the reading before the night shows {_both(before['gauge_pa'])}, the fill comes to "
                f"{_both(moved.expected_pa)} there: one of them is wrong, or gas has left already"
            )
    return found


def _off_target(fill: Mapping[str, Any], profile: Profile) -> list[str]:
    target_pa = profile.charge_pa
    if target_pa is None:
        return []
    reading = Reading(fill["gauge_pa"], fill["body_c"], fill["air_c"], fill["travel_mm"] * 1e-3, fill["altitude_m"])
    try:
        cold = compute_equivalent(profile, reading)
    except InputError as err:
        return [f"the gas fill: {err}"]
    if abs(cold.gauge_pa - target_pa) <= OFF_TARGET_RATIO * target_pa + RANGE_SD * cold.sd_pa:
        return []
    return [
        f"the gas fill comes to {_both(cold.gauge_pa)} cold and fully extended, profile {profile.name} states "
        f"{_both(target_pa)}: fill it again, or import a card whose profile states another charge"
    ]


def _move(then: Mapping[str, Any], now: Mapping[str, Any], profile: Profile | None, travel_m: float) -> _Moved:
    """Return what a reading comes to as warm and as high as another one, at one travel."""
    (then_c, then_sd_k), (now_c, now_sd_k) = (estimate_gas_c(one["body_c"], one["air_c"]) for one in (then, now))
    outside_then_pa, outside_now_pa = (compute_atmosphere_pa(one["altitude_m"]) for one in (then, now))
    room_ratio, room_sd_ratio = _room_change(then["body_c"], now["body_c"], profile, travel_m)
    absolute_pa = move_charge_pa(then["gauge_pa"] + outside_then_pa, then_c, now_c, room_ratio)
    warmth = math.hypot(then_sd_k / (then_c + ZERO_C_IN_K), now_sd_k / (now_c + ZERO_C_IN_K))
    own = math.hypot(warmth, GAUGE_SD_RATIO * math.sqrt(2), room_sd_ratio)
    doubt_pa = RANGE_SD * math.hypot(absolute_pa * own, WEATHER_SD_PA)
    return _Moved(absolute_pa - outside_now_pa, absolute_pa, doubt_pa)


def _room_change(then_c: float, now_c: float, profile: Profile | None, travel_m: float) -> tuple[float, float]:
    """Return room of the gas then over room now, and its standard deviation; the oil stood, so is as warm as the body.

    Without a gas volume the room is taken as the same and the oil's growth goes into the doubt, as life.gas does.
    """
    if profile is None:
        return 1.0, BARE_OIL_SD_PER_K * abs(now_c - then_c)
    then_m3, now_m3 = (compute_room_m3(profile, travel_m, oil_c) for oil_c in (then_c, now_c))
    grown_m3 = compute_oil_growth_m3(profile, now_c) - compute_oil_growth_m3(profile, then_c)
    volume_m3 = profile.gas_volume_m3
    if volume_m3 is None or then_m3 is None or now_m3 is None or min(then_m3, now_m3) < LEAST_KEPT_RATIO * volume_m3:
        return 1.0, abs(grown_m3) / (BARE_ROOM_STROKES * profile.shaft_area_m2 * profile.stroke_m)
    return then_m3 / now_m3, ROOM_SD_RATIO * abs(grown_m3) / now_m3


def _say(verdict: str, expected_pa: float, shown_pa: float, doubt_pa: float) -> str:
    words = {
        HOLDS: "it held",
        UNSURE: "not to be told: let it stand until body and air are as warm as at the first reading, and read again",
        LEAKS: "gas has left: find where, before it goes on a vehicle",
        GAINED: "more than was in it: a reading or a temperature is wrong; read both again",
    }
    expected, shown, doubt = (_both(value) for value in (expected_pa, shown_pa, doubt_pa))
    return f"expected {expected} at that temperature, shown {shown}, doubt {doubt}: {words[verdict]}"


def _both(pressure_pa: float) -> str:
    metric, us = (quantity_text("pressure_fine_pa", pressure_pa, system) for system in (METRIC, US))
    return f"{metric} ({us})"
