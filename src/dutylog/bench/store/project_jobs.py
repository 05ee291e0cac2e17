"""Jobs, services and what was found of parts out of entries."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import Connection, bindparam, delete, insert, select, update

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.fields import check_text, encode_canonical
from dutylog.bench.store.put import check_known, put
from dutylog.bench.store.tables import CARD, CARD_PART, DAMPER, JOB, PART_LOOK, PHOTO, RECORD, SERVICE
from dutylog.domain.wear import GRADES, PARTS
from dutylog.errors import InputError, one_line

CLOSING_STAGES = ("handed_over", "called_off")
"""Stages after which a job is among the open ones no more."""

# Made once: to make a statement takes longer than to run it.
_OF_JOB = JOB.c.job_id == bindparam("of_job")
_TOUCH = update(JOB).where(_OF_JOB).values(newest_row=bindparam("newest_row"))
_TRIAGE = update(JOB).where(_OF_JOB).values(triage_row=bindparam("triage_row"))
_STAGE = update(JOB).where(_OF_JOB).values({name: bindparam(name) for name in ("stage", "stage_utc", "is_open")})
_FORGET_LOOKS = delete(PART_LOOK).where(PART_LOOK.c.job_id == bindparam("of_job"))
_NEWEST_CARD = (
    select(CARD.c.row, CARD.c.digest)
    .where(CARD.c.damper_id == bindparam("of_damper"))
    .order_by(CARD.c.row.desc())
    .limit(1)
)
_USED = (
    select(CARD_PART.c.part, CARD_PART.c.used_share, CARD_PART.c.used_ratio)
    .select_from(JOB.join(CARD_PART, JOB.c.card_row == CARD_PART.c.row))
    .where(_OF_JOB)
)
_PROFILE = select(DAMPER.c.profile_name).where(DAMPER.c.damper_id == bindparam("of_damper"))


def open_job(connection: Connection, entry: Entry) -> None:
    """Add a job; the card it rests on is the newest one, when that is the one it names."""
    digest = entry.data["digest"]
    found = connection.execute(_NEWEST_CARD, {"of_damper": entry.damper_id}).first()
    card_row = found[0] if found is not None and digest is not None and found[1] == digest else None
    values = {
        "job_id": entry.job_id,
        "damper_id": entry.damper_id,
        "basis": entry.data["basis"],
        "digest": digest,
        "card_row": card_row,
        "opened_utc": entry.utc,
        "opened_by": entry.who,
        "opened_row": entry.row,
        "stage": None,
        "stage_utc": None,
        "triage_row": None,
        "is_open": True,
        "newest_row": entry.row,
    }
    connection.execute(insert(JOB), values)


def touch_job(connection: Connection, entry: Entry) -> None:
    """Note the newest entry of a job."""
    connection.execute(_TOUCH, {"of_job": entry.job_id, "newest_row": entry.row})


def check_finding(connection: Connection, entry: Entry) -> None:
    """Refuse a finding whose photos aren't here; nothing else is made of one."""
    for sha256 in entry.data["photos"] or []:
        check_known(connection, PHOTO, sha256, "photo")


def agree_triage(connection: Connection, entry: Entry) -> None:
    """Note the row of urgency that was agreed to."""
    connection.execute(_TRIAGE, {"of_job": entry.job_id, "triage_row": entry.data["row"]})


def close_or_open(connection: Connection, entry: Entry) -> None:
    """Note a job's stage."""
    stage = entry.data["stage"]
    values = {"stage": stage, "stage_utc": entry.utc, "is_open": stage not in CLOSING_STAGES}
    connection.execute(_STAGE, {"of_job": entry.job_id, **values})


def put_record(connection: Connection, entry: Entry) -> None:
    """Keep a job's service by its newest record, and what was found of each part."""
    record = entry.data["record"]
    day, by = _day(record), check_text(record.get("by") or entry.who, "record: by")
    replaced, found = _replaced(record), _found(record)
    note = record.get("note")
    values = {
        "damper_id": entry.damper_id,
        "source": "bench",
        "number": entry.job_id,
        "day": day,
        "by": by,
        "replaced": encode_canonical(replaced, "record: replaced"),
        "found": encode_canonical(found, "record: found"),
        "note": None if note is None else check_text(note, "record: note", 65_536, "\n\r\t"),
        "sequence": entry.data["sequence"],
        "digest": entry.data["digest"],
        "row": entry.row,
    }
    put(connection, SERVICE, values)
    made = {name: values[name] for name in ("digest", "damper_id", "sequence", "row")}
    put(connection, RECORD, {**made, "job_id": entry.job_id})
    connection.execute(_FORGET_LOOKS, {"of_job": entry.job_id})
    looks = _looks(connection, entry, day, replaced, found)
    if looks:
        connection.execute(insert(PART_LOOK), looks)


def _looks(
    connection: Connection, entry: Entry, day: str, replaced: list[str], found: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return a row for each part that was graded or replaced, with how far the job's card had it used."""
    found_rows = connection.execute(_USED, {"of_job": entry.job_id})
    used = {part: (share, ratio) for part, share, ratio in found_rows}
    profile = connection.execute(_PROFILE, {"of_damper": entry.damper_id}).scalar()
    rows = []
    for part in dict.fromkeys([*found, *replaced]):
        share, ratio = used.get(part, (None, None))
        rows.append(
            {
                "job_id": entry.job_id,
                "part": part,
                "damper_id": entry.damper_id,
                "profile_name": profile,
                "day": day,
                "grade": found.get(part),
                "is_replaced": part in replaced,
                "used_share": share,
                "used_ratio": ratio,
                "row": entry.row,
            }
        )
    return rows


def _day(record: Mapping[str, Any]) -> str:
    inner = record.get("record")
    day = inner.get("day") if isinstance(inner, Mapping) else None
    try:
        return date.fromisoformat(str(day)).isoformat()
    except ValueError as err:
        raise InputError(f"record: day {one_line(repr(day), 40)} is no day; expected like 2026-11-30") from err


def _replaced(record: Mapping[str, Any]) -> list[str]:
    replaced = record.get("replaced") or []
    if not isinstance(replaced, list) or not all(part in PARTS for part in replaced):
        raise InputError(f"record: replaced: expected a list of parts ({', '.join(PARTS)})")
    return list(dict.fromkeys(replaced))


def _found(record: Mapping[str, Any]) -> dict[str, str]:
    found = record.get("found") or {}
    if not isinstance(found, Mapping) or not all(
        part in PARTS and isinstance(grade, str) and grade in GRADES for part, grade in found.items()
    ):
        raise InputError(f"record: found: expected grades ({', '.join(GRADES)}) by part")
    return dict(found)
