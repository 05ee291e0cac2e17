"""Pages of the build sheet: its fields, two signatures, and the signed service record that the vehicle takes in."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.build_fields import AFTER_CURVE, STANDS
from dutylog.bench.build_sheet import Sheet, check_signature, field_of
from dutylog.bench.build_values import SIDES
from dutylog.bench.curve_csv import FORCE_UNITS, SPEED_UNITS
from dutylog.bench.entry_kinds import KINDS
from dutylog.bench.inspection import SPEAKS_FOR
from dutylog.bench.job_state import BUILDER, CHECKER, Told
from dutylog.bench.keys import BENCH_KEY_FILE, SigningKey, read_key
from dutylog.bench.order import BUILT, CHECKED, IN_WORK, STAGE_WORDS
from dutylog.bench.part_needs import has_part
from dutylog.bench.record_make import Bench, OfDamper, RecordPlace, make_record, record_bytes, record_digest
from dutylog.bench.roles import TECHNICIAN, VIEWER
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper
from dutylog.domain.wear import PARTS
from dutylog.errors import InputError, one_line
from dutylog.life.parts import part_names
from dutylog.units import NS_PER_S
from dutylog.web.bench.build_forms import make_rows, read_field
from dutylog.web.bench.curve_routes import AFTER, BODY, GAUGE, keep_curve
from dutylog.web.bench.frame import FILES, Done, Frame, Seen, Write
from dutylog.web.bench.job_desk import JobDesk, open_desk, read_desk, refuse_over
from dutylog.web.bench.measure_units import units_of

NOTE_LIMIT = 500
RECORD_FROM = (IN_WORK, BUILT, CHECKED)
"""Stages in which a record can be made: ordered, begun, not handed over."""


def add_build(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of the build sheet and of the record."""

    @frame.page("/jobs/{job}/build", least=VIEWER, here="jobs")
    def sheet(seen: Seen) -> Response:
        return _show(seen, open_desk(seen))

    @frame.write("/jobs/{job}/build/sign", least=TECHNICIAN, here="jobs")
    def sign(write: Write) -> Done | Response:
        desk = open_desk(write)
        signed_as = write.field("as")
        try:
            with write.store.write(write.who) as tx:
                desk = read_desk(tx.read, desk.job_id, write.frame.today())
                refuse_over(desk)
                if write.field("seen") != str(desk.state.row):
                    raise InputError("something was put down since the page was opened; read it, then sign")
                tx.append("signed", check_signature(desk.sheet, signed_as, write.viewer.name), job_id=desk.job_id)
        except InputError as err:
            return _show(write, desk, one_line(err, 400))
        return Done(f"signed as {signed_as}", f"/jobs/{desk.job_id}/build#signed-title")

    @frame.write("/jobs/{job}/build/{field}", least=TECHNICIAN, body=FILES, here="jobs")
    def put(write: Write) -> Done | Response:
        desk = open_desk(write)
        key = write.params["field"]
        try:
            field = field_of(key)
            if key == AFTER_CURVE:
                if write.field("with_gas") not in ("yes", "no"):
                    raise InputError("say whether the forces of the table have the gas in them")
                desk = keep_curve(write, AFTER)
            else:
                data = {"field": key, "value": read_field(field, write.fields), "note": _note(write)}
                with write.store.write(write.who) as tx:
                    desk = read_desk(tx.read, desk.job_id, write.frame.today())
                    refuse_over(desk)
                    tx.append("build", data, job_id=desk.job_id)
        except InputError as err:
            return _show(write, desk, one_line(err, 400), key, write.fields)
        return Done(f"{field.name}: kept", f"/jobs/{desk.job_id}/build#field-{key}")

    @frame.write("/jobs/{job}/record", least=TECHNICIAN, here="jobs")
    def make(write: Write) -> Done | Response:
        desk = open_desk(write)
        key = _bench_key(frame)
        try:
            note = _note(write)
            with write.store.write(write.who) as tx:
                desk = read_desk(tx.read, desk.job_id, write.frame.today())
                refuse_over(desk)
                made = _make_record(desk, tx.read, key, frame, note)
                tx.append("record_made", made, job_id=desk.job_id)
                if made["record"]["profile"] is not None:
                    tx.append("damper_put", _revalved(desk.head.damper, made["record"]["profile"]), desk.head.damper_id)
        except InputError as err:
            return _show(write, desk, one_line(err, 400))
        return Done("the record is made and signed", f"/jobs/{desk.job_id}/build#record")

    @frame.page("/jobs/{job}/record", least=VIEWER, here="jobs")
    def record(seen: Seen) -> Response:
        desk = open_desk(seen)
        made = desk.state.record
        if made is None:
            raise HTTPException(404, f"job {desk.job_id} has no service record yet; its build sheet is signed first")
        name = f"{_file_name(desk.head.label)}-{made.data['sequence']}.service.json"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(record_bytes(made.data["record"]), media_type="application/json", headers=headers)


def _show(
    seen: Seen, desk: JobDesk, problem: str = "", open_field: str = "", sent: Mapping[str, str] | None = None
) -> Response:
    """Return the sheet. open_field: whose form stands open, else that of the first that is needed: each is kept by its
    own button, so no two are open at once. sent: what that form had, shown again.
    """
    sheet, state = desk.sheet, desk.state
    facts = desk.facts
    names = part_names(facts.joints)
    parts = {part: names[part] for part in PARTS if has_part(part, facts.construction, facts.reservoir)}
    rows = make_rows(sheet.fields, seen.frame.settings.units, parts, open_field, sent)
    bench = seen.store.read().bench()
    return seen.render(
        "bench/build.html",
        400 if problem else 200,
        job=desk.head,
        step="build",
        sheet=sheet,
        rows=rows,
        typed=sent or {},
        sides=SIDES,
        stands=STANDS,
        signatures=_signatures(sheet),
        record=state.record,
        is_record_old=_is_old(state.record, sheet),
        can_record=_can_record(desk, sheet),
        key_id="" if bench is None else bench.key_id,
        newest_row=state.row,
        open_field=open_field or next((row.field.key for row in rows if row.is_to_do), ""),
        gauge_units=units_of(GAUGE),
        body_units=units_of(BODY),
        speed_units=tuple(SPEED_UNITS),
        force_units=tuple(FORCE_UNITS),
        problem=problem,
        is_over=desk.is_over,
    )


def _signatures(sheet: Sheet) -> tuple[tuple[str, str, Told | None, bool], ...]:
    return (
        (BUILDER, "Built by", sheet.builder, sheet.is_builder_current),
        (CHECKER, "Checked by a second person", sheet.checker, sheet.is_checker_current),
    )


def _is_old(record: Told | None, sheet: Sheet) -> bool:
    """Return whether somebody signed after the record was made."""
    signed = max((one.entry for one in (sheet.builder, sheet.checker) if one is not None), default=0)
    return record is not None and record.entry < signed


def _can_record(desk: JobDesk, sheet: Sheet) -> bool:
    both = sheet.is_complete and sheet.is_builder_current and sheet.is_checker_current
    is_worked_on = desk.order.stage in RECORD_FROM
    return (
        both and is_worked_on and not desk.is_over and (desk.state.record is None or _is_old(desk.state.record, sheet))
    )


def _bench_key(frame: Frame) -> SigningKey:
    key = read_key(frame.settings.data_dir / BENCH_KEY_FILE)
    if key is None:
        raise InputError(f"this bench's key {BENCH_KEY_FILE} is gone from its folder; put the copy of it back")
    return key


def _make_record(desk: JobDesk, reading: Reading, key: SigningKey, frame: Frame, note: str | None) -> dict[str, Any]:
    """Return the data of an entry `record_made`; InputError when it can't be made yet."""
    bench, damper = reading.bench(), desk.head.damper
    if bench is None:
        raise InputError("this bench isn't set up; dutylog bench setup does it")
    if bench.key_id != key.key_id:
        raise InputError(f"{BENCH_KEY_FILE} is another key than the bench's ({bench.key_id}); put the right one back")
    sheet, stage = desk.sheet, desk.order.stage
    if stage not in RECORD_FROM:
        here = "being drawn up" if stage is None else STAGE_WORDS[stage]
        raise InputError(f"service record: the order is {here}; a record is made of work that was ordered and begun")
    if desk.state.record is not None and not _is_old(desk.state.record, sheet):
        raise InputError("the record of this build is made already; a correction begins with the build sheet")
    before = reading.records_of(damper.damper_id)
    cards = reading.cards_of(damper.damper_id)
    now = datetime.fromtimestamp(frame.clock.utc_ns() // NS_PER_S, UTC)
    place = RecordPlace(
        sequence=(before[0].sequence or 0) + 1 if before else 1,
        previous=before[0].digest if before else None,
        job=desk.job_id,
        visit=reading.entries_of_job(desk.job_id)[0].hash.hex(),
        day=now.date().isoformat(),
        utc=f"{now:%Y-%m-%dT%H:%M:%SZ}",
    )
    of = OfDamper(
        unit_id=damper.unit_id,
        serial=damper.serial,
        tag=damper.tag,
        construction=damper.construction,
        reservoir=damper.reservoir,
        ledger_id=cards[0].ledger_id if cards else None,
        vehicle_id=None if desk.head.vehicle is None else desk.head.vehicle.vehicle_id,
        card_sequence=cards[0].sequence if cards else None,
        card_digest=cards[0].digest if cards else None,
    )
    named = Bench(bench.bench_id, bench.name)
    made = make_record(desk.state, sheet, named, place, of, _spoken_of(), desk.profile, key.private_key, note)
    record_bytes(made)  # refuses what a vehicle wouldn't take
    return {"sequence": place.sequence, "digest": record_digest(made), "record": made}


def _revalved(damper: Damper, profile: Mapping[str, Any]) -> dict[str, Any]:
    """Return the data of an entry `damper_put`: the damper with the profile that its record gives the vehicle."""
    told = {name: getattr(damper, name) for name in KINDS["damper_put"].fields}
    return {**told, "profile_name": str(profile["name"]), "profile": dict(profile)}


def _spoken_of() -> dict[str, tuple[str, ...]]:
    """Return by point the wear parts whose grade its grade is: others only point at a part."""
    found: dict[str, tuple[str, ...]] = {}
    for part, items in SPEAKS_FOR.items():
        for item in items:
            found[item] = (*found.get(item, ()), part)
    return found


def _note(write: Write) -> str | None:
    note = " ".join(write.field("note").split()) or None
    if note is not None and len(note) > NOTE_LIMIT:
        raise InputError(f"note: {len(note)} characters, at most {NOTE_LIMIT} are kept; shorten it")
    return note


def _file_name(label: str) -> str:
    """Return what people call a damper as part of a file's name on any machine."""
    safe = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in label)
    return one_line(safe, 60) or "damper"
