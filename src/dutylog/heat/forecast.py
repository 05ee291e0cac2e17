"""At the duty of the last minutes: where oil and body end, or how long until they reach their limit, with ranges.

The way of both nodes is exact while nothing changes (the formulas of heat/model.py, here for one damper and plain
numbers, fade included). A range is found without random numbers: all that is uncertain is moved together, by
1.28 standard deviations in the direction that matters most, and the way is followed once more from there.
Source: first-order reliability method (Hasofer and Lind 1974, from memory); shared/FORECAST.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.heat.model import Capacities
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState

RANGE_Z = 1.2815515655446004
"""Standard deviations on either side that hold 80 % of a normal distribution (its quantile at 0.9)."""
ROUNDS = 2
"""How often the direction that matters most is looked for at a given time (a third moves ends by less than 0.5 K)."""
EARLY_ROUNDS, LATE_ROUNDS = 2, 3
"""The same where the time is looked for too, see `_passage_s`."""
STEP = 1e-3
"""Step of derivatives by a conductance, as a part of it."""
OIL, BODY = 0, 1
"""Nodes, as places in a pair."""


Nodes = tuple[float, float]
"""Heat capacities of oil and body [J/K]."""


class Kind(StrEnum):
    """What can be said of one node and its limit."""

    HOLDS = "holds"
    REACHES = "reaches"
    NEAR_LIMIT = "near_limit"
    OVER = "over"
    NO_LIMIT = "no_limit"


class Curve(NamedTuple):
    """One node's temperature: end + slow_k exp(-slow t) + fast_k exp(-fast t); rates 0 < slow < fast [1/s].

    A tuple, as `Course`, `Doubt`, `Rates` and `Slopes`: hundreds are made at a forecast, at a third of the cost of a
    frozen dataclass.
    """

    end_c: float
    slow_k: float
    fast_k: float
    slow_per_s: float
    fast_per_s: float

    def at(self, seconds: float) -> float:
        """Return the temperature [degC] after a time, which may be infinite."""
        slow, fast = math.exp(-self.slow_per_s * seconds), math.exp(-self.fast_per_s * seconds)
        return self.end_c + self.slow_k * slow + self.fast_k * fast

    def turning_s(self) -> float | None:
        """Return when it stops rising or falling [s, > 0]; None where it never turns. It turns once at most."""
        slow, fast = self.slow_per_s * self.slow_k, self.fast_per_s * self.fast_k
        if slow == 0.0 or -fast / slow <= 1.0:
            return None
        return math.log(-fast / slow) / (self.fast_per_s - self.slow_per_s)

    def top_s(self) -> float:
        """Return when it is hottest from now on [s]: 0, the turning, or infinity."""
        turning_s = self.turning_s()
        # It turns from rising to falling where the slow part falls in the end.
        if turning_s is not None and self.slow_k > 0.0:
            return turning_s
        return 0.0 if self.slow_k + self.fast_k > 0.0 else math.inf

    def crossing_s(self, level_c: float, from_s: float, until_s: float) -> float:
        """Return when it passes a level [s] between two times, of which it is on either side; until may be infinite.

        Source: Newton's steps kept inside a bracket, from where the slow part alone would pass; relative error 1e-10.
        """
        sign = 1.0 if self.at(from_s) <= level_c else -1.0
        low, high, seconds = from_s, until_s, from_s
        ratio = (level_c - self.end_c) / self.slow_k if self.slow_k else 0.0
        if 0.0 < ratio < 1.0:
            seconds = -math.log(ratio) / self.slow_per_s
        for _ in range(100):
            if not low < seconds < high:
                seconds = 2.0 * low + 1.0 / self.fast_per_s if math.isinf(high) else 0.5 * (low + high)
            slow = self.slow_k * math.exp(-self.slow_per_s * seconds)
            fast = self.fast_k * math.exp(-self.fast_per_s * seconds)
            away = self.end_c + slow + fast - level_c
            if sign * away < 0.0:
                low = seconds
            else:
                high = seconds
            rate = self.slow_per_s * slow + self.fast_per_s * fast
            step = away / rate if rate else math.inf
            seconds += step
            if abs(step) <= 1e-10 * seconds:
                break
        return seconds

    def first_above_s(self, level_c: float) -> float | None:
        """Return when it first reaches a level from below [s], 0 where it is there, None where it never does."""
        if self.at(0.0) >= level_c:
            return 0.0
        top_s = self.top_s()
        return None if self.at(top_s) <= level_c else self.crossing_s(level_c, self._rising_from_s(top_s), top_s)

    def last_above_s(self, level_c: float) -> float | None:
        """Return when it falls below a level for good [s], 0 where it stays below, None where it never does."""
        if self.end_c >= level_c:
            return None
        top_s = self.top_s()
        if self.at(top_s) <= level_c:
            return 0.0
        return self.crossing_s(level_c, top_s, math.inf)

    def _rising_from_s(self, top_s: float) -> float:
        """Return from when it only rises until its top."""
        turning_s = self.turning_s()
        return 0.0 if turning_s is None or turning_s >= top_s else turning_s


class Course(NamedTuple):
    """What decides the way of both nodes from now on; plain numbers, see HeatState and heat.model.Surroundings.

    fade_w_per_k: power lost for each kelvin the body is above anchor_c, where it is power_w.
    """

    oil_c: float
    body_c: float
    ha_log: float
    g_log: float
    external_w: float
    air_c: float
    power_w: float
    fade_w_per_k: float = 0.0
    anchor_c: float = 0.0


class Rates(NamedTuple):
    """How two coupled nodes answer [1/s]: d oil = -out oil + cross body, d body = back oil - loss body."""

    out: float
    cross: float
    back: float
    loss: float
    slow: float
    fast: float

    @staticmethod
    def of(nodes: Nodes, g: float, ha: float, fade: float) -> Rates:
        """Return those of two heat capacities and conductances [W/K], all above 0, fade less than g.

        Source:
            Eigenvalues of a 2 x 2 matrix; equal to heat.model.advance in tests/heat/test_forecast.py.
        """
        oil_j, body_j = nodes
        out, cross, back, loss = g / oil_j, (g - fade) / oil_j, g / body_j, (g + ha) / body_j
        half = 0.5 * (out + loss)
        # The determinant, (ha + fade) g / (oil body), written so that nothing cancels.
        product = (ha + fade) * g / (oil_j * body_j)
        fast = half + math.sqrt(half * half - product)
        return Rates(out, cross, back, loss, product / fast, fast)

    def row(self, node: int, seconds: float) -> tuple[float, float]:
        """Return what a kelvin of the oil, and one of the body, now makes of a node later."""
        out, cross, back, loss, slow_per_s, fast_per_s = self
        slow, fast = math.exp(-slow_per_s * seconds), math.exp(-fast_per_s * seconds)
        share = (slow - fast) / (fast_per_s - slow_per_s)
        if node == OIL:
            return fast + share * (fast_per_s - out), share * cross
        return share * back, fast + share * (fast_per_s - loss)

    def slow_k(self, node: int, d_oil: float, d_body: float) -> float:
        """Return the slow part of a node's curve, from the distances of oil and body from their ends."""
        if node == OIL:
            return (self.cross * d_body + (self.fast - self.out) * d_oil) / (self.fast - self.slow)
        return (self.back * d_oil + (self.fast - self.loss) * d_body) / (self.fast - self.slow)


def course_curve(nodes: Nodes, course: Course, node: int) -> Curve:
    """Return the curve of one node of a course (OIL, BODY).

    Raises:
        InputError: a capacity that isn't above 0, or fade below 0 or as large as G.
    """
    g, ha, fade = math.exp(course.g_log), math.exp(course.ha_log), course.fade_w_per_k
    if not (min(nodes) > 0.0 and 0.0 <= fade < g):
        raise InputError(f"heat capacities {nodes} J/K must be above 0, fade of {fade} W/K from 0 to below {g}")
    rates, ends = Rates.of(nodes, g, ha, fade), _ends(course, g, ha)
    distances = course.oil_c - ends[OIL], course.body_c - ends[BODY]
    slow_k = rates.slow_k(node, *distances)
    return Curve(ends[node], slow_k, distances[node] - slow_k, rates.slow, rates.fast)


def _ends(course: Course, g: float, ha: float) -> tuple[float, float]:
    """Return where oil and body of a course end, with other conductances [W/K] than its own."""
    fade = course.fade_w_per_k
    power_w = course.power_w + fade * course.anchor_c
    body_c = (power_w + (course.external_w + ha * course.air_c)) / (ha + fade)
    return body_c + (power_w - fade * body_c) / g, body_c


def _at(nodes: Nodes, course: Course, g: float, ha: float, node: int, seconds: float) -> float:
    """Return the temperature of one node of a course after a time, with other conductances [W/K] than its own."""
    ends = _ends(course, g, ha)
    if seconds == math.inf:
        return ends[node]
    oil, body = Rates.of(nodes, g, ha, course.fade_w_per_k).row(node, seconds)
    return ends[node] + oil * (course.oil_c - ends[OIL]) + body * (course.body_c - ends[BODY])


class Doubt(NamedTuple):
    """How uncertain a course is. power_sd_w: of the mean measured; density_w2_s: of power to come, see `Duty`."""

    covariance_k2: tuple[tuple[float, float], tuple[float, float]]
    ha_log_sd: float
    g_log_sd: float
    external_sd_w: float
    air_sd_k: float
    power_sd_w: float
    density_w2_s: float

    def power_variance_w2(self, rates: Rates, end_k: float, slow_k: float, seconds: float) -> float:
        """Return the variance of the constant power that does what the power to come will have done by a time.

        end_k, slow_k: a node's answer to 1 W from rest, end + slow exp(-slow t) - (end + slow) exp(-fast t); its
        slope h is the answer to a pulse.
        Source: filtered white noise has the variance density * integral h^2; a constant moves by integral h.
        """
        fast_k = -end_k - slow_k
        whole = end_k + slow_k * math.exp(-rates.slow * seconds) + fast_k * math.exp(-rates.fast * seconds)
        if self.density_w2_s <= 0.0 or whole <= 0.0:
            return self.power_sd_w**2
        a, b, both = slow_k * rates.slow, fast_k * rates.fast, rates.slow + rates.fast
        squares = a * a * -math.expm1(-2.0 * rates.slow * seconds) / (2.0 * rates.slow)
        squares += 2.0 * a * b * -math.expm1(-both * seconds) / both
        squares += b * b * -math.expm1(-2.0 * rates.fast * seconds) / (2.0 * rates.fast)
        return self.power_sd_w**2 + self.density_w2_s * max(squares, 0.0) / whole**2


class Slopes(NamedTuple):
    """How a node's temperature at a time changes with what decides it; conductances by their logarithms.

    power_variance_w2: of the constant power that stands for the power to come until then.
    """

    oil: float
    body: float
    ha_log: float
    g_log: float
    external: float
    air: float
    power: float
    power_variance_w2: float


def find_slopes(nodes: Nodes, at: Course, doubt: Doubt, node: int, seconds: float) -> Slopes:
    """Return the slopes of a node (OIL, BODY) at a time, which may be infinite, from a course."""
    g, ha, fade = math.exp(at.g_log), math.exp(at.ha_log), at.fade_w_per_k
    rates, ends = Rates.of(nodes, g, ha, fade), _ends(at, g, ha)
    oil, body = rates.row(node, seconds)
    here = ends[node] + oil * (at.oil_c - ends[OIL]) + body * (at.body_c - ends[BODY])
    by_ha = (_at(nodes, at, g, ha * (1.0 + STEP), node, seconds) - here) / STEP
    by_g = (_at(nodes, at, g * (1.0 + STEP), ha, node, seconds) - here) / STEP
    # Where a watt into the body, and one into the oil, ends.
    external_body = 1.0 / (ha + fade)
    external_oil = external_body + -fade * external_body / g
    power_oil, power_body = external_body + (1.0 - fade * external_body) / g, external_body
    of_power, of_external = (power_oil, power_body)[node], (external_oil, external_body)[node]
    by_power = of_power - oil * power_oil - body * power_body
    by_external = of_external - oil * external_oil - body * external_body
    slow_k = rates.slow_k(node, -power_oil, -power_body)
    variance_w2 = doubt.power_variance_w2(rates, of_power, slow_k, seconds)
    return Slopes(oil, body, by_ha, by_g, by_external, ha * by_external, by_power, variance_w2)


def push(nodes: Nodes, centre: Course, at: Course, doubt: Doubt, node: int, z: float, seconds: float) -> Course:
    """Return the likeliest course that has a node moved by z standard deviations at a time.

    centre: the course as estimated; at: where derivatives are taken, `centre` at first, then what came of it.
    """
    return shift(centre, find_slopes(nodes, at, doubt, node, seconds), doubt, z)


def shift(centre: Course, by: Slopes, doubt: Doubt, z: float) -> Course:
    """Return the likeliest course that has a node moved by z standard deviations, from the slopes at that time."""
    (oil_oil, oil_body), (_, body_body) = doubt.covariance_k2
    to_oil, to_body = by.oil * oil_oil + by.body * oil_body, by.oil * oil_body + by.body * body_body
    to_ha, to_g = by.ha_log * doubt.ha_log_sd**2, by.g_log * doubt.g_log_sd**2
    to_external, to_air = by.external * doubt.external_sd_w**2, by.air * doubt.air_sd_k**2
    to_power = by.power * by.power_variance_w2
    variance = by.oil * to_oil + by.body * to_body + by.ha_log * to_ha + by.g_log * to_g
    variance += by.external * to_external + by.air * to_air + by.power * to_power
    if variance <= 0.0:
        return centre
    far = z / math.sqrt(variance)
    return Course(
        centre.oil_c + far * to_oil,
        centre.body_c + far * to_body,
        centre.ha_log + far * to_ha,
        centre.g_log + far * to_g,
        centre.external_w + far * to_external,
        centre.air_c + far * to_air,
        max(centre.power_w + far * to_power, 0.0),
        centre.fade_w_per_k,
        centre.anchor_c,
    )


@dataclass(frozen=True, slots=True)
class NodeForecast:
    """What is said of one node: ends of ranges hold 80 % between them.

    plateau_c: where it ends at this duty, with the range it will then wander in. seconds, low_s, high_s: until
    the limit, only where it is reached; of `near_limit` low_s alone (None where there is none): hardly sooner.
    """

    kind: Kind
    limit_c: float | None
    now_c: float
    plateau_c: float
    plateau_low_c: float
    plateau_high_c: float
    seconds: float | None = None
    low_s: float | None = None
    high_s: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """Body and oil at the duty of the last minutes; no oil where it has no limit: the body's is what matters."""

    body: NodeForecast
    oil: NodeForecast | None


def forecast(profile: Profile, state: HeatState, duty: Duty) -> Forecast:
    """Return where oil and body of a damper end at a duty, or how long until their limits.

    Raises:
        InputError: heat capacities that aren't above 0, or fade stronger than the conductance between the nodes.
    Source:
        shared/FORECAST.md; tests/heat/test_forecast_ranges.py holds times and ranges against simulations.
    """
    nodes, doubt = nodes_of(profile), doubt_of(state, duty)
    course = course_of(profile, state, duty)
    has_limit = profile.oil_limit_c is not None
    return Forecast(
        body=forecast_node(nodes, course, doubt, BODY, profile.body_limit_c),
        oil=forecast_node(nodes, course, doubt, OIL, profile.oil_limit_c) if has_limit else None,
    )


def nodes_of(profile: Profile) -> Nodes:
    """Return the heat capacities of a profile's nodes; InputError where one isn't above 0."""
    nodes = Capacities.of(profile)
    oil_j, body_j = float(nodes.oil_j_per_k), float(nodes.body_j_per_k)
    if not min(oil_j, body_j) > 0.0:
        raise InputError(
            f"profile {profile.name}: heat capacities of oil {oil_j} and body {body_j} J/K must be above 0"
        )
    return oil_j, body_j


def course_of(profile: Profile, state: HeatState, duty: Duty) -> Course:
    """Return the course from a state at a duty: conductances at its pace and motion, force fading with the body.

    The heat computed is put right by what the body's temperature has told of its error: that lasts longer than any
    forecast reaches, and conductances were learned beside it.
    """
    power_w = duty.power_w * (1.0 + state.heat_error)
    ha, g = state.ha_w_per_k, state.g_w_per_k
    if state.laws is not None and duty.speed_mps is not None:
        ha = state.laws.ha_w_per_k(duty.speed_mps)
    if state.laws is not None and duty.rms_mps is not None:
        g = state.laws.g_w_per_k(duty.rms_mps)
    anchor_c = max(state.body_c if duty.body_c is None else duty.body_c, profile.reference_c)
    left_ratio = 1.0 - profile.fade_per_k * (anchor_c - profile.reference_c)
    fade = profile.fade_per_k * power_w / left_ratio if left_ratio > 0.0 else 0.0
    # Fade is about a tenth of G; held below a quarter, so that no doubt about G makes it the stronger one.
    fade = min(max(fade, 0.0), 0.25 * g)
    away = (state.external_w, state.air_c, power_w, fade, anchor_c)
    return Course(float(state.oil_c), float(state.body_c), math.log(ha), math.log(g), *map(float, away))


def doubt_of(state: HeatState, duty: Duty) -> Doubt:
    """Return how uncertain the course from a state at a duty is."""
    return Doubt(
        state.covariance_k2,
        state.ha_log_sd,
        state.g_log_sd,
        state.external_sd_w,
        state.air_sd_k,
        math.sqrt(duty.density_w2_s / duty.measured_s),
        duty.density_w2_s,
    )


def forecast_node(nodes: Nodes, course: Course, doubt: Doubt, node: int, limit_c: float | None) -> NodeForecast:
    """Return what is said of one node (OIL, BODY); no limit: its plateau alone."""
    curve = course_curve(nodes, course, node)
    low, high = pushed_curves(nodes, course, doubt, node, math.inf)
    ends = (curve.end_c, low.end_c, high.end_c)
    now_c = course.body_c if node == BODY else course.oil_c
    if limit_c is None or now_c >= limit_c:
        return NodeForecast(Kind.NO_LIMIT if limit_c is None else Kind.OVER, limit_c, now_c, *ends)
    top_s = curve.top_s()
    if 0.0 < top_s < math.inf:
        # It passes its plateau on the way and comes back: oil still hot from a harder duty.
        low, high = pushed_curves(nodes, course, doubt, node, top_s)
    if high.at(high.top_s()) < limit_c:
        return NodeForecast(Kind.HOLDS, limit_c, now_c, *ends)
    seconds, high_s = curve.first_above_s(limit_c), None
    low_s = _passage_s(nodes, course, doubt, node, RANGE_Z, limit_c, top_s if seconds is None else seconds)
    if seconds is not None and low.at(low.top_s()) >= limit_c:
        high_s = _passage_s(nodes, course, doubt, node, -RANGE_Z, limit_c, seconds)
    if seconds is None or low_s is None or high_s is None:
        return NodeForecast(Kind.NEAR_LIMIT, limit_c, now_c, *ends, low_s=low_s)
    return NodeForecast(Kind.REACHES, limit_c, now_c, *ends, seconds, low_s, high_s)


def pushed_curves(nodes: Nodes, course: Course, doubt: Doubt, node: int, seconds: float) -> tuple[Curve, Curve]:
    """Return the curves of the likeliest courses that have a node RANGE_Z below and above at a time.

    The first round is one for both ends, both begin at the course itself.
    """
    by = find_slopes(nodes, course, doubt, node, seconds)
    low, high = shift(course, by, doubt, -RANGE_Z), shift(course, by, doubt, RANGE_Z)
    for _ in range(1, ROUNDS):
        low = push(nodes, course, low, doubt, node, -RANGE_Z, seconds)
        high = push(nodes, course, high, doubt, node, RANGE_Z, seconds)
    return course_curve(nodes, low, node), course_curve(nodes, high, node)


def _passage_s(
    nodes: Nodes, course: Course, doubt: Doubt, node: int, z: float, limit_c: float, guess_s: float
) -> float | None:
    """Return when a node reaches its limit if it is z standard deviations hotter then; None where it doesn't.

    Early ends (z > 0): two rounds, then where all later ones would end, as their steps shrink by a constant ratio
    (Aitken 1926, from memory). Late ends swing about where they settle: three rounds, each from halfway, on a scale
    of ratios. Against 40 rounds 98 of 100 are within 1 and 2.5 %.
    """
    at, times, seconds = course, [guess_s], None
    for _ in range(EARLY_ROUNDS if z > 0.0 else LATE_ROUNDS):
        at = push(nodes, course, at, doubt, node, z, times[-1])
        curve = course_curve(nodes, at, node)
        seconds = curve.first_above_s(limit_c)
        if seconds is None:
            times.append(curve.top_s())
        else:
            times.append(seconds if z > 0.0 else math.sqrt(times[-1] * seconds))
    return seconds if z < 0.0 or seconds is None else _settled_s(times)


def _settled_s(times: list[float]) -> float:
    """Return where a series of three times ends, if the ratios between them shrink by a constant factor."""
    if not all(0.0 < value < math.inf for value in times):
        return times[-1]
    first, second = math.log(times[-2] / times[-3]), math.log(times[-1] / times[-2])
    if abs(first) < 1e-9:
        return times[-1]
    factor = min(max(second / first, -0.95), 0.6)
    return times[-2] * math.exp(first * factor / (1.0 - factor))
