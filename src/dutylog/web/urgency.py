"""Which damper needs a look first: one order for the live page, its big type and the line for radio."""

from __future__ import annotations

import math
from enum import IntEnum

from dutylog.engine.state import HOT, NO_DATA, NO_TEMPERATURE, NO_TRAVEL, OVER_LIMIT, WARM
from dutylog.publish.snapshot import DamperNow, Snapshot

SOON_S = 300.0
"""A limit closer than this counts like a body that is hot. Source: judgement, a stretch between two stops."""


class Need(IntEnum):
    """How much a damper needs a look; lower comes first. Source: judgement; what can do harm outranks what is blind."""

    OVER = 0
    SOON = 1
    LATER = 2
    NEAR = 3
    DAMPING_LOST = 4
    BLIND = 5
    NONE = 6


def need_of(damper: DamperNow) -> Need:
    """Return how much one damper needs a look."""
    if damper.state == OVER_LIMIT or damper.forecast_kind == "over":
        return Need.OVER
    seconds = damper.to_limit_s if damper.forecast_kind == "reaches" else None
    if damper.state == HOT or (seconds is not None and seconds <= SOON_S):
        return Need.SOON
    if seconds is not None:
        return Need.LATER
    if damper.state == WARM or damper.forecast_kind == "near_limit":
        return Need.NEAR
    if damper.damping_state == "lost":
        return Need.DAMPING_LOST
    return Need.BLIND if damper.state in (NO_DATA, NO_TEMPERATURE, NO_TRAVEL) else Need.NONE


def by_urgency(snapshot: Snapshot) -> list[DamperNow]:
    """Return the dampers, first the one that needs a look most: need, time to the limit, kelvin below a limit."""
    return sorted(snapshot.dampers, key=lambda damper: (need_of(damper), _seconds(damper), _room_k(damper)))


def _seconds(damper: DamperNow) -> float:
    known = damper.forecast_kind == "reaches" and damper.to_limit_s is not None
    return damper.to_limit_s if known and damper.to_limit_s is not None else math.inf


def _room_k(damper: DamperNow) -> float:
    """Return kelvin left below the nearer limit; infinite where no temperature is known."""
    pairs = ((damper.body_c, damper.body_limit_c), (damper.oil_c, damper.oil_limit_c))
    return min((limit - now for now, limit in pairs if now is not None and limit is not None), default=math.inf)
