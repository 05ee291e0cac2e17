"""Heat room: heat a damper can still shed at its limit minus heat going in; the pace that holds at the limit; words.

What is said here, one line each, is for co-driver or crew, never for the driver.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.heat.forecast import RANGE_Z, Course, Forecast, Kind, NodeForecast, course_of
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState, Laws
from dutylog.units import KMPH_PER_MPS, MPS_PER_MPH

EXPONENT, EXPONENT_SD = 1.5, 0.5
"""Power goes with pace^k where nothing was learned. Source: 1 for linear damping on a road whose spectrum falls with
the square of the spatial frequency (mean square of the suspension's speed goes with pace; derivation in
shared/FORECAST.md), 2 to 3 for single obstacles; between them judgement."""
EXPONENT_LEAST, EXPONENT_MOST = 0.3, 3.5
"""Beyond, the surface changed with the pace: not believed (judgement)."""
PAIRS = 6
"""Fewest pairs of pace and power that say something about the exponent (judgement)."""
PACE_LOG_SD = 0.08
"""The pace must vary at least by this sd of its logarithm (judgement)."""
LEAST_MPS = 2.0
"""Below this pace nothing is said: crawling follows other rules (judgement)."""
SLOWEST_RATIO, FASTEST_RATIO = 0.4, 1.5
"""Paces told, as parts of the present one; beyond, the surface isn't known (judgement)."""
WIDEST_RATIO = 1.6
"""A range wider than this says nothing of use (judgement)."""
LONGEST_MIN = 120
"""Times beyond are only said to be longer (judgement: nobody drives one surface for two hours)."""
STEPS, ENOUGH = 60, 1e-10
"""Steps at most, and the relative error of the heat that is none. Source: the Illinois form of false position
(Dowell and Jarratt 1971, from memory); seven to ten steps do."""


@dataclass(frozen=True, slots=True)
class HeatRoom:
    """Heat room and its 80 % range [W].

    limit: "body" or "oil", whichever leaves less. shed_w: heat made that would end exactly at that limit, at this
    pace. room_ratio: room over shed_w, at most 1; None where nothing can be shed at the limit.
    """

    limit: str
    shed_w: float
    room_w: float
    low_w: float
    high_w: float
    room_ratio: float | None


@dataclass(frozen=True, slots=True)
class Exponent:
    """k in power = constant * pace^k, its sd, and whether pairs of the last minutes took part."""

    value: float
    sd: float
    is_measured: bool


@dataclass(frozen=True, slots=True)
class Pace:
    """The pace that ends exactly at the limit on this surface, its 80 % range [m/s], and the exponent used."""

    speed_mps: float
    low_mps: float
    high_mps: float
    exponent: Exponent


def compute_heat_room(profile: Profile, state: HeatState, duty: Duty) -> HeatRoom:
    """Return the heat room of a damper at the duty of the last minutes.

    Source:
        Heat balance at rest: body at its limit sheds hA (limit - air) - external; oil at its limit passes what
        flows through 1/G + 1/hA. Range: first order, all sources independent.
    """
    course = course_of(profile, state, duty)
    limit, shed_w = _shed(profile, course, math.exp(course.ha_log), math.exp(course.g_log))
    variance = _shed_variance(profile, course, state, limit) + duty.density_w2_s / duty.measured_s
    room_w, spread_w = shed_w - course.power_w, RANGE_Z * math.sqrt(variance)
    ratio = room_w / shed_w if shed_w > 0.0 else None
    return HeatRoom(limit, shed_w, room_w, room_w - spread_w, room_w + spread_w, ratio)


def find_pace(profile: Profile, state: HeatState, duty: Duty) -> Pace | None:
    """Return the pace that holds at the limit on this surface.

    None where the speed or how hA follows it is unknown, at a crawl, without heat, where no pace in the range told
    does it, or where the range would be too wide to be of use.
    """
    now_mps = duty.speed_mps
    if now_mps is None or state.laws is None or now_mps < LEAST_MPS or duty.power_w <= 0.0:
        return None
    exponent = find_exponent(duty.pairs)
    road = _Road(profile, state, state.laws, now_mps, duty)
    centre = road.solve(exponent.value)
    if centre is None:
        return None
    # Slope of excess over pace, for what moves the excess moves the pace by that much less.
    near = 0.01
    slope = road.excess(exponent.value, math.exp(near) * centre)
    slope = (slope - road.excess(exponent.value, math.exp(-near) * centre)) / (2.0 * near)
    course = road.course(centre)
    limit, shed_w = _shed(profile, course, math.exp(course.ha_log), math.exp(course.g_log))
    variance = _shed_variance(profile, course, state, limit) / shed_w**2
    variance += duty.density_w2_s / duty.measured_s / duty.power_w**2
    variance += (exponent.sd * math.log(centre / now_mps)) ** 2
    wide = RANGE_Z * math.sqrt(variance) / slope if slope > 0.0 else math.inf
    if 2.0 * wide > math.log(WIDEST_RATIO):
        return None
    return Pace(centre, centre * math.exp(-wide), centre * math.exp(wide), exponent)


def find_exponent(pairs: Sequence[tuple[float, float]]) -> Exponent:
    """Return k from pairs of pace [m/s] and power [W]: a straight line in logarithms, drawn to what is usual.

    Source: least squares, then the mean of two normal estimates weighted by their precision.
    """
    usual = Exponent(EXPONENT, EXPONENT_SD, False)
    logs = [(math.log(speed), math.log(power)) for speed, power in pairs if speed >= LEAST_MPS and power > 0.0]
    if len(logs) < PAIRS:
        return usual
    x_mean, y_mean = (sum(values) / len(logs) for values in zip(*logs, strict=True))
    xx = sum((x - x_mean) ** 2 for x, _ in logs)
    if xx < len(logs) * PACE_LOG_SD**2:
        return usual
    found = sum((x - x_mean) * (y - y_mean) for x, y in logs) / xx
    left = sum((y - y_mean - found * (x - x_mean)) ** 2 for x, y in logs) / (len(logs) - 2)
    if not EXPONENT_LEAST <= found <= EXPONENT_MOST:
        return usual
    # Neighbouring blocks are alike (recent.py): their scatter counts double. No line is better than 0.1.
    precision = 1.0 / (2.0 * left / xx + 0.01)
    usual_precision = 1.0 / EXPONENT_SD**2
    value = (found * precision + EXPONENT * usual_precision) / (precision + usual_precision)
    return Exponent(value, 1.0 / math.sqrt(precision + usual_precision), True)


def _shed(profile: Profile, course: Course, ha: float, g: float) -> tuple[str, float]:
    """Return which limit leaves less, and the heat made [W] that would end exactly there; ha, g: [W/K]."""
    body_w = ha * (profile.body_limit_c - course.air_c) - course.external_w
    if profile.oil_limit_c is None:
        return "body", body_w
    oil_w = (profile.oil_limit_c - course.air_c - course.external_w / ha) / (1.0 / ha + 1.0 / g)
    return ("body", body_w) if body_w <= oil_w else ("oil", oil_w)


def _shed_variance(profile: Profile, course: Course, state: HeatState, limit: str) -> float:
    """Return the variance of the heat that ends at a limit [W2], first order."""
    ha, g = math.exp(course.ha_log), math.exp(course.g_log)
    if limit == "body" or profile.oil_limit_c is None:
        by_ha, by_g, by_external, by_air = ha * (profile.body_limit_c - course.air_c), 0.0, -1.0, -ha
    else:
        through = 1.0 / (1.0 / ha + 1.0 / g)
        shed_w = (profile.oil_limit_c - course.air_c - course.external_w / ha) * through
        by_ha, by_g = through / ha * (course.external_w + shed_w), through / g * shed_w
        by_external, by_air = -through / ha, -through
    variance = (by_ha * state.ha_log_sd) ** 2 + (by_g * state.g_log_sd) ** 2
    return variance + (by_external * state.external_sd_w) ** 2 + (by_air * state.air_sd_k) ** 2


class _Road:
    """The surface of the last minutes at other paces: heat by an exponent, hA by its law, the rest as it is."""

    def __init__(self, profile: Profile, state: HeatState, laws: Laws, now_mps: float, duty: Duty) -> None:
        self._profile, self._laws, self.now_mps = profile, laws, now_mps
        self._now = course_of(profile, state, duty)

    def course(self, speed_mps: float) -> Course:
        """Return the course at the duty's heat but with the air of another pace."""
        return self._now._replace(ha_log=math.log(self._laws.ha_w_per_k(speed_mps)))

    def excess(self, exponent: float, speed_mps: float) -> float:
        """Return the logarithm of heat made at a pace, with the body as hot as it would end, over what can be shed."""
        profile, now, ha, g = self._profile, self._now, self._laws.ha_w_per_k(speed_mps), math.exp(self._now.g_log)
        limit, shed_w = _shed(profile, now, ha, g)
        if shed_w <= 0.0:
            return math.inf
        end_c = profile.body_limit_c
        if limit == "oil" and profile.oil_limit_c is not None:
            end_c = profile.oil_limit_c - shed_w / g
        made_w = now.power_w - now.fade_w_per_k * (end_c - now.anchor_c)
        if made_w <= 0.0:
            return -math.inf
        return math.log(made_w / shed_w) + exponent * math.log(speed_mps / self.now_mps)

    def solve(self, exponent: float) -> float | None:
        """Return the pace at which heat made equals what can be shed [m/s]; None where it isn't in the range told."""
        ends = SLOWEST_RATIO * self.now_mps, FASTEST_RATIO * self.now_mps
        low, high = ((speed, self.excess(exponent, speed)) for speed in ends)
        if not low[1] < 0.0 < high[1]:
            return None
        for _ in range(STEPS):
            if math.isinf(low[1]) or math.isinf(high[1]):
                speed = 0.5 * (low[0] + high[0])
            else:
                speed = (low[0] * high[1] - high[0] * low[1]) / (high[1] - low[1])
            excess = self.excess(exponent, speed)
            if abs(excess) < ENOUGH:
                break
            # The end that stays weighs half the next time, so that it doesn't stay for ever.
            if excess < 0.0:
                low, high = (speed, excess), (high[0], 0.5 * high[1])
            else:
                low, high = (low[0], 0.5 * low[1]), (speed, excess)
        return speed


def most_urgent(forecast: Forecast) -> tuple[str, NodeForecast]:
    """Return the node to speak of ("body" or "oil") and what is said of it: over, sooner, nearer, then body."""
    order = (Kind.OVER, Kind.REACHES, Kind.NEAR_LIMIT, Kind.HOLDS, Kind.NO_LIMIT)
    if forecast.oil is None:
        return "body", forecast.body
    both = (("body", forecast.body), ("oil", forecast.oil))
    return min(both, key=lambda pair: (order.index(pair[1].kind), pair[1].seconds or 0.0))


def say_minutes(seconds: float) -> str:
    """Return a time in words: whole minutes, fives from half an hour on, nothing finer than over two hours."""
    minutes = seconds / 60.0
    if minutes < 0.5:
        return "less than a minute"
    if minutes > LONGEST_MIN:
        return f"more than {LONGEST_MIN} min"
    return f"about {round(minutes) if minutes < 30.0 else 5 * round(minutes / 5.0)} min"


def say_range(low_s: float, high_s: float | None) -> str:
    """Return a range of times in whole minutes, rounded outwards so that it never holds less than it did."""
    low = min(math.floor(low_s / 60.0), LONGEST_MIN)
    if high_s is None or high_s / 60.0 > LONGEST_MIN:
        return f"({low} or more)"
    return f"({low} to {math.ceil(high_s / 60.0)})"


def say_forecast(said: NodeForecast, pace: str = "this pace") -> str:
    """Return one line for co-driver or crew, never for the driver."""
    match said.kind:
        case Kind.OVER:
            return "over its limit: ease off, stop where it is safe"
        case Kind.REACHES if said.seconds is not None and said.low_s is not None:
            return f"{say_minutes(said.seconds)} to the limit at {pace} {say_range(said.low_s, said.high_s)}"
        case Kind.NEAR_LIMIT:
            low_s = said.low_s or 0.0
            hardly = f", hardly before {math.floor(low_s / 60.0)} min" if low_s >= 60.0 else ""
            return f"near its limit: no time can be given{hardly}"
        case Kind.HOLDS:
            return f"holds at {pace}"
    return f"no limit set; settles at about {round(said.plateau_c)} °C"


def say_heat_room(room: HeatRoom) -> str:
    """Return one line: heat room in tens of watts and per cent; the range is rounded outwards."""
    ends = f"({10 * math.floor(room.low_w / 10.0)} to {10 * math.ceil(room.high_w / 10.0)})"
    part = "" if room.room_ratio is None else f", {round(100.0 * room.room_ratio)} %"
    watts = 10 * round(room.room_w / 10.0)
    if watts < 0:
        return f"{-watts} W more than {room.limit} can shed at its limit (room {ends[1:]}{part}"
    return f"heat room {watts} W {ends}{part}, {room.limit} first"


def say_pace(pace: Pace | None, unit: str = "km/h") -> str:
    """Return one line: the pace that holds on this surface, in "km/h", "mph" or "m/s"; the range rounded outwards.

    Raises:
        InputError: another unit.
    """
    if pace is None:
        return "no pace can be given for this surface"
    factors = {"km/h": KMPH_PER_MPS, "mph": 1.0 / MPS_PER_MPH, "m/s": 1.0}
    if unit not in factors:
        raise InputError(f"speed in {unit!r}, expected one of {', '.join(factors)}")
    speed, low, high = (factors[unit] * value for value in (pace.speed_mps, pace.low_mps, pace.high_mps))
    return f"at this surface, holds at {round(speed)} {unit} ({math.floor(low)} to {math.ceil(high)})"
