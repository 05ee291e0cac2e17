"""Duty that comes by radio: of vehicles whose owner agreed, one damper a message, unsigned (shared/TOPICS.md, duty).

A message is checked field by field and only what is named here is taken: no place on earth can come in. The newest by
(revision, seq) is kept; an entry is made at most once an hour for each damper, so that the chain doesn't grow with
every minute of a drive.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from dutylog.bench.canonical import Kind
from dutylog.bench.facts_card import facts_of_card
from dutylog.bench.store.append import Transaction
from dutylog.bench.store.chain import Who
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper
from dutylog.bench.store.store import Store
from dutylog.bench.strict_json import read_object
from dutylog.bench.taking_in import put_due
from dutylog.clock import Clock
from dutylog.errors import CardRefused, InputError, one_line
from dutylog.units import NS_PER_S

ROOT = "dutylog/v1"
SCHEMA = 1
LARGEST_BYTES = 8192
"""Of a message; a real one has 700. Source: measured, and room for fields to come."""
HOLD_S = 3600.0
"""Between two entries of a damper. Source: judgement: a forecast in weeks needs no more."""
MOST_HELD = 4096
"""Dampers of which something waits to be written. Source: judgement."""
RADIO_WHO = Who("duty by radio", "program")
_DUTY = Kind("duty by radio", "", b"", LARGEST_BYTES, 3)
_LEVEL = re.compile(r"[A-Za-z0-9_-]{1,64}", re.ASCII)
_MICRO = 1e6
TOTALS: Mapping[str, tuple[str, float, float]] = {
    # published name: (name in totals, times, most that can be)
    "energy_compression_total_j": ("energy_compression_uj", _MICRO, 4e9),
    "energy_rebound_total_j": ("energy_rebound_uj", _MICRO, 4e9),
    "shaft_travel_total_m": ("shaft_travel_um", _MICRO, 1e9),
    "measured_total_s": ("measured_us", _MICRO, 4e9),
    "unmeasured_total_s": ("unmeasured_us", _MICRO, 4e9),
    "moving_total_s": ("moving_us", _MICRO, 4e9),
    "moving_measured_total_s": ("moving_measured_us", _MICRO, 4e9),
    "strokes_total_count": ("strokes_count", 1, 1e12),
    "bottom_outs_total_count": ("bottom_outs_count", 1, 1e12),
}
"""What is taken of a message, all of it needed. Most: judgement, more than any damper lives, and below 2^53."""


@dataclass(frozen=True, slots=True)
class DutyHeard:
    """A checked message. totals: whole micro-units, by the names of duty/totals.py."""

    vehicle_id: str
    unit_id: str
    revision: int
    sequence: int
    totals: Mapping[str, int]

    @property
    def order(self) -> tuple[int, int]:
        """Return what tells the newer of two of a damper."""
        return self.revision, self.sequence


def duty_pattern(vehicle_id: str) -> str | None:
    """Return what to subscribe to for a vehicle, None where its id can't stand in a topic."""
    return f"{ROOT}/{vehicle_id}/duty/+" if _LEVEL.fullmatch(vehicle_id) else None


def parse_duty(topic: str, payload: bytes) -> DutyHeard:
    """Return what a message says.

    Raises:
        InputError: another topic, too long, no such JSON, a field that lacks, is of another damper or can't be.
    """
    levels = topic.split("/")
    if len(levels) != 5 or "/".join(levels[:2]) != ROOT or levels[3] != "duty":
        raise InputError(f"topic {one_line(topic, 80)!r}: no duty of a damper")
    if not (_LEVEL.fullmatch(levels[2]) and _LEVEL.fullmatch(levels[4])):
        raise InputError(f"topic {one_line(topic, 80)!r}: ids are letters, digits, - and _, at most 64")
    try:
        told = read_object(payload, _DUTY)
    except CardRefused as err:
        raise InputError(str(err)) from err
    if told.get("schema") != SCHEMA or isinstance(told["schema"], bool):
        raise InputError(f"duty by radio: schema {one_line(repr(told.get('schema')), 20)}, this dutylog reads {SCHEMA}")
    if told.get("unit_id") != levels[4]:
        raise InputError(f"duty by radio: of unit {one_line(repr(told.get('unit_id')), 60)} under the topic of another")
    totals = {name: _total(told, field, times, most) for field, (name, times, most) in TOTALS.items()}
    if totals["moving_measured_us"] > totals["moving_us"]:
        raise InputError("duty by radio: more was measured while moving than it moved")
    return DutyHeard(levels[2], levels[4], _whole(told, "revision"), _whole(told, "seq"), totals)


def find_damper(reading: Reading, heard: DutyHeard) -> Damper | None:
    """Return whose duty it is: a known damper of a vehicle of that id whose owner agreed; None where there is none."""
    for damper in reading.find_dampers(unit_id=heard.unit_id):
        vehicle = None if damper.vehicle_key is None else reading.vehicle(damper.vehicle_key)
        if vehicle is not None and vehicle.radio_agreed_by and vehicle.vehicle_id == heard.vehicle_id:
            return damper
    return None


def write_duty(store: Store, heard: DutyHeard, today: date, utc: str) -> bool:
    """Keep a message and move the forecasts of its damper; returns whether anything was written.

    Args:
        utc: when it was heard.
    """
    with store.read() as reading:
        damper = find_damper(reading, heard)
        if damper is None or not _is_newer(reading, damper, heard):
            return False
    with store.write(RADIO_WHO) as tx:
        damper = find_damper(tx.read, heard)
        if damper is None or not _is_newer(tx.read, damper, heard):
            return False
        data = {"vehicle_id": heard.vehicle_id, "unit_id": heard.unit_id, "revision": heard.revision}
        data |= {"sequence": heard.sequence, "utc": utc, "totals": dict(heard.totals)}
        tx.append("radio_duty", data, damper.damper_id)
        _move_forecast(tx, damper, today)
    return True


class RadioBook:
    """Holds what was heard until it is to be written. Belongs to one thread."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store = store
        self._clock = clock
        self._waiting: OrderedDict[str, tuple[DutyHeard, int]] = OrderedDict()
        self._written_ns: dict[str, int] = {}
        self.heard_count = 0
        self.refused_count = 0
        self.problem = ""

    def take(self, topic: str, payload: bytes) -> bool:
        """Hold a message for later; False where it can't be one, which is counted."""
        try:
            heard = parse_duty(topic, payload)
        except InputError as err:
            self._refuse(err)
            return False
        self.heard_count += 1
        held = self._waiting.get(heard.unit_id)
        if held is None or heard.order > held[0].order:
            self._waiting[heard.unit_id] = heard, self._clock.utc_ns()
        if len(self._waiting) > MOST_HELD:
            self._waiting.popitem(last=False)
        return True

    def write(self, utc_text: Callable[[int], str], today: date, is_end: bool = False) -> int:
        """Write what is due and return how many; is_end: all of it.

        Args:
            utc_text: gives the store's text of a wall time [ns].
        Raises:
            StoreError: out of reach; what was not written is held on.
        """
        now_ns, count = self._clock.mono_ns(), 0
        for unit_id in list(self._waiting):
            last_ns = self._written_ns.get(unit_id)
            if not is_end and last_ns is not None and now_ns - last_ns < HOLD_S * NS_PER_S:
                continue
            heard, heard_ns = self._waiting[unit_id]
            try:
                is_written = write_duty(self._store, heard, today, utc_text(heard_ns))
            except InputError as err:
                self._refuse(err)
                is_written = False
            if is_written:
                count += 1
                self._written_ns[unit_id] = now_ns
            del self._waiting[unit_id]
        if len(self._written_ns) > MOST_HELD:
            self._written_ns.clear()
        return count

    def _refuse(self, err: InputError) -> None:
        self.refused_count += 1
        self.problem = one_line(err, 200)


def _is_newer(reading: Reading, damper: Damper, heard: DutyHeard) -> bool:
    stands = reading.radio(damper.damper_id)
    if stands is None or stands.unit_id != heard.unit_id:
        return True
    return heard.order > (stands.revision, stands.sequence) and dict(stands.totals) != dict(heard.totals)


def _move_forecast(tx: Transaction, damper: Damper, today: date) -> None:
    """Write the forecasts of a damper anew where its newest card is of the same unit."""
    card = tx.read.newest_card(damper.damper_id)
    if card is not None:
        put_due(tx, damper.damper_id, facts_of_card(card), today)


def _total(told: Mapping[str, Any], name: str, times: float, most: float) -> int:
    value = told.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= most:
        raise InputError(f"duty by radio: {name} {one_line(repr(value), 40)}, expected 0 to {most:g}")
    if times == 1 and value != int(value):
        raise InputError(f"duty by radio: {name} {value!r}, expected a whole number")
    return round(value * times)


def _whole(told: Mapping[str, Any], name: str) -> int:
    value = told.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise InputError(f"duty by radio: {name} {one_line(repr(value), 40)}, expected a whole number from 0")
    return value
