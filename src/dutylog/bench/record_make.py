"""A service record: what a bench did to a damper, signed by the bench, for the vehicle to take in.

Fields and how a vehicle takes one: shared/SERVICE_RECORD.md. A record is made of a job whose build sheet two people
have signed; a correction is another record with the next sequence, which names the one before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dutylog import ENGINE
from dutylog.bench.after_curve import cool_curve
from dutylog.bench.build_fields import AFTER_CURVE, GAS, PROFILE_NAME, REPLACED, REVALVED
from dutylog.bench.build_sheet import Sheet
from dutylog.bench.canonical import RECORD, digest_of, encode_file, sign
from dutylog.bench.findings import NOT_LOOKED, Finding
from dutylog.bench.form import FormError
from dutylog.bench.job_state import BUILDER, CHECKER, JobState
from dutylog.bench.part_needs import has_part
from dutylog.bench.record_schema import RECORD_FORMS
from dutylog.config.curves import check_curve
from dutylog.config.report import Report
from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile, Vehicle
from dutylog.domain.wear import GRADES, PARTS
from dutylog.errors import InputError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

SCHEMA = 1
BEFORE, AFTER = "before", "after"
"""Curves of a job (bench.entry_kinds, curve_put)."""
_NOWHERE = Path("curve")
_PUT_APART = (REPLACED, REVALVED, GAS, AFTER_CURVE, PROFILE_NAME)
"""Fields of the build sheet that have a place of their own in the record."""


@dataclass(frozen=True, slots=True)
class Bench:
    """The bench that signs. bench_id: its UUID."""

    bench_id: str
    name: str


@dataclass(frozen=True, slots=True)
class RecordPlace:
    """Where a record stands in the damper's history at this bench.

    sequence: from 1, of this damper at this bench. previous: digest of the one before, None for the first.
    job: number of the visit. visit: its id, 64 hex digits, since a bench put back from a copy gives numbers again.
    day, utc: when it was made, 2026-11-30 and 2026-11-30T09:15:02Z.
    """

    sequence: int
    previous: str | None
    job: int
    visit: str
    day: str
    utc: str


@dataclass(frozen=True, slots=True)
class OfDamper:
    """Whose record it is. ledger_id, vehicle_id, card_sequence, card_digest: of its newest card, None without one."""

    unit_id: str | None
    serial: str | None
    tag: str | None
    construction: str
    reservoir: str
    ledger_id: str | None = None
    vehicle_id: str | None = None
    card_sequence: int | None = None
    card_digest: str | None = None


def make_record(
    state: JobState,
    sheet: Sheet,
    bench: Bench,
    place: RecordPlace,
    damper: OfDamper,
    item_parts: Mapping[str, Sequence[str]],
    profile: Profile | None,
    private_key: Ed25519PrivateKey,
    note: str | None = None,
) -> dict[str, Any]:
    """Return the signed record of a job.

    Args:
        state, sheet: the folded job and its build sheet. item_parts: wear parts that each inspected point speaks of.
        profile: the damper's as it came, None where nobody gave one. private_key: the bench's.
    Raises:
        InputError: the sheet isn't signed twice, revalved without a profile to begin with, a curve no damper has, or
            anything that a vehicle wouldn't read.
    """
    if not sheet.is_complete or not sheet.is_builder_current or not sheet.is_checker_current:
        raise InputError("service record: the build sheet is not signed by its builder and a second person yet")
    if sheet.builder is None or sheet.checker is None:
        raise InputError(f"service record: no {BUILDER} or no {CHECKER}")
    findings = state.newest_findings
    record = {
        "kind": RECORD.name,
        "schema": SCHEMA,
        "engine": ENGINE,
        "bench": {"bench_id": bench.bench_id, "name": bench.name},
        "record": {
            "sequence": place.sequence,
            "job": place.job,
            "visit": place.visit,
            "day": place.day,
            "utc": place.utc,
            "previous": place.previous,
        },
        "damper": {"unit_id": damper.unit_id, "serial": damper.serial, "tag": damper.tag},
        "vehicle": _pair(ledger_id=damper.ledger_id, vehicle_id=damper.vehicle_id),
        "card": _pair(sequence=damper.card_sequence, digest=damper.card_digest),
        "findings": [_finding(one) for one in findings],
        "found": {
            part: grade
            for part, grade in found_parts(findings, item_parts).items()
            if has_part(part, damper.construction, damper.reservoir)
        },
        "replaced": list(sheet.replaced),
        "gas": sheet.value(GAS),
        "build": {
            one.field.key: one.value
            for one in sheet.fields
            if one.value is not None and one.field.key not in _PUT_APART
        },
        "before_curve": _curve(state, BEFORE),
        "after_curve": _curve(state, AFTER),
        "profile": new_profile(sheet, profile),
        "by": sheet.builder.by,
        "checked_by": sheet.checker.by,
        "note": note,
    }
    made = sign(RECORD, record, private_key)
    try:
        RECORD_FORMS[SCHEMA].check(made, RECORD.word)
    except FormError as err:
        raise InputError(f"{err}; shorten or correct it, then make the record again") from err
    return made


def record_digest(record: Mapping[str, Any]) -> str:
    """Return the name of a record for ever: SHA-256 in hex of what is signed."""
    return digest_of(RECORD, record)


def record_bytes(record: Mapping[str, Any]) -> bytes:
    """Return the file of a record; InputError where it is longer than a vehicle takes."""
    data = encode_file(record)
    if len(data) > RECORD.limit_bytes:
        raise InputError(f"service record: {len(data)} bytes, a vehicle takes {RECORD.limit_bytes}; shorten the notes")
    return data


def found_parts(findings: Sequence[Finding], item_parts: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Return the grade of each wear part that was looked at: the worst of the points that speak of it."""
    worst: dict[str, str] = {}
    for finding in findings:
        if finding.grade == NOT_LOOKED or finding.grade not in GRADES:
            continue
        for part in item_parts.get(finding.item, ()):
            known = worst.get(part)
            if known is None or GRADES.index(finding.grade) > GRADES.index(known):
                worst[part] = finding.grade
    return {part: worst[part] for part in PARTS if part in worst}


def new_profile(sheet: Sheet, profile: Profile | None) -> dict[str, Any] | None:
    """Return the dictionary form of a revalved damper's new profile, None where it wasn't revalved.

    Raises:
        InputError: nobody gave the old one, which has the sizes; or a curve that a vehicle file wouldn't take.
    Source:
        Forces over their fade at the body's temperature, so that they stand at the profile's reference temperature.
    """
    if not sheet.is_revalved:
        return None
    if profile is None:
        raise InputError(
            "service record: revalved, but the damper's profile isn't known here, so no new one can be made of the "
            "curve; import its duty card, or take 'revalved' off and write the profile into the vehicle file"
        )
    curve = curve_of_bench(cool_curve(sheet.value(AFTER_CURVE), profile))
    changed = replace(profile, name=str(sheet.value(PROFILE_NAME)), force=(ForceAt(0.0, curve),))
    form: dict[str, Any] = Vehicle("v", "v", (), (changed,)).to_dict()["profiles"][0]
    return form


def curve_of_bench(measured: Mapping[str, Sequence[float]]) -> ForceCurve:
    """Return a measured curve as a profile has it: through the origin, speeds rising.

    Raises:
        InputError: what a vehicle file wouldn't take, in one line.
    """
    # At rest a bench shows friction and gas, which a curve of damping doesn't have.
    points = {
        float(speed): float(force) for speed, force in zip(measured["speeds_mps"], measured["forces_n"], strict=True)
    }
    points[0.0] = 0.0
    pairs = sorted(points.items())
    report = Report(_NOWHERE, "")
    check_curve(pairs, ("force_curve",), report)
    if report.problems:
        raise InputError(f"the curve after the build: {report.problems[0].partition(': ')[2]}")
    return ForceCurve(tuple(speed for speed, _ in pairs), tuple(force for _, force in pairs))


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "item": finding.item,
        "grade": finding.grade,
        "measures": dict(finding.measures),
        "note": finding.note,
        "by": finding.by,
    }


def _curve(state: JobState, which: str) -> dict[str, Any] | None:
    told = state.curves.get(which)
    return None if told is None else {name: list(told.data[name]) for name in ("speeds_mps", "forces_n")}


def _pair(**fields: Any) -> dict[str, Any] | None:
    """Return the fields, None where one of them isn't known."""
    return None if any(value is None for value in fields.values()) else fields
