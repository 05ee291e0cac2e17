"""After a stop: how hot the body still gets, when it can be handled, and what a stop buys at the former duty.

For co-driver and crew. A hot body burns; it gets hotter after the stop, because the oil inside is hotter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.heat.forecast import (
    BODY,
    OIL,
    RANGE_Z,
    Course,
    Doubt,
    Forecast,
    Kind,
    Nodes,
    Slopes,
    course_curve,
    find_slopes,
    forecast,
    nodes_of,
    push,
    pushed_curves,
)
from dutylog.heat.heat_room import most_urgent, say_minutes, say_range
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState

HANDLE_C = 48.0
"""Below this, after the peak, a body may be handled. Source: burn threshold of bare metal for ten minutes' contact,
48 degC, ISO 13732-1 (from memory)."""
LEVELS_C = (50.0, HANDLE_C)
"""Levels whose times are told [degC]; 50: about a minute's contact, ISO 13732-1 gives 51 (from memory)."""
ROUNDS = 3
"""How often the range of a cooling time is looked for, as in forecast.py."""


@dataclass(frozen=True, slots=True)
class Cooling:
    """When the body is below a level for good; 0 where it stays below, None where it may never be. Ends hold 80 %."""

    level_c: float
    seconds: float | None
    low_s: float | None
    high_s: float | None


@dataclass(frozen=True, slots=True)
class Stop:
    """What follows if the vehicle stops now: the body's peak with its range, when it comes, and its cooling."""

    peak_c: float
    peak_low_c: float
    peak_high_c: float
    peak_s: float
    cooling: tuple[Cooling, ...]


def forecast_stop(profile: Profile, state: HeatState, levels_c: tuple[float, ...] = LEVELS_C) -> Stop | None:
    """Return what follows a stop now; None where nothing is known of the conductances at rest.

    levels_c: whose times are told.

    Raises:
        InputError: heat capacities that aren't above 0.
    Source:
        heat.model without power; shared/FORECAST.md; tests/heat/test_stop.py holds it against simulations.
    """
    rest = _at_rest(state)
    if rest is None:
        return None
    nodes, (course, doubt) = nodes_of(profile), rest
    curve = course_curve(nodes, course, BODY)
    peak_s = curve.top_s()
    if math.isinf(peak_s):
        # Colder than the air: it warms up to it, without a peak; what counts is where it ends.
        low, high = (pushed.end_c for pushed in pushed_curves(nodes, course, doubt, BODY, math.inf))
    else:
        low, high = (pushed.at(pushed.top_s()) for pushed in pushed_curves(nodes, course, doubt, BODY, peak_s))
    cooling = tuple(_find_cooling(nodes, course, doubt, level_c) for level_c in levels_c)
    return Stop(curve.at(peak_s), low, high, peak_s, cooling)


def forecast_after_stop(profile: Profile, state: HeatState, duty: Duty, stop_s: float) -> Forecast | None:
    """Return the forecast at the former duty after a stop [s]; None where the conductances at rest are unknown.

    Raises:
        InputError: a stop shorter than nothing, heat capacities that aren't above 0.
    """
    if not 0.0 <= stop_s < math.inf:
        raise InputError(f"a stop of {stop_s} s, expected 0 or more")
    rest = _at_rest(state)
    if rest is None:
        return None
    nodes, (course, doubt) = nodes_of(profile), rest
    oil, body = (find_slopes(nodes, course, doubt, node, stop_s) for node in (OIL, BODY))
    across = _covariance_k2(oil, body, doubt)
    rested = replace(
        state,
        oil_c=course_curve(nodes, course, OIL).at(stop_s),
        body_c=course_curve(nodes, course, BODY).at(stop_s),
        covariance_k2=((_covariance_k2(oil, oil, doubt), across), (across, _covariance_k2(body, body, doubt))),
    )
    # The fade of the former duty was measured at the temperature it had then.
    former = duty if duty.body_c is not None else replace(duty, body_c=state.body_c)
    return forecast(profile, rested, former)


def _at_rest(state: HeatState) -> tuple[Course, Doubt] | None:
    """Return the course without power, pace or motion, and its doubt; None where the laws are unknown."""
    laws = state.laws
    if laws is None:
        return None
    ha, g = laws.ha_w_per_k(0.0), laws.g_w_per_k(0.0)
    course = Course(state.oil_c, state.body_c, math.log(ha), math.log(g), state.external_w, state.air_c, 0.0)
    sd = (laws.ha_rest_log_sd, laws.g_still_log_sd, state.external_sd_w, state.air_sd_k)
    return course, Doubt(state.covariance_k2, *sd, power_sd_w=0.0, density_w2_s=0.0)


def _find_cooling(nodes: Nodes, course: Course, doubt: Doubt, level_c: float) -> Cooling:
    """Return when the body is below a level for good, with the range."""
    seconds = course_curve(nodes, course, BODY).last_above_s(level_c)
    return Cooling(
        level_c,
        seconds,
        _cooling_s(nodes, course, doubt, level_c, -RANGE_Z, seconds),
        None if seconds is None else _cooling_s(nodes, course, doubt, level_c, RANGE_Z, seconds),
    )


def _cooling_s(
    nodes: Nodes, course: Course, doubt: Doubt, level_c: float, z: float, guess_s: float | None
) -> float | None:
    """Return when the body is below a level for good if it is z standard deviations hotter then; None: never."""
    at, seconds = course, guess_s
    for _ in range(ROUNDS):
        when_s = seconds if seconds is not None else math.inf
        if when_s == 0.0:
            # Below all along, as estimated: what matters is the peak.
            when_s = course_curve(nodes, at, BODY).top_s()
        at = push(nodes, course, at, doubt, BODY, z, when_s)
        seconds = course_curve(nodes, at, BODY).last_above_s(level_c)
    return seconds


def _covariance_k2(one: Slopes, other: Slopes, doubt: Doubt) -> float:
    """Return the covariance of two nodes' temperatures from all that is uncertain."""
    (oil_oil, oil_body), (_, body_body) = doubt.covariance_k2
    return (
        one.oil * (oil_oil * other.oil + oil_body * other.body)
        + one.body * (oil_body * other.oil + body_body * other.body)
        + one.ha_log * other.ha_log * doubt.ha_log_sd**2
        + one.g_log * other.g_log * doubt.g_log_sd**2
        + one.external * other.external * doubt.external_sd_w**2
        + one.air * other.air * doubt.air_sd_k**2
    )


def say_peak(stop: Stop) -> str:
    """Return one line for the crew on how hot the body still gets; the range is rounded outwards."""
    ends = f"({math.floor(stop.peak_low_c)} to {math.ceil(stop.peak_high_c)})"
    if stop.peak_s < 30.0 or math.isinf(stop.peak_s):
        return f"body at its hottest now, {round(stop.peak_c)} °C {ends}"
    return f"body rises to {round(stop.peak_c)} °C {ends} {say_minutes(stop.peak_s)} after the stop"


def say_handling(stop: Stop) -> str:
    """Return one line for the crew on when the body may be handled: the late end of the range counts."""
    cooling = next(cooling for cooling in stop.cooling if cooling.level_c == HANDLE_C)
    if cooling.high_s == 0.0:
        return f"body below {HANDLE_C:.0f} °C: may be handled"
    if cooling.high_s is None:
        return f"hot: no time can be given for {HANDLE_C:.0f} °C; measure before touching, never water"
    return f"hot: don't touch for {math.ceil(cooling.high_s / 60.0)} min (until below {HANDLE_C:.0f} °C), never water"


def say_bought(stop_s: float, after: Forecast) -> str:
    """Return one line on what a stop buys at the former pace."""
    start = f"a stop of {round(stop_s / 60.0)} min"
    name, said = most_urgent(after)
    if said.kind is Kind.REACHES and said.seconds is not None and said.low_s is not None:
        times = f"{say_minutes(said.seconds)} {say_range(said.low_s, said.high_s)}"
        return f"{start} gives {times} at the former pace, {name} first"
    if said.kind is Kind.HOLDS:
        return f"{start}: then it holds at the former pace"
    if said.kind is Kind.OVER:
        return f"{start} isn't enough: {name} still over its limit"
    return f"{start}: no time can be given at the former pace"
