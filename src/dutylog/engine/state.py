"""The one place that says how a damper is doing, in one word and one line for people."""

from __future__ import annotations

import math
from collections.abc import Collection

from dutylog.engine.lost_time import NOT_CALIBRATED

OK = "ok"
WARM = "warm"
HOT = "hot"
OVER_LIMIT = "over_limit"
NO_TEMPERATURE = "no_temperature"
NO_TRAVEL = "no_travel"
NO_DATA = "no_data"
WAITING = "waiting"
STATES = (OK, WARM, HOT, OVER_LIMIT, NO_TEMPERATURE, NO_TRAVEL, NO_DATA, WAITING)

WARM_WITHIN_K = 20.0
"""A body this close to its limit is warm. Source: judgement; minutes of hard driving are still left."""
HOT_WITHIN_K = 8.0
"""A body this close to its limit is hot. Source: judgement; about what heat soak adds after a stop."""

_TRAVEL_FAULTS = frozenset({"travel_open", "travel_stuck", "impossible_speed", NOT_CALIBRATED})
_CALIBRATE = (
    "calibrate its travel sensor, `dutylog calibrate travel`; duty isn't counted meanwhile, its counts are kept"
)

STATE_TEXTS = {
    OK: "within its limit",
    WARM: "nearing its limit: keep an eye on it",
    HOT: "ask the driver to ease off now",
    OVER_LIMIT: "ease off; stop where it is safe and let it cool in air, never with water",
    NO_TEMPERATURE: "check the thermocouple and its plug at the next stop",
    NO_TRAVEL: "check the travel sensor and its rod at the next stop; duty isn't counted meanwhile",
    NO_DATA: "check power and plug of its sensors at the next stop; nothing is counted meanwhile",
    WAITING: "waiting for its first data",
}
"""Stands beside the state's word: what someone can do; addressed to co-driver or crew, never to the driver."""


def damper_state(body_c: float | None, limit_c: float, faults: Collection[str], has_data: bool) -> tuple[str, str]:
    """Return a damper's state and one line for the co-driver or crew.

    Heat that can do harm outranks a failed sensor; a failed sensor outranks "warm".

    Args:
        body_c: float [degC] or None, body temperature of the latest tile; not finite counts as None.
        limit_c: float [degC], the profile's body limit.
        faults: names of the damper's faults in force (shared/CONVENTIONS.md).
        has_data: whether the latest tile held data of this damper.
    Returns:
        (one of STATES, text).
    Source:
        Thresholds: judgement, see WARM_WITHIN_K and HOT_WITHIN_K; table in shared/SNAPSHOT.md.
    """
    state = _state(body_c, limit_c, faults, has_data)
    if NOT_CALIBRATED in faults and state in (NO_TRAVEL, NO_DATA):
        return state, _CALIBRATE
    return state, STATE_TEXTS[state]


def _state(body_c: float | None, limit_c: float, faults: Collection[str], has_data: bool) -> str:
    if not has_data:
        return NO_DATA if faults else WAITING
    believed = body_c is not None and math.isfinite(body_c) and "thermocouple_open" not in faults
    room_k = limit_c - body_c if believed and body_c is not None else math.inf
    if room_k <= 0.0:
        return OVER_LIMIT
    if room_k <= HOT_WITHIN_K:
        return HOT
    if not believed:
        return NO_TEMPERATURE
    if not _TRAVEL_FAULTS.isdisjoint(faults):
        return NO_TRAVEL
    return WARM if room_k <= WARM_WITHIN_K else OK
