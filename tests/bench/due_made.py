"""Rows of the due board made by hand: what tests of board, parts and texts share. Names are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from dutylog.bench.store.rows import DueRow

TODAY = date(2026, 11, 30)
"""A Monday."""


def due(
    damper: str = "d-1", part: str = "shaft_seal", days: tuple[int, int, int] = (20, 40, 80), **changes: Any
) -> DueRow:
    """Return a part that is due so many days from TODAY: early, likely, late."""
    early, likely, late = ((TODAY + timedelta(days=one)).isoformat() for one in days)
    order_by = (TODAY + timedelta(days=days[0] - 21)).isoformat()
    row = DueRow(
        damper, part, early, likely, late, order_by, 0.5, TODAY.isoformat(), "card", f"SN-{damper}", None, None,
        "front_left", "desert", "floating_piston", "hose", "rod_end", "v-1", "Old Red", "c-1", "Dee Example",
    )  # fmt: skip
    return replace(row, **changes)
