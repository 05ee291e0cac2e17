"""Commands that change the ledger: hostile bytes in, a checked request, its effect, one line back.

JSON lines over the Unix socket DATA/core.sock; field tables in shared/LEDGER.md.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, NoReturn

from dutylog.errors import InputError, LedgerError
from dutylog.ledger import (
    calibrations,
    card_entries,
    gas_readings,
    life_entries,
    push_tests,
    service_records,
    taken_records,
    trip_mend,
    trip_notes,
)
from dutylog.ledger.command_fields import COMMANDS, DAMPING, HEAT_RESETS, OIL, FieldRule
from dutylog.ledger.counters import HEAT_RESET
from dutylog.ledger.installs import check_profile
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.names import NAME_LIMIT, check_text, nearest
from dutylog.ledger.rows import AlertRow, EntryDraft, Unit

SCHEMA = 1
LINE_LIMIT = 65_536
"""Bytes of one request or reply, its newline included."""
_ENVELOPE = ("schema", "command")


@dataclass(frozen=True, slots=True)
class Effect:
    """What the engine must learn of a command: becomes an event frame of the raw log.

    kind: 'install', 'remove', 'calibrate' or 'heat_reset'. data: the event's fields after shared/RECORDING.md.
    """

    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Applied:
    """A reply for the sender, and the effects to write to the raw log."""

    reply: dict[str, Any]
    effects: tuple[Effect, ...] = ()


Doer = Callable[[Ledger, Mapping[str, Any], int | None], Applied]
"""Does a checked request; see apply_command."""


def parse_request(line: bytes) -> dict[str, Any]:
    """Return the request in a line from the socket, every field checked.

    Raises:
        InputError: too long, no JSON object, unknown schema, command or field, a field unfit or missing.
    """
    if len(line) > LINE_LIMIT:
        raise InputError(f"request of {len(line)} bytes, at most {LINE_LIMIT} are allowed")
    try:
        request = json.loads(line.decode("utf-8"), object_pairs_hook=_no_doubles, parse_constant=_no_constant)
    except (ValueError, RecursionError) as err:
        raise InputError(f"request is no JSON: {str(err).splitlines()[0]:.120}") from err
    if not isinstance(request, dict):
        raise InputError("request is no JSON object")
    return check_request(request)


def check_request(request: Mapping[str, Any]) -> dict[str, Any]:
    """Return a checked copy of a request; see parse_request."""
    schema, command = request.get("schema"), request.get("command")
    if type(schema) is not int or schema != SCHEMA:
        raise InputError(f"request of schema {schema!r:.40}, this version knows {SCHEMA}")
    if not isinstance(command, str) or command not in COMMANDS:
        raise InputError(f"unknown command {command!r:.40}; {nearest(str(command)[:NAME_LIMIT], COMMANDS)}")
    rules = COMMANDS[command]
    for name in request:
        if name not in rules and name not in _ENVELOPE:
            raise InputError(f"command {command}: unknown field {name!r:.40}; {nearest(name[:NAME_LIMIT], rules)}")
    checked: dict[str, Any] = {"schema": SCHEMA, "command": command}
    for name, rule in rules.items():
        checked[name] = _check_field(command, name, rule, request.get(name))
    return checked


def apply_command(ledger: Ledger, request: Mapping[str, Any], sequence: int | None = None) -> Applied:
    """Do what a request asks; whatever is wrong with it becomes a reply, never an exception.

    Args:
        ledger: open for writing.
        request: as sent; it is checked here.
        sequence: number of the next frame of the raw log, None when no daemon runs (the cursor's then counts).
    """
    try:
        checked = check_request(request)
        return _DOERS[checked["command"]](ledger, checked, sequence)
    except (LedgerError, InputError) as err:
        return Applied(refusal(err))


def refusal(err: Exception) -> dict[str, Any]:
    """Return the reply that says why nothing was done."""
    return {"schema": SCHEMA, "ok": False, "error": " ".join(str(err).split())[:500]}


def encode_line(message: Mapping[str, Any]) -> bytes:
    """Return a request or reply as one line of bytes."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"


def _ping(_ledger: Ledger, _request: Mapping[str, Any], _sequence: int | None) -> Applied:
    return Applied({"schema": SCHEMA, "ok": True, "text": "here"})


def _add(ledger: Ledger, request: Mapping[str, Any], _sequence: int | None) -> Applied:
    vehicle = ledger.vehicle()
    if vehicle is not None:
        check_profile(vehicle, request["profile"])
    unit = ledger.add_unit(request["serial"], request["profile"], request["note"])
    text = f"added damper {unit.label}" + (" (our own tag: mark the damper with it)" if unit.serial is None else "")
    return Applied(_done(unit, text))


def _install(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    unit = ledger.find_unit(request["unit"])
    stay = ledger.install(unit.unit_id, request["position"], sequence=sequence)
    event = {"position": stay.position, "unit_id": unit.unit_id, "serial": unit.serial, "profile": unit.profile}
    reply = _done(unit, f"damper {unit.label} counts at {stay.position} from now on")
    return Applied({**reply, "position": stay.position}, (Effect("install", event),))


def _remove(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    unit = ledger.find_unit(request["unit"])
    stay = ledger.remove(unit.unit_id, sequence=sequence)
    event = {"position": stay.position, "unit_id": unit.unit_id}
    reply = _done(unit, f"damper {unit.label} left {stay.position} and is on the shelf")
    return Applied({**reply, "position": stay.position}, (Effect("remove", event),))


def _rename_trip(ledger: Ledger, request: Mapping[str, Any], _sequence: int | None) -> Applied:
    key, name = ledger.rename_trip(request["trip"], request["name"]), request["name"]
    text = f"trip {key} has no name now" if name is None else f"trip {key} is called {name} now"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "trip": _number_or_key(key)})


def _number_or_key(key: str) -> int | str:
    """Return a trip's number, as replies have always had it, or the key of a part."""
    return int(key) if key.isdecimal() else key


def _mend(write: Callable[[Ledger, Mapping[str, Any], int | None], trip_mend.Mended]) -> Doer:
    """Return what does one of the repairs of trips."""

    def do(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
        done = write(ledger, request, sequence)
        reply = {"schema": SCHEMA, "ok": True, "text": done.text, "trip": _number_or_key(done.key), "entry": done.row}
        return Applied(reply)

    return do


def _acknowledge(ledger: Ledger, request: Mapping[str, Any], _sequence: int | None) -> Applied:
    return Applied(acknowledged_reply(ledger.acknowledge_alert(request["alert"], request["by"]).row, request["by"]))


def acknowledged_reply(row: AlertRow, by: str) -> dict[str, Any]:
    """Return the reply to who has acknowledged an alert, perhaps after somebody else."""
    first = by if row.acknowledged is None else row.acknowledged.by
    text = f"{row.text}: seen by {first}" + ("" if first == by else ", whose name stays")
    return {"schema": SCHEMA, "ok": True, "text": text, "alert": row.alert_id, "acknowledged_by": first}


def _calibrate(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = calibrations.store(ledger, request, sequence)
    signed, data = done.signed, calibrations.effect_data(done)
    what = "travel sensor" if request["kind"] == calibrations.TRAVEL else "body thermocouple"
    text = f"calibration of the {what} at {signed.position} stored by {signed.by} as entry {signed.row}"
    reply = {"schema": SCHEMA, "ok": True, "text": text, "position": signed.position, "entry": signed.row}
    return Applied(reply, (Effect("calibrate", data),))


def _heat_reset(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    position, what = request["position"], request["what"]
    installed = ledger.installed()
    if position not in installed:
        raise LedgerError(f"no damper counts at {position!r}; {nearest(position, installed)}")
    unit, data = installed[position], {"position": position, "what": what}
    ledger.append_entry(
        HEAT_RESET, unit.unit_id, data, ledger.cursor().hot_sequence + 1 if sequence is None else sequence
    )
    text = f"{position}, damper {unit.label}: {HEAT_RESETS[what]}"
    return Applied({**_done(unit, text), "position": position}, (Effect(HEAT_RESET, data),))


def _push_test(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = push_tests.store(ledger, request, sequence)
    corners = "1 corner" if len(done.corners) == 1 else f"{len(done.corners)} corners"
    text = f"push test of {corners} stored by {done.by} as entry {done.row}"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": done.row})


def _service(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = life_entries.store_service(ledger, request, sequence)
    unit = ledger.find_unit(request["unit"])
    parts = [f"replaced {', '.join(done.replaced)}"] if done.replaced else []
    parts += [f"found {part} {grade}" for part, grade in done.found.items()]
    text = f"service of damper {unit.label} on {done.said.day or 'a day nobody knows'}: {'; '.join(parts)}"
    effects: tuple[Effect, ...] = ()
    if OIL in done.replaced:
        told, effects = _forget_damping(ledger, unit, sequence, done.said.day)
        text += told
    return Applied(_told(unit, done.said.row, text), effects)


def _forget_damping(
    ledger: Ledger, unit: Unit, sequence: int | None, day: date | None
) -> tuple[str, tuple[Effect, ...]]:
    """Forget the baseline of a unit's damping output in each place it has sat in: it belonged to the oil of then.

    day: when the new oil came, None unknown. Returns what to tell people, and what the engine must learn.
    """
    for draft, at in _damping_resets(ledger, unit, sequence):
        ledger.append_entry(draft.kind, draft.unit_id, draft.data, at)
    return _say_forgotten(ledger, unit, day)


def _damping_resets(ledger: Ledger, unit: Unit, sequence: int | None) -> list[tuple[EntryDraft, int]]:
    at = ledger.cursor().hot_sequence + 1 if sequence is None else sequence
    places = dict.fromkeys(stay.position for stay in ledger.installs_of(unit.unit_id))
    return [(EntryDraft(HEAT_RESET, unit.unit_id, {"position": place, "what": DAMPING}), at) for place in places]


def _say_forgotten(ledger: Ledger, unit: Unit, day: date | None) -> tuple[str, tuple[Effect, ...]]:
    stays = ledger.installs_of(unit.unit_id)
    if not stays:
        return "", ()
    today = life_entries.known_day(ledger.stamp().utc_ns)
    is_past = day is not None and today is not None and day < today
    since = f" (also what was learned since {day})" if is_past else ""
    here = [stay.position for stay in stays if stay.to_sequence is None]
    effects = tuple(Effect(HEAT_RESET, {"position": position, "what": DAMPING}) for position in here)
    return f"; {HEAT_RESETS[DAMPING]}{since}", effects


def _service_record(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    unit, day = ledger.find_unit(request["unit"]), date.fromisoformat(request["on"])
    is_other = OIL in request["replaced"] or request["profile"] is not None
    resets = _damping_resets(ledger, unit, sequence) if is_other else []
    done = service_records.store(ledger, request, sequence, resets)
    told, effects = _say_forgotten(ledger, unit, day) if is_other else ("", ())
    text = f"record {request['sequence']} of {request['bench']} taken for damper {unit.label}: {done.text}{told}"
    reply = _told(unit, done.rows[taken_records.SERVICE_RECORD], text)
    return Applied({**reply, "entries": dict(done.rows), "notices": list(done.notices)}, effects)


def _dirt(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = life_entries.store_dirt(ledger, request, sequence)
    first, rows = done[0], [one.said.row for one in done]
    washed = "washed afterwards" if first.washed else "not washed yet"
    made = f" (made of trips {', '.join(str(one.number) for one in done)})" if len(done) > 1 else ""
    stored = f"entr{'y' if len(rows) == 1 else 'ies'} {', '.join(map(str, rows))}"
    text = f"trip {first.number}{made} had {first.what} on its shafts, {washed}; stored as {stored}"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": rows[0], "entries": rows})


def _stated_use(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = life_entries.store_use(ledger, request, sequence)
    unit = ledger.find_unit(request["unit"])
    text = f"damper {unit.label}: {done.distance_m / 1000:.0f} km of {done.mix} nobody measured ({done.kind})"
    return Applied(_told(unit, done.said.row, text))


def _shaft_mark(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = life_entries.store_mark(ledger, request, sequence)
    unit = ledger.find_unit(request["unit"])
    text = f"damper {unit.label}: {done.kind} {done.distance_mm:g} mm from the seal head"
    return Applied(_told(unit, done.said.row, text))


def _gas_reading(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = gas_readings.store(ledger, request, sequence)
    unit = ledger.find_unit(request["unit"])
    what = "filled, then read" if done.what == gas_readings.FILL else "read"
    return Applied(_told(unit, done.row, f"gas of damper {unit.label} {what} by {done.by}"))


def _care(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    request = trip_notes.to_trip(ledger, request)
    done = trip_notes.store_care(ledger, request, sequence)
    text = f"care of trip {request['trip']}: {done.item} done by {done.by}; stored as entry {done.row}"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": done.row})


def _load_note(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    request = trip_notes.to_trip(ledger, request)
    entry = trip_notes.store_load(ledger, request, sequence)
    text = f"load of trip {request['trip']}: {request['text']}; stored as entry {entry.row}"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": entry.row})


def _road_said(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    request = trip_notes.to_trip(ledger, request)
    done = trip_notes.store_road(ledger, request, sequence)
    text = f"trip {request['trip']} was on {done.kind} there, says {done.by}; stored as entry {done.row}"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": done.row})


def _withdraw(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    gone = life_entries.withdraw(ledger, request, sequence)
    text = f"entry {gone.row} ({gone.kind}) counts no longer; it stays in the chain"
    return Applied({"schema": SCHEMA, "ok": True, "text": text, "entry": gone.row})


def _card_issued(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> Applied:
    done = card_entries.store(ledger, request, sequence)
    unit = ledger.find_unit(request["unit"])
    return Applied(_told(unit, done.row, f"card {done.number} of damper {unit.label} issued by {done.by}"))


def _told(unit: Unit, row: int, text: str) -> dict[str, Any]:
    return {**_done(unit, f"{text}; stored as entry {row}"), "entry": row}


_DOERS: Mapping[str, Doer] = {
    "ping": _ping,
    "add": _add,
    "install": _install,
    "remove": _remove,
    "rename_trip": _rename_trip,
    "trip_split": _mend(trip_mend.split),
    "trip_merge": _mend(trip_mend.merge),
    "trip_not_driven": _mend(trip_mend.mark_not_driven),
    "trip_undo": _mend(trip_mend.undo),
    "acknowledge": _acknowledge,
    "heat_reset": _heat_reset,
    "calibrate": _calibrate,
    "push_test": _push_test,
    "service": _service,
    "dirt": _dirt,
    "stated_use": _stated_use,
    "shaft_mark": _shaft_mark,
    "gas_reading": _gas_reading,
    "care": _care,
    "load_note": _load_note,
    "road_said": _road_said,
    "withdraw": _withdraw,
    "service_record": _service_record,
    "card_issued": _card_issued,
}


def _done(unit: Unit, text: str) -> dict[str, Any]:
    return {"schema": SCHEMA, "ok": True, "text": text, "unit_id": unit.unit_id, "unit": unit.label}


def _check_field(command: str, name: str, rule: FieldRule, value: Any) -> Any:
    what = f"command {command}: {name}"
    if value is None:
        if rule.is_required:
            raise InputError(f"{what} is missing")
        return None
    if rule.check is not None:
        return rule.check(value, what)
    if not rule.is_number:
        return check_text(value, what, rule.limit)
    if type(value) is not int or not 1 <= value < 2**53:
        raise InputError(f"{what}: {value!r:.40} is no whole number from 1")
    return value


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a field is there twice")
    return found


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no JSON")
