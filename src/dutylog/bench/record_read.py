"""A service record from a file: its limits, its form, its signature; and what a vehicle's ledger is asked to take.

Fields and rules for people: shared/SERVICE_RECORD.md. Nothing is believed before the ledger has looked at its turn and
at its bench's key (ledger/service_records.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from dutylog.bench.canonical import RECORD, check_signature, digest_of
from dutylog.bench.card_read import check_curves, check_form
from dutylog.bench.record_schema import RECORD_FORMS
from dutylog.bench.strict_json import read_object
from dutylog.config.limits import SLUG_LENGTH, slug_complaint
from dutylog.domain.vehicle import Profile
from dutylog.errors import CardRefused, InputError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.names import NAME_LIMIT, NOTE_LIMIT
from dutylog.ledger.rows import Unit
from dutylog.ledger.taken_records import is_same_visit, read_records
from dutylog.ledger.unit_profiles import is_alike, profile_from_dict, profile_to_dict, read_changes


@dataclass(frozen=True, slots=True)
class ServiceRecord:
    """A record whose form is right and which its own key has signed. body: all of it, as its file holds it.

    visit: id of the damper's visit at that bench; job: its number, which a bench put back from a copy gives again.
    unit_id, serial: of the damper, None where the bench didn't know. profile: the new one of a revalved damper.
    """

    digest: str
    key_id: str
    bench_id: str
    bench: str
    sequence: int
    job: int
    visit: str
    day: str
    unit_id: str | None
    serial: str | None
    tag: str | None
    profile: Profile | None
    body: Mapping[str, Any]

    @property
    def label(self) -> str:
        """Return what the bench calls the damper."""
        return self.serial or self.tag or self.unit_id or "a damper without serial or tag"


def read_record(data: bytes) -> ServiceRecord:
    """Return the record that a file's bytes hold.

    Raises:
        CardRefused: with one line: too long, nested too deeply, no JSON, no record, of a newer version, a field that
            is wrong, unknown or missing, not what was signed, or a new profile whose speeds don't rise.
    """
    found = read_object(data, RECORD)
    check_form(found, RECORD, RECORD_FORMS)
    key_id = check_signature(RECORD, found)
    damper, place = found["damper"], found["record"]
    if found["profile"] is not None:
        check_curves(found["profile"], RECORD)
    try:
        profile = None if found["profile"] is None else profile_from_dict(found["profile"])
    except InputError as err:
        raise CardRefused("form", f"{RECORD.word}: profile: {err}") from err
    return ServiceRecord(
        digest=digest_of(RECORD, found),
        key_id=key_id,
        bench_id=found["bench"]["bench_id"],
        bench=found["bench"]["name"],
        sequence=place["sequence"],
        job=place["job"],
        visit=place["visit"],
        day=place["day"],
        unit_id=damper["unit_id"],
        serial=damper["serial"],
        tag=damper["tag"],
        profile=profile,
        body=found,
    )


def find_unit_of(ledger: Ledger, record: ServiceRecord, named: str | None = None) -> Unit:
    """Return the damper of this vehicle that a record is about.

    Args:
        named: serial, tag or unit_id that a person gave; needed where the record has neither unit_id nor serial, and
            where the damper was on another vehicle before, so that its unit_id is none of here: the serial says then.
    Raises:
        InputError: none of this vehicle, or another than the one named.
        LedgerError: no damper is called what a person gave.
    """
    if named is None:
        unit = _unit_in_record(ledger, record)
        if unit is None:
            raise InputError(
                f"service record: it is about {record.label}, which the bench has no serial of; say which damper with "
                "--damper"
            )
        return unit
    wanted = ledger.find_unit(named)
    if is_moved(record, wanted) and record.unit_id is not None and ledger.unit(record.unit_id) is None:
        return wanted
    unit = _unit_in_record(ledger, record)
    if unit is not None and unit.unit_id != wanted.unit_id:
        raise InputError(f"service record: it is about damper {unit.label}, not {wanted.label}; nothing was taken")
    return wanted


def is_moved(record: ServiceRecord, unit: Unit) -> bool:
    """Return whether a record names a damper as another vehicle knew it, and the serial says that it is this one."""
    return record.unit_id not in (None, unit.unit_id) and record.serial is not None and record.serial == unit.serial


def name_here(ledger: Ledger, unit: Unit, record: ServiceRecord, given: str | None = None) -> str | None:
    """Return what a record's new profile is called here, None as the bench calls it.

    A record that was taken keeps the name it was taken under. One that corrects the curve of an earlier record of the
    same visit under the same name gets a name of its own: the curve before counted until now, and stays.

    Args:
        given: name that a person gave; it is what counts.
    """
    vehicle = ledger.vehicle()
    if record.profile is None or given is not None or vehicle is None:
        return given
    known = read_records(ledger)
    taken = next((one for one in known if one.digest == record.digest), None)
    if taken is not None:
        return next((one.name for one in read_changes(ledger, unit.unit_id) if one.row == taken.profile), None)
    if not any(is_same_visit(one, unit.unit_id, record.bench_id, record.visit) for one in known):
        return None
    there = {one.name: one for one in vehicle.profiles}
    name, number = record.profile.name, 1
    while name in there and not is_alike(there[name], replace(record.profile, name=name)):
        number += 1
        end = f"_{number}"
        name = record.profile.name[: SLUG_LENGTH - len(end)] + end
    return name


def request_of(
    record: ServiceRecord,
    unit: Unit,
    taken_by: str,
    accept_key: str | None = None,
    profile_name: str | None = None,
    accept_record: str | None = None,
) -> dict[str, Any]:
    """Return the request `service_record` for the ledger (shared/LEDGER.md), without `schema`.

    Args:
        unit: of this vehicle. taken_by: who takes it. accept_key: a changed key that a person has compared.
        profile_name: what the new profile is called here, None: as the bench calls it.
        accept_record: first 16 digits of the digest of a record that a person takes out of its turn.
    Raises:
        InputError: a name that a vehicle file doesn't take, or one given where there is no new profile.
    """
    body = record.body
    return {
        "command": "service_record",
        "unit": unit.unit_id,
        "by": taken_by,
        "done_by": _line(body["by"], NAME_LIMIT),
        "checked_by": _line(body["checked_by"], NAME_LIMIT),
        "on": record.day,
        "note": _note(body["note"]),
        "replaced": body["replaced"],
        "found": body["found"],
        "gas": body["gas"],
        "profile": _profile(record, profile_name),
        "bench_id": record.bench_id,
        "bench": _line(record.bench, 200),
        "key_id": record.key_id,
        "accept_key": accept_key,
        "digest": record.digest,
        "sequence": record.sequence,
        "previous": body["record"]["previous"],
        "job": record.job,
        "visit": record.visit,
        "accept_record": accept_record,
    }


def renamed(profile: Profile, name: str | None) -> Profile:
    """Return a profile under the name it gets here; InputError for one that a vehicle file doesn't take."""
    found = profile.name if name is None else name
    if complaint := slug_complaint(found):
        raise InputError(f"service record: profile name {complaint}; give another with --profile-name")
    return replace(profile, name=found)


def _profile(record: ServiceRecord, name: str | None) -> dict[str, Any] | None:
    if record.profile is None:
        if name is not None:
            raise InputError("service record: it has no new profile, so --profile-name has nothing to name")
        return None
    return profile_to_dict(renamed(record.profile, name))


def _unit_in_record(ledger: Ledger, record: ServiceRecord) -> Unit | None:
    if record.unit_id is not None:
        unit = ledger.unit(record.unit_id)
        if unit is None:
            raise InputError(_say_foreign(ledger, record))
        return unit
    if record.serial is None:
        return None
    unit = ledger.unit_by_serial(record.serial)
    if unit is None:
        raise InputError(f"service record: no damper {record.serial} on this vehicle; nothing was taken")
    return unit


def _say_foreign(ledger: Ledger, record: ServiceRecord) -> str:
    told = f"service record: damper {record.label} ({record.unit_id}) isn't one of this vehicle; nothing was taken"
    alike = None if record.serial is None else ledger.unit_by_serial(record.serial)
    if alike is None:
        return told
    return f"{told}. If it is the {record.serial} of here, which was on another vehicle before, add --damper"


def _note(text: str | None) -> str | None:
    line = _line(text or "", NOTE_LIMIT)
    return line or None


def _line(text: str, most: int) -> str:
    """Return text as the ledger takes it: one printable line without blanks at its ends."""
    line = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"
