"""The five rows of urgency at the bench, the most urgent first."""

from __future__ import annotations

from collections.abc import Mapping

STOP, OUTING, WITHIN, WATCH, FINE = "stop", "outing", "within", "watch", "fine"
ROWS = (STOP, OUTING, WITHIN, WATCH, FINE)
ROW_WORDS: Mapping[str, str] = {
    STOP: "do not drive",
    OUTING: "before the next outing",
    WITHIN: "within the stated miles or weeks",
    WATCH: "watch",
    FINE: "fine",
}
