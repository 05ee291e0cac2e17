"""Which conditions hold at a moment, and in which words; a condition that was raised holds a little longer.

Every condition answers True, False, or None: nobody knows, so that an open alert stays and none is raised.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from dutylog.alerts.rules import (
    BODY_OVER_LIMIT,
    BOTTOMED,
    CHARGE_LEAKING,
    CLOCK,
    COVERAGE_LOST,
    DAMPER_FAULT,
    DAMPING_LOST,
    DISK,
    HEAT_RISING,
    OIL_OVER_LIMIT,
    RULES,
    Key,
    Words,
    say_where,
)
from dutylog.alerts.view import DamperView, VehicleView
from dutylog.engine.state import HOT, HOT_WITHIN_K, OVER_LIMIT

STANDING_S = 3.0
"""A disk that took nothing for so long: readings that stand still are stale on the page too."""
COOLED_K = 2.0
"""So far below its limit a body or oil counts as cooled, so that one at the limit doesn't flutter."""
SOON_S = 600.0
LATER_S = 900.0
"""A limit that can be reached within SOON_S raises; farther away than LATER_S clears."""
COVERED_LEAST = 0.9
COVERED_AGAIN = 0.95
BOTTOM_OUTS_COUNT = 3
"""So many within 5 minutes raise; none in 5 minutes clears."""

Judge = Callable[[DamperView, bool], bool | None]


def _body_over_limit(damper: DamperView, is_open: bool) -> bool | None:
    if damper.state == OVER_LIMIT:
        return True
    if damper.body_c is None or "thermocouple_open" in damper.faults:
        return None
    return is_open and damper.body_c > damper.body_limit_c - COOLED_K


def _oil_over_limit(damper: DamperView, is_open: bool) -> bool | None:
    if damper.oil_limit_c is None:
        return False
    if damper.oil_c is None:
        return None
    return damper.oil_c >= damper.oil_limit_c - (COOLED_K if is_open else 0.0)


def _heat_rising(damper: DamperView, is_open: bool) -> bool | None:
    """Tell whether a limit comes near; once it is passed, the alerts of that say so."""
    kind, low_s, body_c = damper.forecast_kind, damper.to_limit_low_s, damper.body_c
    if damper.state == OVER_LIMIT or kind == "over":
        return None
    if damper.state == HOT:
        return True
    if kind == "reaches" and low_s is not None and low_s <= (LATER_S if is_open else SOON_S):
        return True
    if not is_open:
        return False
    if kind == "near_limit" and low_s is not None and low_s <= LATER_S:
        return True
    if body_c is None:
        return None if kind is None else False
    return body_c > damper.body_limit_c - HOT_WITHIN_K - COOLED_K


def _coverage_lost(damper: DamperView, is_open: bool) -> bool | None:
    ratio = damper.recent_measured_ratio
    if ratio is None:
        return False if damper.has_ten_minutes else None
    return ratio < (COVERED_AGAIN if is_open else COVERED_LEAST)


def _bottomed(damper: DamperView, is_open: bool) -> bool | None:
    count = damper.recent_bottom_outs_count
    if count >= (1 if is_open else BOTTOM_OUTS_COUNT):
        return True
    return False if damper.has_five_minutes else None


def _damping_lost(damper: DamperView, is_open: bool) -> bool | None:  # noqa: ARG001 - its watch has the hysteresis
    state = damper.damping_state
    # Learning: begun anew for another damper or after a service, so what was lost is no longer this one's.
    return None if state is None or state == "unknown" else state == "lost"


def _charge_leaking(damper: DamperView, is_open: bool) -> bool | None:  # noqa: ARG001 - as above
    return damper.gas_leaking


JUDGES: tuple[tuple[str, Judge], ...] = (
    (BODY_OVER_LIMIT, _body_over_limit),
    (OIL_OVER_LIMIT, _oil_over_limit),
    (HEAT_RISING, _heat_rising),
    (COVERAGE_LOST, _coverage_lost),
    (BOTTOMED, _bottomed),
    (DAMPING_LOST, _damping_lost),
    (CHARGE_LEAKING, _charge_leaking),
)


def judge(view: VehicleView, open_keys: Collection[Key]) -> tuple[set[Key], set[Key]]:
    """Return the conditions that hold, and the open ones of which nobody knows now.

    Args:
        view: the moment. open_keys: alerts that are open, for which other thresholds count.
    """
    holding: set[Key] = set()
    unknown: set[Key] = set()
    for position, damper in view.dampers.items():
        if not damper.unit_id:
            unknown.update(key for key in open_keys if key[1] == position)
            continue
        holding.update((DAMPER_FAULT, position, fault) for fault in damper.faults)
        for kind, ask in JUDGES:
            key = (kind, position, "")
            is_open = key in open_keys
            answer = ask(damper, is_open)
            if answer:
                holding.add(key)
            elif answer is None and is_open:
                unknown.add(key)
    if view.not_stored_s > STANDING_S:
        holding.add((DISK, "", ""))
    if not view.utc_trusted:
        holding.add((CLOCK, "", ""))
    return holding, unknown


def say(key: Key, view: VehicleView) -> Words:
    """Return the words for a condition that holds."""
    kind, position, subject = key
    remedy = RULES[kind].remedy
    if kind == DISK:
        return Words(view.source_text or "the disk takes nothing; readings and totals stand still", remedy)
    if kind == CLOCK:
        return Words("nothing has vouched for the date for 10 minutes; points wait, duty goes on", remedy)
    damper, where = view.dampers[position], say_where(position)
    if kind == DAMPER_FAULT and damper.state.startswith("no_"):
        remedy = damper.state_text
    return Words(f"{where}: {_matter(kind, subject, damper)}", remedy)


def _matter(kind: str, subject: str, damper: DamperView) -> str:
    """Return what is the matter with a damper."""
    if kind == DAMPER_FAULT:
        return subject.replace("_", " ")
    if kind == BODY_OVER_LIMIT:
        return f"body over its limit of {damper.body_limit_c:g} °C"
    if kind == OIL_OVER_LIMIT:
        return f"oil, as estimated, over its limit of {damper.oil_limit_c:g} °C"
    if kind == HEAT_RISING:
        if damper.forecast_kind == "reaches" and damper.forecast_text:
            return damper.forecast_text
        return f"body less than {HOT_WITHIN_K:g} K below its limit of {damper.body_limit_c:g} °C"
    if kind == COVERAGE_LOST:
        percent = 100.0 * (damper.recent_measured_ratio or 0.0)
        return f"only {percent:.0f} % of its motion of the last 10 minutes was measured"
    if kind == BOTTOMED:
        trip = f", {damper.trip_bottom_outs_count} in this trip" if damper.trip_bottom_outs_count else ""
        return f"{damper.recent_bottom_outs_count} bottom-outs in 5 minutes{trip}"
    if kind == DAMPING_LOST:
        return damper.damping_text or "it turns less motion into heat than it did"
    return damper.gas_text or "its gas charge falls"
