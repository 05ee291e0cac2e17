"""One damper that came twice: found by our own records, said by its serial, joined by a person."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bench.card_made import CARD_DAY, Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.estimate import Statement
from dutylog.bench.same_damper import SERIAL_KNOWN, find_named, find_twins
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import TakenIn, join_dampers, take_card, take_statement
from dutylog.errors import InputError
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger

BO, MO = Who("Bo", "technician"), Who("Mo", "manager")
LATER = date(2026, 12, 1)


@pytest.fixture(scope="module")
def yards(tmp_path_factory: pytest.TempPathFactory) -> list[Yard]:
    """Two vehicles whose dampers have the same serials."""
    return [Yard(tmp_path_factory.mktemp(name) / "data") for name in ("one", "other")]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.sqlite") as opened:
        yield opened


def take(store: Store, card: dict[str, Any], opens_job: bool = False) -> TakenIn:
    taken = take_card(store, BO, encode_file(card), CARD_DAY, opens_job=opens_job)
    assert taken.damper_id is not None
    return taken


def damper_of(store: Store, job_id: int) -> str:
    job = store.read().job(job_id)
    assert job is not None
    return job.damper_id


def make_record(store: Store, job_id: int, sequence: int, digest: str) -> None:
    record = {"record": {"day": "2026-11-01"}, "replaced": ["oil"], "found": {"oil": "worn"}, "by": "Bo", "note": None}
    with store.write(BO) as tx:
        tx.append("record_made", {"sequence": sequence, "digest": digest, "record": record}, job_id=job_id)
        tx.append("stage", {"stage": "handed_over"}, job_id=job_id)


def tell_record(yard: Yard, unit: str, digest: str, sequence: int = 1) -> None:
    """Let a vehicle take a record in."""
    place = {"bench_id": "b-1", "bench": "Ridge", "key_id": "ab" * 8, "accept_key": None, "digest": digest}
    place |= {"sequence": sequence, "previous": None, "job": sequence, "visit": f"{sequence:064x}"}
    work = {"done_by": "Bo", "checked_by": "Cy", "on": "2026-11-01", "note": None, "replaced": ["oil"]}
    told = {
        "schema": 1,
        "command": "service_record",
        "unit": unit,
        "by": "Ada",
        "found": {},
        "gas": None,
        "profile": None,
    }
    with Ledger.open(yard.folder / LEDGER_NAME) as ledger:
        reply = apply_command(ledger, told | work | place).reply
    assert reply["ok"], reply


def test_a_damper_that_came_by_a_tag_is_known_by_the_record_its_vehicle_took(store: Store, tmp_path: Path) -> None:
    """Its card has no serial that the bench knew; its second record must not begin at 1 again."""
    yard = Yard(tmp_path / "data")
    job = take_statement(store, BO, Statement(None, "B1", "floating_piston"), CARD_DAY)
    make_record(store, job, 1, "a1" * 32)
    make_record(store, job, 2, "a2" * 32)
    # The vehicle took the first one, which was corrected here since.
    tell_record(yard, "SN-1", "a1" * 32)
    taken = take(store, yard.issue("SN-1", day=LATER))
    assert taken.damper_id == damper_of(store, job)
    with store.read() as reading:
        assert [one.sequence for one in reading.records_of(str(taken.damper_id))] == [2]
        damper = reading.damper(str(taken.damper_id))
        assert damper is not None
        assert (damper.serial, damper.tag) == ("SN-1", "B1")
        own = [
            one for one in reading.services_of(damper.damper_id) if one.replaced == ("oil",) and one.day == "2026-11-01"
        ]
        assert [one.source for one in own] == ["bench"], "told by the vehicle as well"
    # Another vehicle that claims to have taken it doesn't get that damper.
    assert not [one for one in taken.verdict.notices if one.code == SERIAL_KNOWN]


def test_a_serial_that_is_known_from_another_vehicle_is_said_and_joined_by_a_person(
    store: Store, yards: list[Yard]
) -> None:
    """The same damper on another vehicle: its card makes a new one, and says where it may have been."""
    first = take(store, yards[0].issue("SN-1"), opens_job=True)
    assert not [one for one in first.verdict.notices if one.code == SERIAL_KNOWN]
    assert first.job_id is not None
    make_record(store, first.job_id, 1, "b1" * 32)
    second = take(store, yards[1].issue("SN-1"), opens_job=True)
    said = [one for one in second.verdict.notices if one.code == SERIAL_KNOWN]
    assert len(said) == 1
    assert not said[0].is_refusal
    assert "SN-1 is known here from vehicle" in said[0].text
    entry = store.read().entries(kind="card_imported")[0]
    assert SERIAL_KNOWN in [one["code"] for one in entry.data["notices"]]
    again = take(store, yards[1].issue("SN-1"))
    assert again.damper_id == second.damper_id
    assert not [one for one in again.verdict.notices if one.code == SERIAL_KNOWN], "said once"
    with store.write(MO) as tx:
        old, new = tx.read.damper(str(first.damper_id)), tx.read.damper(str(second.damper_id))
        assert old is not None
        assert new is not None
        assert find_twins(tx.read, old) == (new,)
        assert find_named(tx.read, new.damper_id, old) == new
        assert find_named(tx.read, "SN-1", old) == new
        # From the page of the old one: the one with the newest card stays all the same.
        kept = join_dampers(tx, old, new, "its owner says so", CARD_DAY)
    assert kept == new
    with store.read() as reading:
        due = {one.damper_id for one in reading.due_rows("2060-01-01")}
        assert due == {new.damper_id}, "its old place is on the board no more"
        assert [one.sequence for one in reading.records_of(new.damper_id)] == [1]
        assert len(reading.cards_of(new.damper_id)) == 3
        assert reading.damper(old.damper_id) is None
        assert len(reading.jobs_of(new.damper_id)) == 2
    # Back on the first vehicle it is still the same one.
    assert take(store, yards[0].issue("SN-1")).damper_id == new.damper_id
    assert (store.verify().is_good, store.find_altered()) == (True, None)


def test_what_can_not_be_joined_is_said(store: Store, yards: list[Yard]) -> None:
    first = take(store, yards[0].issue("SN-2"), opens_job=True)
    job = take_statement(store, BO, Statement(None, "B7", "floating_piston"), CARD_DAY)
    with store.read() as reading:
        one, other = reading.damper(str(first.damper_id)), reading.damper(damper_of(store, job))
        assert one is not None
        assert other is not None
        for text in ("", "SN-2", "nonsense", one.damper_id):
            with pytest.raises(InputError, match="no other damper"):
                find_named(reading, text, one)
    with pytest.raises(InputError, match="write down how it is known"), store.write(MO) as tx:
        join_dampers(tx, one, other, "", CARD_DAY)
    for number in (first.job_id, job):
        with store.write(BO) as tx:
            tx.append("stage", {"stage": "quoted"}, job_id=number)
    with pytest.raises(InputError, match="both under way"), store.write(MO) as tx:
        join_dampers(tx, one, other, "the tag came off", CARD_DAY)
    assert store.read().damper(other.damper_id) == other


def test_an_unused_job_is_called_off_when_two_become_one(store: Store, yards: list[Yard]) -> None:
    """It was taken in by its tag and worked on; then its card came and opened another job."""
    job = take_statement(store, BO, Statement(None, "B8", "floating_piston"), CARD_DAY)
    with store.write(BO) as tx:
        tx.append("stage", {"stage": "quoted"}, job_id=job)
    card = take(store, yards[0].issue("SN-2"), opens_job=True)
    with store.write(MO) as tx:
        one, other = tx.read.damper(damper_of(store, job)), tx.read.damper(str(card.damper_id))
        assert one is not None
        assert other is not None
        kept = join_dampers(tx, one, other, "the tag hung on it", CARD_DAY)
    assert (kept.damper_id, kept.tag) == (card.damper_id, "B8")
    assert [found.job_id for found in store.read().jobs_of(kept.damper_id) if found.is_open] == [job]
