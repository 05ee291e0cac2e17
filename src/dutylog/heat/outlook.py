"""What is known and foretold of one damper's heat, as it is shown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, NamedTuple

from dutylog.domain.vehicle import Profile
from dutylog.errors import one_line
from dutylog.heat.forecast import Kind, forecast
from dutylog.heat.heat_room import compute_heat_room, find_pace, most_urgent, say_forecast, say_heat_room, say_pace
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState
from dutylog.heat.stop import HANDLE_C, forecast_after_stop, forecast_stop, say_bought, say_handling, say_peak

STOP_S = 600.0
"""The stop whose gain is told (judgement: long enough to matter, short enough to be taken)."""
DIGITS = 4
"""Digits after the point of estimates as shown; far finer than any of them is known."""
TEXT_LIMIT = 300


@dataclass(frozen=True)
class Outlook:
    """What is foretold of one damper; fields as in shared/SNAPSHOT.md, None: nothing can be said.

    Without slots, for `shown`: an outlook is shown ten times before the next one is made.
    """

    heat_room_w: float | None = None
    heat_room_low_w: float | None = None
    heat_room_high_w: float | None = None
    heat_room_ratio: float | None = None
    forecast_kind: str | None = None
    forecast_node: str | None = None
    plateau_c: float | None = None
    plateau_low_c: float | None = None
    plateau_high_c: float | None = None
    to_limit_s: float | None = None
    to_limit_low_s: float | None = None
    to_limit_high_s: float | None = None
    pace_mps: float | None = None
    pace_low_mps: float | None = None
    pace_high_mps: float | None = None
    stop_peak_c: float | None = None
    stop_peak_s: float | None = None
    stop_handle_s: float | None = None
    forecast_text: str | None = None
    heat_room_text: str | None = None
    pace_text: str | None = None
    stop_text: str | None = None

    @cached_property
    def shown(self) -> Mapping[str, Any]:
        """Return its fields as they are sent."""
        return {name: tidy(getattr(self, name)) for name in _OUTLOOK_NAMES}


class HeatNow(NamedTuple):
    """What is known of one damper's heat after its latest tile; fields as in shared/SNAPSHOT.md.

    A tuple: one is made of each damper every second, at a third of the cost of a frozen dataclass.
    """

    oil_c: float
    oil_sd_k: float
    body_trend_k_per_s: float | None
    outlook: Outlook
    damping_ratio: float | None
    damping_sd: float | None
    damping_state: str
    damping_text: str
    witness_state: str
    witness_text: str
    gas_20c_pa: float | None = None
    gas_leaking: bool | None = None
    gas_text: str | None = None

    def shown(self) -> dict[str, Any]:
        """Return what is sent of it, flat, the outlook's fields among its own."""
        # Field by field and not asdict, which copies deeply: a third of a snapshot's time.
        return {
            "oil_c": tidy(self.oil_c),
            "oil_sd_k": tidy(self.oil_sd_k),
            "body_trend_k_per_s": tidy(self.body_trend_k_per_s),
            "damping_ratio": tidy(self.damping_ratio),
            "damping_sd": tidy(self.damping_sd),
            "damping_state": self.damping_state,
            "damping_text": one_line(self.damping_text, TEXT_LIMIT),
            "witness_state": self.witness_state,
            "witness_text": one_line(self.witness_text, TEXT_LIMIT),
            "gas_20c_pa": tidy(self.gas_20c_pa),
            "gas_leaking": self.gas_leaking,
            "gas_text": tidy(self.gas_text),
            **self.outlook.shown,
        }


_OUTLOOK_NAMES = tuple(one.name for one in fields(Outlook))


def tidy(value: Any) -> Any:
    """Return what is short enough to be sent every second; a figure that isn't finite is unknown."""
    if value is None:
        return None
    if isinstance(value, float):
        return round(value, DIGITS) if math.isfinite(value) else None
    return one_line(value, TEXT_LIMIT) if isinstance(value, str) else value


def make_outlook(profile: Profile, state: HeatState, duty: Duty | None, known: Outlook | None = None) -> Outlook:
    """Return what can be foretold from a state at the duty of the last minutes, None with too little of it.

    known: an outlook whose part on a stop still counts; None: it is made anew.
    """
    outlook = _after_stop(profile, state, duty) if known is None else _stop_of(known)
    if duty is None:
        return outlook
    node, said = most_urgent(forecast(profile, state, duty))
    room, pace = compute_heat_room(profile, state, duty), find_pace(profile, state, duty)
    has_limit = said.kind is not Kind.NO_LIMIT
    return replace(
        outlook,
        heat_room_w=room.room_w,
        heat_room_low_w=room.low_w,
        heat_room_high_w=room.high_w,
        heat_room_ratio=None if room.room_ratio is None else max(room.room_ratio, -10.0),
        forecast_kind=said.kind.value,
        forecast_node=node,
        plateau_c=said.plateau_c,
        plateau_low_c=said.plateau_low_c,
        plateau_high_c=said.plateau_high_c,
        to_limit_s=said.seconds,
        to_limit_low_s=said.low_s,
        to_limit_high_s=said.high_s,
        pace_mps=None if pace is None else pace.speed_mps,
        pace_low_mps=None if pace is None else pace.low_mps,
        pace_high_mps=None if pace is None else pace.high_mps,
        forecast_text=say_forecast(said),
        heat_room_text=say_heat_room(room),
        pace_text=say_pace(pace) if pace is not None and has_limit else None,
    )


def _stop_of(known: Outlook) -> Outlook:
    return Outlook(
        stop_peak_c=known.stop_peak_c,
        stop_peak_s=known.stop_peak_s,
        stop_handle_s=known.stop_handle_s,
        stop_text=known.stop_text,
    )


def _after_stop(profile: Profile, state: HeatState, duty: Duty | None) -> Outlook:
    """Return what a stop now would bring."""
    stop = forecast_stop(profile, state, (HANDLE_C,))
    if stop is None:
        return Outlook()
    handle_s = next(cooling.high_s for cooling in stop.cooling if cooling.level_c == HANDLE_C)
    words = [say_peak(stop), say_handling(stop)]
    after = None if duty is None else forecast_after_stop(profile, state, duty, STOP_S)
    if after is not None:
        words.append(say_bought(STOP_S, after))
    return Outlook(stop_peak_c=stop.peak_c, stop_peak_s=stop.peak_s, stop_handle_s=handle_s, stop_text="; ".join(words))
