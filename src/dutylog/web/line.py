"""The live page in one line for radio or a text message; its rules stand in shared/SNAPSHOT.md, One line.

The page fetches what this module makes, so there is one wording.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

from starlette.exceptions import HTTPException

from dutylog.publish.snapshot import DamperNow, Snapshot
from dutylog.units import NS_PER_S
from dutylog.web.feed import LiveFeed
from dutylog.web.urgency import Need, by_urgency, need_of

MOST_NAMED = 2
"""Dampers named one by one; more can't be kept in mind over a radio. Source: judgement."""
MAX_NAME_SIGNS = 30
LONGEST_MIN = 120
"""As in heat/heat_room.py: times beyond are only said to be longer."""
OLD_AFTER_S = 2.0
"""Readings older than this are said to be old, as on the page."""
MAX_OFFSET_MIN = 14 * 60
"""Zones reach from 12 h behind UTC to 14 h ahead. Source: IANA time zone database (Pacific/Kiritimati)."""
METRIC, US = "metric", "us"
UNITS = (METRIC, US)


def line_answer(feed: LiveFeed, query: Mapping[str, str]) -> str:
    """Return what /line answers to `units` and `utc_offset_min`, both optional.

    Raises:
        HTTPException: 400, other units or an offset no zone has.
    """
    units = query.get("units", METRIC)
    if units not in UNITS:
        raise HTTPException(400, f"units={units[:20]!r}: give {' or '.join(UNITS)}")
    newest = feed.newest
    offset_min = _parse_offset_min(query.get("utc_offset_min"))
    old_after_s = OLD_AFTER_S + feed.allowance_s
    return radio_line(newest.snapshot if newest else None, feed.age_s(), units, offset_min, old_after_s)


def _parse_offset_min(text: str | None) -> int | None:
    if text is None:
        return None
    digits = text.removeprefix("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 3 and int(digits) <= MAX_OFFSET_MIN):
        raise HTTPException(
            400, f"utc_offset_min={text[:20]!r}: give whole minutes from -{MAX_OFFSET_MIN} to {MAX_OFFSET_MIN}"
        )
    return int(text)


def radio_line(
    snapshot: Snapshot | None,
    age_s: float | None,
    units: str = METRIC,
    offset_min: int | None = None,
    old_after_s: float = OLD_AFTER_S,
) -> str:
    """Return the vehicle in one line of plain words, without a line feed.

    Args:
        snapshot: newest one, None before the first. age_s: how old its readings are [s].
        units: METRIC or US. offset_min: minutes the reader's clock is ahead of UTC; None: UTC, and it says so.
        old_after_s: readings older than this are said to be old [s].
    """
    if snapshot is None:
        return "no data from the logger yet"
    order = by_urgency(snapshot)
    needy = [damper for damper in order if need_of(damper) is not Need.NONE]
    rest = [damper for damper in order if need_of(damper) is Need.NONE]
    parts = [_one(damper, units) for damper in needy[:MOST_NAMED]]
    if len(needy) > MOST_NAMED:
        parts.append(f"{len(needy) - MOST_NAMED} more need a look")
    if rest:
        parts.append(f"{'others' if needy else 'all'} {_calm(rest)}")
    known = [damper for damper in rest if damper.body_c is not None]
    if known and not needy:
        parts.append(f"hottest {_one(_hottest(known), units)}")
    said = "; ".join(parts) or "no dampers"
    return f"{_age(age_s, old_after_s)}{said}. {_time(snapshot, offset_min)}"


def _one(damper: DamperNow, units: str) -> str:
    words = [_temperature(damper, units), "" if damper.oil_c is None else f"{_degrees(damper.oil_c, units)} oil"]
    return f"{_name(damper.position)} {', '.join(word for word in [*words, *_outlook(damper)] if word)}"


def _name(position: str) -> str:
    name = position.replace("_", " ")
    return name if len(name) <= MAX_NAME_SIGNS else name[: MAX_NAME_SIGNS - 3] + "..."


def _temperature(damper: DamperNow, units: str) -> str:
    if damper.body_c is None:
        return "no temperature"
    return f"{_degrees(damper.body_c, units)} {'F' if units == US else 'C'} body"


def _degrees(value_c: float, units: str) -> int:
    """Return whole degrees, halves away from zero as everywhere on the page."""
    value = value_c * 9.0 / 5.0 + 32.0 if units == US else value_c
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


def _outlook(damper: DamperNow) -> list[str]:
    words = []
    if damper.state == "over_limit":
        words.append("over body limit")
    elif damper.forecast_kind == "over":
        words.append(f"over {damper.forecast_node or 'its'} limit")
    elif damper.forecast_kind == "reaches" and damper.to_limit_s is not None:
        words.append(f"{_minutes(damper.to_limit_s)} to limit")
    elif damper.forecast_kind == "near_limit":
        words.append("near limit")
    elif damper.state in ("hot", "warm", "no_travel", "no_data"):
        words.append(damper.state.replace("_", " "))
    if damper.damping_state == "lost":
        words.append("damping lost")
    return words


def _minutes(seconds: float) -> str:
    """Return whole minutes, fives from half an hour on, as the forecast's own sentence does."""
    minutes = seconds / 60.0
    if minutes < 0.5:
        return "under 1 min"
    if minutes > LONGEST_MIN:
        return f"over {LONGEST_MIN} min"
    return f"{round(minutes) if minutes < 30.0 else 5 * round(minutes / 5.0)} min"


def _calm(rest: list[DamperNow]) -> str:
    """Return what is said of those that need no look: only a forecast lets us say that they hold."""
    if all(damper.forecast_kind == "holds" for damper in rest):
        return "hold"
    return "wait for data" if all(damper.state == "waiting" for damper in rest) else "ok"


def _hottest(known: list[DamperNow]) -> DamperNow:
    return max(known, key=lambda damper: -math.inf if damper.body_c is None else damper.body_c)


def _age(age_s: float | None, old_after_s: float) -> str:
    return f"OLD by {math.floor(age_s)} s: " if age_s is not None and age_s > old_after_s else ""


def _time(snapshot: Snapshot, offset_min: int | None) -> str:
    if not snapshot.utc_trusted:
        return "Clock not set"
    try:
        moment = datetime.fromtimestamp(snapshot.utc_ns / NS_PER_S, UTC) + timedelta(minutes=offset_min or 0)
    except (OverflowError, ValueError, OSError):
        return "Clock not set"
    return f"{moment:%H:%M}{' UTC' if offset_min is None else ''}"
