"""Which witnesses of lost damping agree: heat, free decays after bumps, left against right.

None of them proves anything alone. Heat needs a force curve and thermal figures that hold; free decays need bumps
and an unchanged load; left against right shares road, weather and load, and is blind when both sides
wear alike. shared/PUSH_TEST.md.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.heat.decay_witness import FELL, STEADY, DecayNow

LEFT, RIGHT = "left", "right"
HEAT_LOST, HEAT_STEADY = "lost", "steady"
"""States of the heat's witness (heat/damping.py) that say something."""
SIDES_FALSE_ALARM_SD = 3.29
"""A difference of so many deviations is told: once in 1000 times by chance (two-sided, normal distribution)."""
LEAST_SIDES_RATIO = 0.85
"""And only where one side gives less than this of the other: two sound dampers of one kind differ by up to a tenth
(judgement)."""
EVEN, UNKNOWN = "even", "unknown"
LOST, SUSPECT, SOUND = "lost", "suspect", "sound"


class Output(Protocol):
    """What heat says of a damper: DampingNow of heat/damping.py."""

    @property
    def ratio(self) -> float | None:
        """Return heat proved over work promised, None while nothing can be said."""
        ...

    @property
    def sd(self) -> float | None:
        """Return its standard deviation."""
        ...

    @property
    def state(self) -> str:
        """Return one of learning, steady, lost, unknown."""
        ...


@dataclass(frozen=True, slots=True)
class SidesNow:
    """Two dampers of one axle. state: even, left (gives less), right (gives less) or unknown.

    output_ratio, decay_ratio: left over right, of heat's output and of what free decays changed by; None: unknown.
    """

    left: str
    right: str
    state: str
    output_ratio: float | None
    decay_ratio: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Combined:
    """What the witnesses say together of one damper.

    state: lost (two or more agree), suspect (one alone), sound (somebody looked and nobody sees a loss),
    unknown. speaking: those that say it fell; silent: those that can't tell; text: one line.
    """

    state: str
    speaking: tuple[str, ...]
    silent: tuple[str, ...]
    text: str


def find_pairs(vehicle: Vehicle) -> tuple[tuple[str, str], ...]:
    """Return the pairs of positions (left, right) that sit on one axle, by the names of wheels and positions.

    `front_left` goes with `front_right`, `rear_left_outer` with `rear_right_outer`. Positions named without a
    side go by their wheels, where there is one damper on each. What has no partner is left out.
    """
    pairs = []
    for damper in vehicle.dampers:
        partner = _partner(damper, vehicle)
        if partner is not None:
            pairs.append((damper.position, partner.position))
    return tuple(pairs)


def compare_sides(pair: tuple[str, str], outputs: Mapping[str, Output], decays: Mapping[str, DecayNow]) -> SidesNow:
    """Return how the left damper of a pair stands against the right one; either mapping may lack positions."""
    left, right = pair
    output = _log_difference(*(_output_log(outputs.get(position)) for position in pair))
    decay = _log_difference(*(_decay_log(decays.get(position)) for position in pair))
    known = [value for value in (output, decay) if value is not None]
    low = {_lower_side(*value) for value in known} - {EVEN}
    state = UNKNOWN if not known or len(low) > 1 else low.pop() if low else EVEN
    output_ratio = None if output is None else math.exp(output[0])
    decay_ratio = None if decay is None else math.exp(decay[0])
    return SidesNow(left, right, state, output_ratio, decay_ratio, _say_sides(pair, state, output_ratio, decay_ratio))


def combine(position: str, heat: Output | None, decay: DecayNow | None, sides: SidesNow | None) -> Combined:
    """Return which witnesses agree that the damper at a position lost damping, in one line.

    sides: of the pair the damper belongs to, None where it has no partner.
    """
    votes = {
        "heat": _heat_vote(heat),
        "free decay": _decay_vote(decay),
        "left against right": _sides_vote(position, sides),
    }
    speaking = tuple(name for name, vote in votes.items() if vote is True)
    against = tuple(name for name, vote in votes.items() if vote is False)
    silent = tuple(name for name, vote in votes.items() if vote is None)
    state = LOST if len(speaking) > 1 else SUSPECT if speaking else SOUND if against else UNKNOWN
    if state == LOST:
        text = f"{position} gives less damping: {_list(speaking)} agree"
    elif state == SUSPECT:
        text = f"{position} may give less damping: {speaking[0]} alone says so"
    elif state == SOUND:
        text = f"{position}: no loss of damping seen by {_list(against)}"
    else:
        return Combined(state, speaking, silent, f"{position}: no witness can tell of its damping yet")
    if speaking and against:
        text += f", {_list(against)} {'see' if len(against) > 1 else 'sees'} none"
    if silent:
        text += f"; {_list(silent)} can't tell"
    return Combined(state, speaking, silent, text)


def _partner(damper: Damper, vehicle: Vehicle) -> Damper | None:
    """Return the damper on the right that mirrors one on the left, None where there is none or no side is named."""
    on_right = {d.position: d for d in vehicle.dampers}
    if LEFT in damper.position:
        return on_right.get(damper.position.replace(LEFT, RIGHT, 1))
    if LEFT not in damper.wheel:
        return None
    here = [d for d in vehicle.dampers if d.wheel == damper.wheel]
    there = [d for d in vehicle.dampers if d.wheel == damper.wheel.replace(LEFT, RIGHT, 1)]
    return there[0] if len(here) == len(there) == 1 else None


def _output_log(output: Output | None) -> tuple[float, float] | None:
    """Return the logarithm of an output and its deviation."""
    if output is None or output.ratio is None or output.sd is None or output.ratio <= 0.0:
        return None
    return math.log(output.ratio), output.sd / output.ratio


def _decay_log(decay: DecayNow | None) -> tuple[float, float] | None:
    if decay is None or decay.change_ratio is None or decay.log_sd is None:
        return None
    return math.log(decay.change_ratio), decay.log_sd


def _log_difference(left: tuple[float, float] | None, right: tuple[float, float] | None) -> tuple[float, float] | None:
    if left is None or right is None:
        return None
    return left[0] - right[0], math.hypot(left[1], right[1])


def _lower_side(difference: float, sd: float) -> str:
    """Return which side gives less, EVEN where the difference is chance or small."""
    if abs(difference) < max(SIDES_FALSE_ALARM_SD * sd, -math.log(LEAST_SIDES_RATIO)):
        return EVEN
    return LEFT if difference < 0.0 else RIGHT


def _say_sides(pair: tuple[str, str], state: str, output: float | None, decay: float | None) -> str:
    left, right = pair
    if output is None and decay is None:
        return f"{left} against {right}: nothing to compare yet"
    parts = [
        f"{value:.2f} times {what}"
        for value, what in ((output, "the heat for its work"), (decay, "what is left of its damping ratio"))
        if value is not None
    ]
    said = {
        EVEN: "no more than two sound dampers differ by",
        LEFT: f"{left} gives less",
        RIGHT: f"{right} gives less",
        UNKNOWN: "heat and free decays contradict each other",
    }[state]
    return f"{left} against {right}: {' and '.join(parts)}; {said}"


def _heat_vote(heat: Output | None) -> bool | None:
    return None if heat is None or heat.state not in (HEAT_LOST, HEAT_STEADY) else heat.state == HEAT_LOST


def _decay_vote(decay: DecayNow | None) -> bool | None:
    return None if decay is None or decay.state not in (FELL, STEADY) else decay.state == FELL


def _sides_vote(position: str, sides: SidesNow | None) -> bool | None:
    if sides is None or sides.state == UNKNOWN:
        return None
    return sides.state == (LEFT if position == sides.left else RIGHT)


def _list(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
