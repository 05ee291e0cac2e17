"""When somebody has to be told: raised and cleared conditions, made of successive snapshots, in one place.

Reads no clock and no file, so what it says follows from what it is given. Thresholds are judgement.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from dutylog.engine.state import OVER_LIMIT, STATE_TEXTS
from dutylog.publish.output import OutputHealth
from dutylog.publish.points import Moment
from dutylog.publish.snapshot import DamperNow, Snapshot
from dutylog.units import NS_PER_S

DAMPER_FAULT = "damper_fault"
BODY_OVER_LIMIT = "body_over_limit"
DISK = "disk"
OUTPUT_REFUSED = "output_refused"
CLOCK = "clock_not_trusted"
KINDS = (DAMPER_FAULT, BODY_OVER_LIMIT, DISK, OUTPUT_REFUSED, CLOCK)
RAISED = "raised"
CLEARED = "cleared"

HOLD_NS = {DAMPER_FAULT: 2 * NS_PER_S, BODY_OVER_LIMIT: 2 * NS_PER_S, CLOCK: 600 * NS_PER_S}
"""A condition must hold so long before it is raised: a single reading is none."""
CLEAR_NS = 2 * NS_PER_S
"""It must be gone so long before it is cleared: what comes and goes each second is one alert."""
STANDING_S = 3.0
"""A disk that took nothing for so long: readings that stand still are stale on the page too."""
COOLED_K = 2.0
"""So far below its limit a body counts as cooled, so that one at the limit doesn't flutter."""
OPEN_LIMIT = 200

Key = tuple[str, str, str]
"""Kind, position (empty: the vehicle) and subject: the fault, the output (empty: none)."""


@dataclass(frozen=True, slots=True)
class Alert:
    """One message; id is its own. mono_s, boot_id: when it was raised or cleared, clock of this machine's boot.

    subject: which fault or output, None where the kind says it all. text: what is the matter; remedy:
    what someone can do, addressed to co-driver or crew.
    """

    id: str
    kind: str
    position: str | None
    subject: str | None
    state: str
    text: str
    remedy: str
    boot_id: str
    mono_s: float
    utc_ns: int | None


@dataclass(frozen=True, slots=True)
class _Words:
    text: str
    remedy: str


class AlertWatch:
    """Remembers which conditions hold since when; says each change once."""

    def __init__(self, kept: str | None = None, new_id: Callable[[], str] = lambda: str(uuid.uuid4())) -> None:
        """kept: what `kept` returned before the last stop, so that what is open then is cleared later."""
        self._open: set[Key] = _parse_kept(kept)
        self._new_id = new_id
        self._changing: dict[Key, int] = {}

    def kept(self) -> str:
        """Return the open alerts as a line to be kept."""
        return json.dumps(sorted(self._open), separators=(",", ":"))

    def take(self, snapshot: Snapshot | None, outputs: Iterable[OutputHealth], now: Moment) -> list[Alert]:
        """Return the alerts that this moment raises or clears.

        Args:
            snapshot: the newest, None while none comes: then what it would say stays as it was.
            outputs: how each receiver is doing.
        """
        holding = _of_outputs(outputs)
        if snapshot is not None:
            holding |= self._of_snapshot(snapshot)
        alerts = []
        for key in sorted(holding.keys() - self._open):
            if self._has_held(key, now.mono_ns, HOLD_NS.get(key[0], 0)) and len(self._open) < OPEN_LIMIT:
                self._open.add(key)
                alerts.append(self._alert(key, RAISED, holding[key], now))
        for key in sorted(self._open - holding.keys()):
            if snapshot is None and key[0] != OUTPUT_REFUSED:
                self._changing.pop(key, None)
            elif self._has_held(key, now.mono_ns, CLEAR_NS):
                self._open.discard(key)
                alerts.append(self._alert(key, CLEARED, _Words(_over(key), ""), now))
        self._forget(holding)
        return alerts

    def _has_held(self, key: Key, mono_ns: int, hold_ns: int) -> bool:
        """Return whether the change has lasted; once it has, it is no change any more."""
        if mono_ns - self._changing.setdefault(key, mono_ns) < hold_ns:
            return False
        del self._changing[key]
        return True

    def _forget(self, holding: dict[Key, _Words]) -> None:
        """Forget changes that didn't last."""
        for key in list(self._changing):
            if (key in holding) == (key in self._open):
                del self._changing[key]

    def _of_snapshot(self, snapshot: Snapshot) -> dict[Key, _Words]:
        found: dict[Key, _Words] = {}
        for damper in snapshot.dampers:
            found |= self._of_damper(damper)
        if max(snapshot.standing_s, snapshot.not_storing_s, snapshot.unsaved_s) > STANDING_S:
            text = snapshot.source.state_text or "the disk takes nothing; readings and totals stand still"
            found[DISK, "", ""] = _Words(text, "free some space or check the card; what comes meanwhile may be lost")
        if not snapshot.utc_trusted:
            text = "nothing has vouched for the date for 10 minutes; points wait, duty goes on"
            found[CLOCK, "", ""] = _Words(text, "bring the logger to a network or set its clock")
        return found

    def _of_damper(self, damper: DamperNow) -> dict[Key, _Words]:
        where = damper.position.replace("_", " ")
        found: dict[Key, _Words] = {}
        for fault in damper.faults:
            remedy = (
                damper.state_text if damper.state.startswith("no_") else "check its sensor and plug at the next stop"
            )
            found[DAMPER_FAULT, damper.position, fault] = _Words(f"{where}: {fault.replace('_', ' ')}", remedy)
        key = (BODY_OVER_LIMIT, damper.position, "")
        limit_c = damper.body_limit_c
        is_still = key in self._open and damper.body_c is not None and damper.body_c > limit_c - COOLED_K
        if damper.state == OVER_LIMIT or is_still:
            found[key] = _Words(f"{where}: body over its limit of {limit_c:g} °C", STATE_TEXTS[OVER_LIMIT])
        elif key in self._open and damper.body_c is None:
            found[key] = _Words("", "")  # nobody knows that it has cooled
        return found

    def _alert(self, key: Key, state: str, words: _Words, now: Moment) -> Alert:
        kind, position, subject = key
        return Alert(
            id=self._new_id(),
            kind=kind,
            position=position or None,
            subject=subject or None,
            state=state,
            text=words.text,
            remedy=words.remedy,
            boot_id=now.boot_id,
            mono_s=now.mono_ns / NS_PER_S,
            utc_ns=now.utc_ns,
        )


def _of_outputs(outputs: Iterable[OutputHealth]) -> dict[Key, _Words]:
    remedy = "check name, password or token, and rights at the receiver; everything is kept meanwhile"
    return {
        (OUTPUT_REFUSED, "", output.name): _Words(output.problem or f"{output.name} refuses us", remedy)
        for output in outputs
        if output.is_refused
    }


def _over(key: Key) -> str:
    kind, position, subject = key
    where = f"{position.replace('_', ' ')}: " if position else ""
    return {
        DAMPER_FAULT: f"{where}{subject.replace('_', ' ')} is over",
        BODY_OVER_LIMIT: f"{where}body has cooled below its limit",
        DISK: "the disk takes data again",
        OUTPUT_REFUSED: f"{subject} doesn't refuse us any more",
        CLOCK: "the date is trusted",
    }.get(kind, f"{where}{kind} is over")


def _parse_kept(text: str | None) -> set[Key]:
    """Return kept alerts; a line that can't be read counts as none: they are raised again."""
    try:
        kept = json.loads(text or "[]")
        return {(str(kind), str(position), str(subject)) for kind, position, subject in kept[:OPEN_LIMIT]}
    except (ValueError, TypeError, KeyError, RecursionError):
        return set()
