"""What is made of the chain, and the questions to it; both databases answer alike."""

from __future__ import annotations

import pytest

from bench.card_made import Yard, open_card, seen_after
from bench.store.store_on import DAMPER, MANAGER, TECHNICIAN, needs_postgres
from bench.store.story import (
    JPEG_BYTES,
    LEDGER_ID,
    UNIT_ID,
    card_body,
    card_data,
    dump,
    record_body,
    sqlite_url,
    tell_story,
)
from dutylog.bench.card_verify import verify
from dutylog.bench.store import Store, StoreCorrupt, StoreError
from dutylog.bench.store.chain import FIRST_PREV_HASH
from dutylog.bench.store.rows import Account, Bench, Customer, LikeRow, StockRow
from dutylog.clock import ManualClock
from dutylog.errors import InputError


def put_dampers(store, count, **fields):
    with store.write(MANAGER) as tx:
        for number in range(count):
            tx.append("damper_put", {**DAMPER, "serial": f"S{number}", **fields}, f"q-{number}")


def finish_job(store, damper_id, digest=None, **record):
    with store.write(TECHNICIAN) as tx:
        job_id = tx.append("job_opened", {"basis": "card", "digest": digest}, damper_id).job_id
        made = {"sequence": job_id, "digest": f"{job_id:064d}", "record": record_body(**record)}
        tx.append("record_made", made, job_id=job_id)
    return job_id


def test_tables_are_made_again_from_the_chain(store):
    """All but chain and photos may be lost; a change of how they are made needs no other data."""
    tell_story(store)
    before = dump(store)
    assert [name for name, rows in before.items() if not rows] == []
    with store.connect_to_write() as connection:
        connection.exec_driver_sql("DELETE FROM part_look")
        connection.exec_driver_sql("UPDATE damper SET serial = 'SN-9'")
        connection.exec_driver_sql("UPDATE stock SET count = 99")
    assert dump(store) != before
    assert store.rebuild() == len(before["entry"])
    assert dump(store) == before


def test_a_broken_chain_is_not_built_upon(store):
    """Tables made of it would look as if all was well."""
    tell_story(store)
    with store.connect_to_write() as connection:
        connection.exec_driver_sql("UPDATE entry SET who = 'Eve' WHERE row = 5")
    before = dump(store)
    with pytest.raises(StoreCorrupt, match="broken at entry 5"):
        store.rebuild()
    assert dump(store) == before


@needs_postgres
def test_both_databases_hold_the_same(tmp_path, cluster):
    """One storage layer: hashes, tables and order are alike to the bit."""
    clock = ManualClock(utc_ns=10**18)
    with Store.open(cluster.new_url(), clock) as one, Store.open(sqlite_url(tmp_path), clock) as other:
        tell_story(one)
        tell_story(other)
        assert dump(one) == dump(other)
    cluster.take_back()


def test_people_and_vehicles(store):
    """The newest word counts, and consent to radio keeps its day."""
    tell_story(store)
    read = store.read()
    assert read.customers() == (Customer("c-1", "Dela Żuk", "555 020", None),)
    assert read.customers("żUK") == read.customers("020")
    assert read.customers("%") == ()
    vehicle = read.find_vehicle(LEDGER_ID)
    assert vehicle == read.vehicle("v-1") == read.vehicles("c-1")[0] == read.radio_vehicles()[0]
    assert (vehicle.radio_agreed_by, vehicle.radio_agreed_utc) == ("Dela", "2026-11-30T09:15:02Z")
    assert read.vehicles("c-2") == ()
    with store.write(MANAGER) as tx:
        tx.append("vehicle_put", {"vehicle_key": "v-1", "label": "White truck", "customer_id": "c-1"})
    assert store.read().vehicle("v-1").radio_agreed_utc is None
    assert store.read().radio_vehicles() == ()


def test_dampers_are_found_by_what_people_know(store):
    """Serial, tag, id, vehicle, customer; signs of LIKE mean themselves."""
    tell_story(store)
    read = store.read()
    assert read.damper("d-1").label == "SN-1"
    assert read.damper("d-1").profile == {"name": "desert"}
    assert read.damper("nobody") is None
    assert read.find_damper(unit_id=UNIT_ID).damper_id == "d-1"
    assert read.find_damper(serial="SN-1").damper_id == "d-1"
    assert read.find_damper(tag="B1").damper_id == "d-2"
    assert [one.damper_id for one in read.dampers_of("v-1")] == ["d-1"]
    for text in ("sn-1", "WHITE", "żuk", "555", UNIT_ID[:8]):
        found = read.search(text)
        assert [(one.damper.damper_id, one.customer_name) for one in found] == [("d-1", "Dela Żuk")], text
    assert [one.damper.damper_id for one in read.search("b1")] == ["d-2"]
    for text in ("%", "_", "\\", "' OR 1=1 --", "", " "):
        assert read.search(text) == ()
    assert read.next_tag() == "B2"
    assert read.damper_count() == 2
    with pytest.raises(InputError, match="one of them"):
        read.find_damper()


def test_a_search_has_an_end(store):
    """A page of 10 000 dampers would help nobody."""
    put_dampers(store, 60)
    found = store.read().search("s")
    assert len(found) == 50
    assert found[0].damper.damper_id == "q-59"


def test_a_unit_is_found_by_the_card_it_came_with(store):
    """A damper moved to another vehicle has another unit_id there; it is still the same damper."""
    tell_story(store)
    other = "00000000-6d2e-4b7a-9c58-0d6d3f1a2b4c"
    with store.write(MANAGER) as tx:
        tx.append("damper_put", {**DAMPER, "unit_id": other, "serial": "SN-1"}, "d-1")
    assert store.read().find_damper(unit_id=UNIT_ID).damper_id == "d-1"
    assert store.read().find_damper(unit_id=other).damper_id == "d-1"


@pytest.fixture(scope="module")
def cards(tmp_path_factory):
    """Two cards of one damper and one of another, of a vehicle that has lived."""
    yard = Yard(tmp_path_factory.mktemp("yard"))
    return yard.issue("SN-1"), yard.issue("SN-2"), yard.issue("SN-1")


def take(store, card, damper_id="d-1"):
    opened = open_card(card)
    with store.write(MANAGER) as tx:
        tx.append("damper_put", {**DAMPER, "unit_id": opened.unit_id}, damper_id)
        key = {"ledger_id": opened.ledger_id, "key_id": opened.key_id, "public_key": opened.public_key}
        tx.append("key_trusted", {**key, "how": "first sight"})
        data = {
            "ledger_id": opened.ledger_id,
            "unit_id": opened.unit_id,
            "sequence": opened.sequence,
            "digest": opened.digest,
            "key_id": opened.key_id,
            "head_row": opened.head_row,
            "notices": [],
            "accepted": [],
            "card": opened.body,
        }
        tx.append("card_imported", data, damper_id)


def test_what_was_seen_of_a_vehicle_is_what_its_cards_showed(store, cards):
    """The next card is held against this: one field wrong, and a rolled-back ledger passes."""
    first, other, second = cards
    unit = open_card(first)
    assert store.read().card_seen(unit.ledger_id, unit.unit_id) == type(seen_after(first))()
    take(store, first)
    assert store.read().card_seen(unit.ledger_id, unit.unit_id) == seen_after(first)
    take(store, other, "d-2")
    assert store.read().card_seen(unit.ledger_id, unit.unit_id) == seen_after(first, other)
    seen = store.read().card_seen(unit.ledger_id, unit.unit_id)
    assert verify(unit, seen).is_known
    assert verify(open_card(second), seen).is_accepted
    take(store, second)
    seen = store.read().card_seen(unit.ledger_id, unit.unit_id)
    assert seen == seen_after(first, other, second)
    assert [one.code for one in verify(unit, seen).refusals] == ["older"]
    assert store.read().newest_card("d-1") == store.read().card_by_digest(open_card(second).digest) == second
    assert [one.sequence for one in store.read().cards_of("d-1")] == [2, 1]
    assert {one.source for one in store.read().services_of("d-1")} == {"vehicle"}


def test_a_longer_chain_stays_known_and_an_accepted_one_replaces_it(store):
    """Another damper's card may be older, whatever was accepted; another history that a manager accepted counts."""
    tell_story(store)

    def rows_after(**changes):
        with store.write(MANAGER) as tx:
            tx.append("card_imported", card_data(**changes), "d-1")
        return len(store.read().card_seen(LEDGER_ID, UNIT_ID).ledger)

    assert rows_after(card=card_body(2, 9)) == 9
    assert rows_after(card=card_body(3, 4)) == 9
    assert rows_after(card=card_body(2, 4), accepted=["rolled_back"]) == 9
    other = [f"{row:064x}" for row in (1, 2, 3, 99)]
    evidence = {"head_row": 4, "chain": other, "entries": []}
    assert rows_after(card=card_body(2, evidence=evidence), accepted=["rolled_back"]) == 4
    more = {"head_row": 5, "chain": [*other, "5" * 64], "entries": []}
    assert rows_after(card=card_body(3, evidence=more)) == 5


def test_a_damper_of_another_ledger_is_told_once(store):
    """Once a manager has accepted that it was moved, its next card comes from the ledger it lives in."""
    tell_story(store)
    other = "b2" * 32
    assert store.read().card_seen(other, UNIT_ID).other_ledger
    assert not store.read().card_seen(LEDGER_ID, UNIT_ID).other_ledger
    with store.write(MANAGER) as tx:
        tx.append("card_imported", card_data(card_body(), ledger_id=other, accepted=["other_ledger"]), "d-1")
    assert not store.read().card_seen(other, UNIT_ID).other_ledger
    assert store.read().card_seen(LEDGER_ID, UNIT_ID).other_ledger


def test_keys_are_trusted_until_withdrawn(store):
    """A key that was stolen must not open the door again; a summary names only the start of its ledger."""
    tell_story(store)
    assert store.read().card_seen(LEDGER_ID, UNIT_ID).keys == {"0123456789abcdef": "ef" * 32}
    assert store.read().trusted_keys(LEDGER_ID[:16]) == {"0123456789abcdef": "ef" * 32}
    for text in ("", "a", "%" * 16, "b" * 16, LEDGER_ID[:15] + "_"):
        assert store.read().trusted_keys(text) == {}
    key = {"ledger_id": LEDGER_ID, "key_id": "0123456789abcdef", "public_key": "ef" * 32, "how": "withdrawn"}
    with store.write(MANAGER) as tx:
        tx.append("key_trusted", key)
    assert store.read().card_seen(LEDGER_ID, UNIT_ID).keys == {}
    assert store.read().trusted_keys(LEDGER_ID[:16]) == {}
    assert [one.how for one in store.read().vehicle_keys()] == ["withdrawn"]


def test_jobs_and_their_entries(store):
    """A job is open until it is handed over; all that was told of it comes back in order."""
    job_id = tell_story(store)
    read = store.read()
    job = read.job(job_id)
    assert (job.damper_id, job.is_open, job.stage, job.triage_row) == ("d-1", False, "handed_over", "outing")
    assert read.card_of_job(job.card_row)["issued"]["sequence"] == 1
    assert [(one.job.damper_id, one.label) for one in read.open_jobs()] == [("d-2", "B1")]
    assert [one.job_id for one in read.jobs_of("d-1")] == [job_id]
    kinds = [one.kind for one in read.entries_of_job(job_id)]
    assert (kinds[0], kinds[-1], len(kinds)) == ("job_opened", "stage", 10)
    assert job.newest_row == read.entries_of_job(job_id)[-1].row
    assert read.job(99) is read.job(-(10**30)) is None
    with store.write(TECHNICIAN) as tx:
        tx.append("stage", {"stage": "in_work"}, job_id=job_id)
    assert [one.job.job_id for one in store.read().open_jobs()] == [job_id + 1, job_id]


def test_services_of_vehicle_and_bench_stand_side_by_side(store):
    """One history of a damper; the newest card's word on its own services, each record once."""
    tell_story(store)
    found = [(one.source, one.number, one.day, one.replaced) for one in store.read().services_of("d-1")]
    assert found == [("bench", 1, "2026-11-30", ("oil", "hose")), ("vehicle", 2, "2026-03-03", ("oil",))]
    services = card_body()["services"]
    own = {"entry": 7, "day": "2026-11-30", "by": "Bo", "replaced": ["oil"], "found": {}}
    taken = {"row": 9, "kind": "service_record", "data": f'{{"digest":"{"b0" * 32}","service":7}}'}
    strange = {"row": 10, "kind": "service_record", "data": f'{{"digest":"{"c0" * 32}","service":2}}'}
    evidence = {"chain": [], "entries": [taken, strange, {"row": 11, "kind": "service_record", "data": "["}]}
    with store.write(MANAGER) as tx:
        card = card_body(2, services=[*services, own], evidence=evidence | {"head_row": 0})
        tx.append("card_imported", card_data(card), "d-1")
    assert [(one.source, one.number) for one in store.read().services_of("d-1")] == [("bench", 1), ("vehicle", 2)]
    assert [one.sequence for one in store.read().records_of("d-1")] == [1]


def test_a_corrected_record_replaces_what_its_job_said(store):
    """Both stay in the chain; learning must not count a job twice."""
    job_id = tell_story(store)
    made = {"sequence": 2, "digest": "b1" * 32, "record": record_body(found={"oil": "failed"}, replaced=["oil"])}
    with store.write(TECHNICIAN) as tx:
        tx.append("record_made", made, job_id=job_id)
    looks = store.read().findings_of_profile("desert")
    assert [(one.part, one.grade, one.is_replaced) for one in looks] == [("oil", "failed", True)]
    assert [one.sequence for one in store.read().records_of("d-1")] == [2]


def test_findings_carry_how_far_the_card_had_the_part_used(store):
    """Budgets are learned from this; a job without a card says nothing of use."""
    tell_story(store)
    looks = {one.part: one for one in store.read().findings_of_profile("desert")}
    assert set(looks) == {"oil", "shaft_seal", "hose"}
    assert (looks["oil"].used_share, looks["oil"].used_ratio, looks["oil"].grade) == (0.4, 0.5, "worn")
    assert (looks["hose"].used_ratio, looks["hose"].grade, looks["hose"].is_replaced) == (None, None, True)
    finish_job(store, "d-1", digest="c" * 64)
    assert store.read().findings_of_profile("desert")[-1].used_ratio is None
    assert store.read().findings_of_profile("street") == ()


def test_findings_are_those_of_the_dampers_seen_last(store):
    """A page can't read ten thousand of them; of a damper that counts, all it was ever found with comes."""
    put_dampers(store, 3, profile_name="p")
    for damper_id in ("q-0", "q-1", "q-2", "q-0"):
        finish_job(store, damper_id, replaced=["oil"], found={})
    finish_job(store, "q-1", replaced=["hose"], found={})
    found = [(one.damper_id, one.part) for one in store.read().findings_of_profile("p", 2)]
    assert found == [("q-0", "oil"), ("q-2", "oil"), ("q-0", "oil"), ("q-1", "hose")]
    assert len(store.read().findings_of_profile("p")) == 5


@pytest.mark.parametrize(
    ("ratios", "median"), [([0.5], 0.5), ([1.5, 0.5], 1.0), ([0.5, 2.0, 1.0], 1.0), ([4.0, 0.5, 1.0, 2.0], 1.5)]
)
def test_like_units_tell_the_median_of_what_was_replaced(store, ratios, median):
    """What was looked at and left in doesn't say when others replaced it."""
    put_dampers(store, len(ratios), profile_name="p")
    for number, ratio in enumerate(ratios):
        card = card_body(1, parts=[{"part": "oil", "used_share": ratio, "used_ratio": ratio}])
        with store.write(MANAGER) as tx:
            tx.append("card_imported", card_data(card, digest=f"x{number}", unit_id=f"u{number}"), f"q-{number}")
        finish_job(store, f"q-{number}", f"x{number}", replaced=["oil"], found={"shaft_seal": "usable"})
    low, high = min(ratios), max(ratios)
    assert store.read().like_units("p") == (LikeRow("oil", len(ratios), low, pytest.approx(median), high),)
    assert store.read().like_units("q") == ()


def test_due_rows_are_found_by_their_earliest_day(store):
    """The board asks for weeks ahead; the newest forecast replaces all of a damper's rows."""
    tell_story(store)
    assert [(one.part, one.label, one.customer_name) for one in store.read().due_rows("2026-12-01")] == [
        ("oil", "SN-1", "Dela Żuk")
    ]
    assert store.read().due_rows("2026-11-30") == ()
    assert [one.part for one in store.read().due_rows("2027-05-01")] == ["oil", "charge"]
    assert [one.used_ratio for one in store.read().due_of("d-1")] == [0.25, None]
    with store.write(TECHNICIAN) as tx:
        tx.append("due_put", {"day": "2026-12-02", "basis": "card", "rows": [{"part": "hose"}]}, "d-1")
    assert [(one.part, one.day) for one in store.read().due_of("d-1")] == [("hose", "2026-12-02")]
    assert store.read().due_rows("2099-01-01") == ()


def test_stock_is_the_sum_of_its_changes(store):
    """Two benches take from one shelf; each change is added, none overwrites another."""
    tell_story(store)
    with store.write(TECHNICIAN) as tx:
        tx.append("stock_change", {"part_no": "K-7", "change": -7, "why": "counted"})
    expected = StockRow("K-7", "seal kit", "seals", None, 14, 4550, 2, False, -2)
    assert store.read().stock_rows() == (expected,)
    assert store.read().stock_row("K-7") == expected
    assert [one.data["change"] for one in store.read().stock_changes()] == [-7, 5]
    part = {"part_no": "K-7", "name": "seal kit", "lead_days": 14, "least_count": 2, "is_gone": True}
    with store.write(MANAGER) as tx:
        tx.append("part_put", part)
    assert store.read().stock_rows() == ()
    assert [one.count for one in store.read().stock_rows(is_gone_too=True)] == [-2]


def test_the_bench_itself(store):
    """Accounts, rules with their history, and pages of the audit log."""
    assert store.read().bench() is store.read().rules() is None
    assert store.read().head() == (0, FIRST_PREV_HASH.hex())
    tell_story(store)
    read = store.read()
    assert read.bench() == Bench("b-1", "Bench", "ab" * 8, "cd" * 32)
    assert read.accounts() == (Account("Ada", "manager", {"salt": "00"}, False),)
    assert read.account("ada") is None
    with store.write(TECHNICIAN) as tx:
        tx.append("rules_put", {"version": 2, "text": "[[rule]]\n\n", "why": "milder"})
    assert [(one.version, one.by) for one in store.read().rules_history()] == [(2, "Bo Lind"), (1, "Ada Quill")]
    assert store.read().rules().why == "milder"
    rows = [one.row for one in store.read().entries(limit=3)]
    assert rows == sorted(rows, reverse=True)
    assert [one.row for one in store.read().entries(before=rows[-1], limit=1)] == [rows[-1] - 1]
    assert [one.kind for one in store.read().entries(kind="signed")] == ["signed"]
    assert store.read().entries(before=-(10**30)) == ()
    assert store.read().entry(2).kind == "account_put"
    assert store.read().entry(10**30) is None


def test_radio_keeps_the_newest(store):
    """Messages may come twice and out of order."""
    tell_story(store)
    base = {"vehicle_id": "truck", "unit_id": UNIT_ID, "utc": "2026-11-30T08:00:00Z", "totals": {}}

    def newest_after(revision, sequence, **changes):
        with store.write(MANAGER) as tx:
            tx.append("radio_duty", {**base, "revision": revision, "sequence": sequence, **changes}, "d-1")
        found = store.read().radio("d-1")
        return found.revision, found.sequence

    assert newest_after(1, 8) == (1, 9)
    assert newest_after(1, 10) == (1, 10)
    assert newest_after(2, 1) == (2, 1)
    assert newest_after(1, 99) == (2, 1)
    assert newest_after(1, 1, unit_id="another") == (1, 1)
    assert store.read().radio("d-2") is None


def test_questions_of_one_reading_see_the_same(store):
    """A page must not show a job that its own list lacks."""
    tell_story(store)
    with store.read() as reading:
        before = reading.head()
        with store.write(MANAGER) as tx:
            tx.append("signed_in", {"address": "::1"})
        assert reading.head() == before
        assert reading.photo(store.read().entries(kind="finding")[0].data["photos"][0]).body == JPEG_BYTES
    assert store.read().head()[0] == before[0] + 1


def test_a_closed_store_says_so(tmp_path):
    """A page that comes too late gets a line."""
    store = Store.open(tmp_path / "bench.sqlite")
    store.close()
    store.close()
    with pytest.raises(StoreError, match="is closed"):
        store.read()
