"""What a store holds is checked against its entries; what was refused half-way leaves nothing behind."""

from __future__ import annotations

import contextlib

import pytest

from bench.store.store_on import DAMPER, MANAGER, TECHNICIAN
from bench.store.story import JPEG_BYTES, card_body, card_data, dump, record_body, tell_story
from dutylog.bench.store import StoreCorrupt, backup
from dutylog.errors import InputError


def change(store, statement):
    with store.connect_to_write() as connection:
        connection.exec_driver_sql(statement)


def go_on_after_a_refusal(store, kind, data):
    """Append an entry whose tables refuse it, and another one all the same."""
    with store.write(MANAGER) as tx:
        with contextlib.suppress(InputError):
            tx.append("damper_put", {**DAMPER, "construction": "none"}, "d-9")
        if kind:
            tx.append(kind, data)


def test_an_entry_that_was_refused_half_way_is_not_kept_whoever_caught_it(store):
    """Its row would stand in the chain without what follows from it, and the next one would break the chain."""
    tell_story(store)
    before = dump(store)
    for kind, data in (("", {}), ("signed_in", {"address": "::1"})):
        with pytest.raises(InputError, match="nothing of this change is kept; begin it again"):
            go_on_after_a_refusal(store, kind, data)
        assert dump(store) == before
    assert store.verify().is_good
    with store.write(MANAGER) as tx:
        # Refused before anything was written: the rest may still be kept.
        with contextlib.suppress(InputError):
            tx.append("stage", {"stage": "x"}, job_id=99)
        tx.append("signed_in", {"address": "::1"})
    assert len(dump(store)["entry"]) == len(before["entry"]) + 1


def test_a_photo_that_is_gone_is_found_by_its_finding(store, tmp_path):
    """Evidence of a finding; a backup without it could never be restored, so none is made."""
    tell_story(store)
    assert store.verify().is_good
    change(store, "DELETE FROM photo")
    found = store.verify()
    assert not found.is_good
    assert found.bad_row is None
    assert f"photo {found.lost_photo}, which a finding names, is missing" in found.text
    with pytest.raises(StoreCorrupt, match=f"photo {found.lost_photo}.* no backup was made"):
        backup.write(store, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE entry SET who = 'Eve' WHERE row = 3", "broken at entry 3"),
        ("DELETE FROM entry WHERE row = (SELECT max(row) FROM entry)", "does not end as it was written"),
        ("UPDATE photo SET body = {bytes}", "is not as it was taken in"),
    ],
)
def test_no_backup_is_made_of_what_no_restore_would_take(store, tmp_path, statement, words):
    """The last good one might be thrown away for it."""
    tell_story(store)
    with store.connect_to_read() as connection:
        value = "x'ffd8ff'" if connection.dialect.name == "sqlite" else "'\\xffd8ff'"
    change(store, statement.replace("{bytes}", value))
    with pytest.raises(StoreCorrupt, match=words) as caught:
        backup.write(store, tmp_path / "copy")
    assert "\n" not in str(caught.value)
    assert list(tmp_path.glob("*copy*")) == []


@pytest.mark.parametrize(
    ("table", "statement"),
    [
        ("damper", "UPDATE damper SET serial = 'XX' WHERE damper_id = 'd-1'"),
        ("stock", "UPDATE stock SET count = count + 1"),
        ("account", "UPDATE account SET role = 'viewer'"),
        ("due", "DELETE FROM due"),
        ("job", "UPDATE job SET is_open = true WHERE job_id = 1"),
        ("vehicle_key", "UPDATE vehicle_key SET public_key = 'aa'"),
    ],
)
def test_a_table_that_was_changed_by_hand_is_found_and_made_again(store, table, statement):
    """The chain alone tells nothing of what pages show."""
    tell_story(store)
    assert store.find_altered() is None
    before = dump(store)
    change(store, statement)
    assert store.verify().is_good
    assert store.find_altered() == table
    store.rebuild()
    assert store.find_altered() is None
    assert dump(store) == before


def test_a_service_corrected_here_is_not_told_twice_while_the_vehicle_has_its_first_record(store):
    """The vehicle took record 1; the job's record 2 replaced its service here."""
    tell_story(store)
    taken = {"row": 3, "kind": "service_record", "data": '{"digest":"%s","service":2}' % ("b0" * 32)}
    with store.write(TECHNICIAN) as tx:
        tx.append(
            "record_made", {"sequence": 2, "digest": "b1" * 32, "record": record_body(replaced=["oil"])}, job_id=1
        )
        card = card_body(2, 4)
        card["evidence"]["entries"].append(taken)
        tx.append("card_imported", card_data(card), "d-1")
    with store.read() as reading:
        assert [(one.source, one.sequence) for one in reading.services_of("d-1")] == [("bench", 2)]
        assert [one.damper_id for one in reading.dampers_of_records(["b0" * 32])] == ["d-1"]
    before = dump(store)
    store.rebuild()
    assert dump(store) == before


def test_joined_dampers_are_one_history(store):
    """All that was known of the other one is this one's; nothing is there of it any more."""
    job_id = tell_story(store)
    with store.read() as reading:
        before = {name: len(rows) for name, rows in dump(store).items()}
        services = reading.services_of("d-1")
    with store.write(MANAGER) as tx:
        tx.append("damper_joined", {"other_id": "d-1", "label": "SN-1", "why": "moved"}, "d-2")
    with store.read() as reading:
        assert reading.damper("d-1") is None
        assert [one.damper_id for one in reading.find_dampers(unit_id=card_data(card_body())["unit_id"])] == ["d-2"]
        assert {one.job_id for one in reading.jobs_of("d-2")} > {job_id}
        assert [one.row for one in reading.cards_of("d-2")]
        moved = {one.source: one.replaced for one in reading.services_of("d-2")}
        assert moved == {{"vehicle": "before"}.get(one.source, one.source): one.replaced for one in services}
        assert len(reading.records_of("d-2")) == 1
        assert (reading.due_of("d-2"), reading.radio("d-2")) == ((), None)
    after = {name: len(rows) for name, rows in dump(store).items()}
    gone = {"damper": 1, "due": before["due"], "radio_duty": 1, "entry": -1}
    assert {name: before[name] - after[name] for name in after if before[name] != after[name]} == gone
    with store.write(TECHNICIAN) as tx:
        tx.append("finding", {"item": "x", "grade": "worn", "measures": {}, "photos": []}, job_id=job_id)
    assert (store.verify().is_good, store.find_altered()) == (True, None)
    with pytest.raises(InputError, match="damper d-1 is not known"), store.write(MANAGER) as tx:
        tx.append("job_opened", {"basis": "stated"}, "d-1")
    with pytest.raises(InputError, match="to itself"), store.write(MANAGER) as tx:
        tx.append("damper_joined", {"other_id": "d-2", "label": "x"}, "d-2")


def test_photos_of_findings_are_counted_once(store):
    """A photo that two findings name is one."""
    job_id = tell_story(store)
    with store.write(TECHNICIAN) as tx:
        photo = tx.put_photo(JPEG_BYTES, "image/jpeg")
        tx.append("finding", {"item": "y", "grade": "worn", "measures": {}, "photos": [photo]}, job_id=job_id)
    assert (store.verify().photos_count, store.verify().is_good) == (1, True)
