"""An intake by way of the store: cards taken in, jobs finished, budgets learned from them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from bench.card_made import CARD_DAY, Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.figures import say
from dutylog.bench.intake import Intake, PartDone
from dutylog.bench.job_facts import read_intake
from dutylog.bench.store import Store, Who
from dutylog.bench.taking_in import take_card

BO = Who("Bo", "technician")
LATER = date(2026, 12, 1)


@pytest.fixture(scope="module")
def yards(tmp_path_factory: pytest.TempPathFactory) -> list[Yard]:
    """Two vehicles with dampers of one profile."""
    return [Yard(tmp_path_factory.mktemp(name) / "data") for name in ("one", "other")]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "bench.sqlite") as opened:
        yield opened


def take(store: Store, yard: Yard, unit: str, day: date = CARD_DAY) -> int:
    """Take a damper's next card in and return the job."""
    taken = take_card(store, BO, encode_file(yard.issue(unit, day=day)), day)
    assert taken.job_id is not None
    return taken.job_id


def finish(store: Store, job_id: int, day: str) -> None:
    """Hand a damper over whose oil was worn and replaced."""
    record = {"record": {"day": day}, "replaced": ["oil"], "found": {"oil": "worn"}, "by": "Bo", "note": None}
    with store.write(BO) as tx:
        tx.append("record_made", {"sequence": 1, "digest": f"{job_id:064x}", "record": record}, job_id=job_id)
        tx.append("stage", {"stage": "handed_over", "note": None}, job_id=job_id)


def intake_of(store: Store, job_id: int, today: date) -> Intake:
    with store.read() as reading:
        job = reading.job(job_id)
        assert job is not None
        damper = reading.damper(job.damper_id)
        assert damper is not None
        return read_intake(reading, job, damper, today)


def oil_of(intake: Intake) -> PartDone:
    return next(one for one in intake.parts if one.part.key == "oil")


def test_what_was_found_on_one_vehicle_is_believed_of_another_but_not_twice_of_its_own(
    store: Store, yards: list[Yard]
) -> None:
    """Oil found worn after 35 minutes: a like unit of another vehicle learns of it, the next of the same doesn't.

    Its own vehicle will have heard of it by the record, and tells by its card.
    """
    finish(store, take(store, yards[0], "SN-1"), "2026-11-02")
    before = oil_of(intake_of(store, take(store, yards[0], "SN-2"), CARD_DAY))
    other = oil_of(intake_of(store, take(store, yards[1], "SN-2"), CARD_DAY))
    assert (before.belief.evidence_count, other.belief.evidence_count) == (0, 1)
    assert other.part.budget < before.part.budget
    assert other.like is not None
    assert other.like.count == 1
    with store.read() as reading:
        due = {one.damper_id: one for one in reading.due_rows("2036-01-01") if one.part == "oil"}
        job = reading.job(3)
        assert job is not None
    assert due[job.damper_id].used_ratio == other.part.used_ratio, "the board goes by the same budget as the page"


def test_a_card_that_has_not_heard_of_our_service_says_so(store: Store, yards: list[Yard]) -> None:
    """It comes back a month later, and its vehicle never took the record in: its oil counts from before."""
    finish(store, take(store, yards[0], "SN-1"), "2026-11-02")
    intake = intake_of(store, take(store, yards[0], "SN-1", LATER), LATER)
    found = {one.key: one for one in intake.notices}
    assert found["record_not_taken"].level == "stop"
    assert "our service record of 2026-11-02: damper oil count" in say(found["record_not_taken"].text)
    assert intake.last_service is not None
    assert intake.last_service.day == date(2026, 11, 2)
    assert "first_sight" not in found


def test_what_a_visit_did_itself_is_no_service_before_it(store: Store, yards: list[Yard]) -> None:
    """Else the alert it came in with is gone from its own order as soon as the record is made."""
    first = take(store, yards[0], "SN-1")
    finish(store, first, "2026-11-02")
    second = take(store, yards[0], "SN-1", LATER)
    assert "Bo" not in {one.by for one in intake_of(store, first, LATER).facts.services}
    own = [one for one in intake_of(store, second, LATER).facts.services if one.by == "Bo"]
    assert [one.replaced for one in own] == [("oil",)]
