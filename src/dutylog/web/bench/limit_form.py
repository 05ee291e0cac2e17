"""How long a damper may go on where the row is `within`: what a technician types, kept with the decision."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from dutylog.bench.findings import Measure
from dutylog.bench.triage import Limit, Triage
from dutylog.bench.triage_words import ROW_WORDS, WITHIN
from dutylog.errors import InputError
from dutylog.web.bench.measure_units import parse_measure, units_of

FAR = Measure("limit_far", "distance it may go on", "far_m", "", 1e3, 1e9)
FAR_UNITS = units_of(FAR)
WEEKS_MOST = 104
NAMES = ("limit_far", "u_limit_far", "limit_weeks")


def read_limit(fields: Mapping[str, str], judged: Triage, row: str, why: str, today: date) -> dict[str, Any] | None:
    """Return the limit of a decision as its entry keeps it, None for other rows than `within`.

    Args:
        fields: as typed; distance and weeks both empty: the limit the rules give. why: a word why.
    Raises:
        InputError: no figure, no limit at all, or one beyond the rules' without a word why.
    """
    if row != WITHIN:
        return None
    distance_m = parse_measure(FAR, fields.get("limit_far", ""), fields.get("u_limit_far", ""))
    weeks = _read_weeks(fields.get("limit_weeks", ""))
    if distance_m is None and weeks is None:
        if judged.limit is None:
            raise InputError(f"{ROW_WORDS[WITHIN]}: write down how far or how many weeks it may go on")
        return _as_data(judged.limit)
    until = None if weeks is None else today + timedelta(weeks=weeks)
    chosen = Limit(distance_m, weeks, until)
    if not why and judged.limit is not None and _is_wider(chosen, judged.limit):
        raise InputError("it may go on further or longer than the rules say: write down why, the order shows it")
    return _as_data(chosen)


def typed_limit(seen: object) -> dict[str, str]:
    """Return what stands in the form: as it was sent, else empty."""
    fields: Mapping[str, str] = getattr(seen, "fields", {})
    return {name: fields.get(name, "") for name in NAMES}


def _is_wider(chosen: Limit, ruled: Limit) -> bool:
    """Return whether a limit lets anything go further than another one does."""
    pairs = ((chosen.distance_m, ruled.distance_m), (chosen.weeks, ruled.weeks))
    return any(most is not None and (one is None or one > most) for one, most in pairs)


def _as_data(limit: Limit) -> dict[str, Any]:
    until = None if limit.until is None else limit.until.isoformat()
    return {"distance_m": limit.distance_m, "weeks": limit.weeks, "until": until}


def _read_weeks(text: str) -> int | None:
    typed = text.strip()
    if not typed:
        return None
    if not (typed.isascii() and typed.isdigit() and len(typed) < 4 and 0 < int(typed) <= WEEKS_MOST):
        raise InputError(f"weeks it may go on: {text!r:.20}, expected a whole number from 1 to {WEEKS_MOST}")
    return int(typed)
