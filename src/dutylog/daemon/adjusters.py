"""What adjusters stand on while days pass: each new setting is written down and has its damping baseline learned anew.

The vehicle file says from which day on a setting counts (shared/CONFIG.md, Adjuster settings). Damping output belongs
to a unit in a place and a setting (shared/DAMPING.md), so what was learned at another setting of theirs must go.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from dutylog.clock import Clock
from dutylog.daemon.core_settings import CoreSettings
from dutylog.domain.vehicle import Setting, setting_on
from dutylog.errors import LedgerCorrupt, LedgerError
from dutylog.ledger.command import SCHEMA
from dutylog.ledger.command_fields import DAMPING, HEAT_RESETS
from dutylog.ledger.counters import HEAT_RESET
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Stamp, Unit
from dutylog.units import NS_PER_S

ENTRY_KIND = "setting"
LOOK_NS = 3600 * NS_PER_S
"""A day that has passed is noticed within this (judgement: driving starts seldom at midnight UTC)."""
CLOCK_NS = NS_PER_S
"""A clock that nobody vouches for is looked at again after this, as core does to date what it recorded."""


class Adjusters:
    """Compares the setting in force today with the one last written down of the same unit in the same place."""

    def __init__(self, ledger: Ledger, settings: CoreSettings, clock: Clock, say: Callable[[str], None]) -> None:
        """say: takes one line for people. Today's settings say nothing of a recording, so one has none."""
        dampers = () if settings.source_kind == "recording" else settings.vehicle.dampers
        self._dampers = tuple(damper for damper in dampers if damper.settings)
        self._ledger, self._clock, self._say = ledger, clock, say
        self._next_ns = 0

    def look_soon(self) -> None:
        """Let the next round look: another unit may sit there now."""
        self._next_ns = 0

    def poll(self, stamp: Callable[[], Stamp], apply: Callable[[dict[str, Any]], Mapping[str, Any]]) -> None:
        """Look once an hour, and soon after a start, a change of units, or the setting of the clock.

        Args:
            stamp: tells the time, and whether somebody vouches for it; without that nothing is decided.
            apply: does a command (shared/LEDGER.md) and returns its reply.
        Raises:
            LedgerCorrupt: the ledger is damaged.
        """
        now_ns = self._clock.mono_ns()
        if not self._dampers or now_ns < self._next_ns:
            return
        moment = stamp()
        if not moment.utc_trusted:
            self._next_ns = now_ns + CLOCK_NS
            return
        try:
            self._settle(datetime.fromtimestamp(moment.utc_ns / NS_PER_S, UTC).date(), apply)
        except LedgerCorrupt:
            raise
        except LedgerError as err:
            self._say(f"settings of adjusters can't be written down now: {err}; it is tried again in an hour")
        # Last: a command done on the way asks to look soon.
        self._next_ns = now_ns + LOOK_NS

    def _settle(self, today: date, apply: Callable[[dict[str, Any]], Mapping[str, Any]]) -> None:
        installed, known = self._ledger.installed(), recorded_settings(self._ledger)
        for damper in self._dampers:
            unit, setting = installed.get(damper.position), setting_on(damper, today)
            if unit is None or setting is None:
                continue
            before = known.get((unit.unit_id, damper.position))
            if before == setting:
                continue
            is_changed = before is not None and not setting.has_same_adjusters(before)
            if is_changed:
                # First: if this is all that comes about, it is done once more, which takes nothing from anybody.
                request = {"command": HEAT_RESET, "position": damper.position, "what": DAMPING}
                reply = apply({"schema": SCHEMA, **request})
                if not reply["ok"]:
                    raise LedgerError(str(reply["error"]))
            data = {"position": damper.position, **setting.to_dict()}
            self._ledger.append_entry(ENTRY_KIND, unit.unit_id, data, self._ledger.cursor().hot_sequence)
            self._say(_line(damper.position, unit, setting, is_changed=is_changed))


def recorded_settings(ledger: Ledger) -> dict[tuple[str, str], Setting]:
    """Return the setting last written down of each unit in each place, by unit_id and position."""
    found = {}
    for entry in ledger.entries_of(ENTRY_KIND):
        with decoding(ledger.path, f"entry {entry.row}"):
            data = json.loads(entry.data)
            found[str(entry.unit_id), str(data["position"])] = Setting.from_dict(data)
    return found


def _line(position: str, unit: Unit, setting: Setting, *, is_changed: bool) -> str:
    told = f"{position}, damper {unit.label}: adjusters stand on {setting.name} since {setting.from_day}"
    return f"{told}; {HEAT_RESETS[DAMPING]}" if is_changed else told
