"""Made-up alerts of a snapshot."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dutylog.publish.snapshot import AlertNow


def alert_now(alert_id: str, **changes: Any) -> AlertNow:
    """Return an alert as core's snapshot has it."""
    base = AlertNow(
        alert_id, "damper_fault", "front_left", "gap", "raised", "advice", "front left: gap", "check its sensor", 12.0
    )
    return replace(base, **changes)
