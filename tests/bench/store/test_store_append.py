"""Entries are checked, chained and durable; what is wrong leaves nothing behind."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.store.store_on import DAMPER, MANAGER
from bench.store.story import JPEG_BYTES, PNG_BYTES, card_body, card_data, dump, record_body, tell_story
from dutylog.bench.entry_kinds import DATA_LIMIT, KINDS
from dutylog.bench.store import Who
from dutylog.bench.store.chain import Entry, compute_hash
from dutylog.errors import InputError

EXAMPLE = Entry(
    row=3,
    utc="2026-11-30T09:15:02Z",
    who="Ada",
    role="manager",
    kind="stock_change",
    damper_id=None,
    job_id=None,
    text='{"change":5,"job":null,"part_no":"K-7","why":"geliefert für Größe 7"}',
    prev_hash=bytes(32),
    hash=b"",
    data={},
)
EXAMPLE_BYTES = (
    "dutylog-bench-entry-1\n"
    "1:3,20:2026-11-30T09:15:02Z,3:Ada,7:manager,12:stock_change,-,-,"
    '72:{"change":5,"job":null,"part_no":"K-7","why":"geliefert für Größe 7"},'
    "64:" + "0" * 64 + ","
).encode()


def test_hash_is_over_the_bytes_the_contract_shows():
    """Other people's programs check a backup by this; never to change."""
    assert compute_hash(EXAMPLE).hex() == hashlib.sha256(EXAMPLE_BYTES).hexdigest()
    assert compute_hash(EXAMPLE).hex() == "c220fd4a3e99a53764339ae448f3e976627980641b089c2595afca6bd68d3364"


@pytest.mark.parametrize(
    "change",
    [
        {"row": 4}, {"utc": "2026-11-30T09:15:03Z"}, {"who": "Adam"}, {"role": "viewer"}, {"kind": "part_put"},
        {"damper_id": ""}, {"damper_id": "d"}, {"job_id": 0}, {"text": "{}"}, {"prev_hash": bytes(31) + b"\1"},
        {"who": "Ada,7:manager", "role": ""},
    ],
    ids=str,
)  # fmt: skip
def test_every_field_is_in_the_hash(change):
    """A field that isn't hashed could be changed unseen."""
    assert compute_hash(replace(EXAMPLE, **change)) != compute_hash(EXAMPLE)


def test_story_has_every_kind_of_entry(store):
    """What the other tests compare is all there is; a new kind must come into the story."""
    tell_story(store)
    assert {row[4] for row in dump(store)["entry"]} == set(KINDS)
    assert store.verify().is_good


def test_entry_says_who_when_and_of_what(store):
    """The audit log is made of this."""
    job_id = tell_story(store)
    finding = next(one for one in store.read().entries_of_job(job_id) if one.kind == "finding")
    assert (finding.who, finding.role, finding.utc) == ("Bo Lind", "technician", "2026-11-30T09:15:02Z")
    assert (finding.damper_id, finding.job_id) == ("d-1", job_id)
    assert finding.data["note"] is None
    assert finding.data["measures"] == {"runout_mm": 0.05}


def test_nothing_of_a_broken_transaction_stays(store):
    """Half an intake would be worse than none."""
    tell_story(store)
    before = dump(store)

    def tell(vehicle_key):
        with store.write(MANAGER) as tx:
            tx.append("customer_put", {"customer_id": "c-2", "name": "Fay"})
            tx.put_photo(PNG_BYTES, "image/png")
            tx.append("damper_put", {**DAMPER, "vehicle_key": vehicle_key}, "d-3")
            raise LookupError("the page's own fault")

    with pytest.raises(InputError, match="vehicle v-9 is not known"):
        tell("v-9")
    with pytest.raises(LookupError):
        tell("v-1")
    assert dump(store) == before
    with store.write(MANAGER) as tx:
        assert tx.append("signed_in", {"address": "::1"}).row == len(before["entry"]) + 1
    assert store.verify().is_good


def test_a_transaction_reads_what_it_appended(store):
    """Intake looks up what it has just written; others see it only afterwards."""
    with store.write(MANAGER) as tx:
        tx.append("damper_put", {**DAMPER, "serial": "SN-7"}, "d-7")
        assert tx.read.find_damper(serial="SN-7").damper_id == "d-7"
        assert store.read().find_damper(serial="SN-7") is None
        job = tx.append("job_opened", {"basis": "stated"}, "d-7")
        second = tx.append("job_opened", {"basis": "stated"}, "d-7")
        assert (job.job_id, second.job_id) == (1, 2)
    assert store.read().find_damper(serial="SN-7").damper_id == "d-7"


WRONG = {
    "unknown kind": ("nonsense", {}, {}, "kind 'nonsense'"),
    "missing": ("customer_put", {"customer_id": "c"}, {}, "customer_put: name is missing"),
    "empty": ("customer_put", {"customer_id": "c", "name": " "}, {}, "name is empty"),
    "unknown field": ("signed_in", {"address": "a", "x": 1}, {}, "field 'x'"),
    "number for text": ("signed_in", {"address": 5}, {}, "address: expected text"),
    "too long": ("signed_in", {"address": "x" * 201}, {}, "201 characters"),
    "NUL": ("signed_in", {"address": "a\0b"}, {}, "'\\\\x00'"),
    "line in text": ("signed_in", {"address": "a\nb"}, {}, "no text"),
    "surrogate": ("signed_in", {"address": "a\ud800"}, {}, "no text"),
    "true for integer": ("stock_change", {"part_no": "K-7", "change": True, "why": "x"}, {}, "whole number"),
    "huge integer": ("stock_change", {"part_no": "K-7", "change": 2**53 + 1, "why": "x"}, {}, "whole number"),
    "float for integer": ("stock_change", {"part_no": "K-7", "change": 1.0, "why": "x"}, {}, "whole number"),
    "text for flag": ("account_put", {"name": "A", "role": "viewer", "is_closed": "no"}, {}, "yes or no"),
    "list for object": ("account_put", {"name": "A", "role": "v", "is_closed": False, "code": []}, {}, "an object"),
    "object for list": ("card_refused", {"reasons": {}}, {}, "a list"),
    "NaN inside": ("card_refused", {"reasons": [float("nan")]}, {}, "plain JSON"),
    "bytes inside": ("card_refused", {"reasons": [b"x"]}, {}, "plain JSON"),
    "surrogate inside": ("card_refused", {"reasons": ["\ud800"]}, {}, "plain JSON"),
    "no owner": ("due_put", {"day": "2026-11-30", "basis": "card", "rows": []}, {}, "belongs to a damper"),
    "unknown owner": ("summary_seen", {"sequence": 1, "summary": {}}, {"damper_id": "x"}, "damper x is not known"),
    "owner too many": ("signed_in", {"address": "a"}, {"damper_id": "d-1"}, "belongs to no damper"),
    "job too many": ("signed_in", {"address": "a"}, {"job_id": 1}, "belongs to no job"),
    "no job": ("signed", {"as": "builder"}, {}, "belongs to a job"),
    "unknown job": ("signed", {"as": "builder"}, {"job_id": 99}, "job 99 is not known"),
    "other's job": ("signed", {"as": "builder"}, {"job_id": 1, "damper_id": "d-2"}, "another damper"),
    "unknown part": ("stock_change", {"part_no": "K-9", "change": 1, "why": "x"}, {}, "part K-9 is not known"),
    "unknown customer": ("vehicle_put", {"vehicle_key": "v", "label": "x", "customer_id": "y"}, {}, "customer y"),
    "unknown photo": (
        "finding", {"item": "x", "grade": "worn", "measures": {}, "photos": ["ab"]}, {"job_id": 1}, "photo ab",
    ),
    "construction": ("damper_put", {**DAMPER, "construction": "magic"}, {"damper_id": "d"}, "construction 'magic'"),
    "day": ("due_put", {"day": "soon", "basis": "card", "rows": []}, {"damper_id": "d-1"}, "no day"),
    "due day": (
        "due_put", {"day": "2026-11-30", "basis": "card", "rows": [{"part": "oil", "late": "x"}]},
        {"damper_id": "d-1"}, "late: .* no day",
    ),
    "due rows": ("due_put", {"day": "2026-11-30", "basis": "c", "rows": [1]}, {"damper_id": "d-1"}, "list of objects"),
    "part twice": (
        "due_put", {"day": "2026-11-30", "basis": "card", "rows": [{"part": "oil"}, {"part": "oil"}]},
        {"damper_id": "d-1"}, "refuses a row",
    ),
    "rules behind": ("rules_put", {"version": 1, "text": "x", "why": "y"}, {}, "not above 1"),
    "record day": (
        "record_made", {"sequence": 1, "digest": "x", "record": {"found": {}}}, {"job_id": 1}, "day None is no day",
    ),
    "record part": (
        "record_made", {"sequence": 1, "digest": "x", "record": record_body(replaced=["wheel"])}, {"job_id": 1},
        "list of parts",
    ),
    "record grade": (
        "record_made", {"sequence": 1, "digest": "x", "record": record_body(found={"oil": ["worn"]})}, {"job_id": 1},
        "grades",
    ),
    "card chain": (
        "card_imported", card_data(card_body(evidence={"head_row": 1, "chain": ["zz"]})), {"damper_id": "d-1"},
        "evidence.chain",
    ),
    "card services": (
        "card_imported", card_data(card_body(services=[{"entry": "2"}])), {"damper_id": "d-1"}, "services: entry",
    ),
}  # fmt: skip


def test_what_is_wrong_is_refused_in_one_line(store):
    """Pages hand these lines to people; nothing of the entry may stay."""
    tell_story(store)
    before = store.read().head()
    for case, (kind, data, owner, text) in WRONG.items():
        said = refusal(store, kind, data, owner)
        assert re.search(text, said), (case, said)
        assert "\n" not in said
    assert store.read().head() == before


def refusal(store, kind, data, owner):
    """Return what an entry is refused with, 'taken' where it isn't."""
    try:
        with store.write(MANAGER) as tx:
            tx.append(kind, data, **owner)
    except InputError as err:
        return str(err)
    return "taken"


def test_data_has_a_size_and_a_depth(store):
    """A card of 4 MB goes in, more doesn't; nesting ends in a line, not in a crash."""
    deep: list = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(InputError, match="nested too deeply"), store.write(MANAGER) as tx:
        tx.append("card_refused", {"reasons": deep})
    with pytest.raises(InputError, match="bytes of data"), store.write(MANAGER) as tx:
        tx.append("card_refused", {"reasons": ["x" * DATA_LIMIT]})
    with store.write(MANAGER) as tx:
        tx.append("card_refused", {"reasons": ["ä" * 2_200_000]})
    assert store.verify().is_good


def test_who_writes_must_be_somebody(store):
    """An entry without a name is worth nothing."""
    for who in (Who("A\0da", "manager"), Who("x" * 300, "manager"), Who("Ada", "\n")):
        with pytest.raises(InputError, match="who writes"), store.write(who):
            pass


def test_photos_are_kept_once_by_their_hash(store):
    """Two technicians may send the same photo; a page must never hand out what is no picture."""
    with store.write(MANAGER) as tx:
        first = tx.put_photo(PNG_BYTES, "image/png")
        assert tx.put_photo(PNG_BYTES, "image/png") == first == hashlib.sha256(PNG_BYTES).hexdigest()
    assert store.read().photo(first).body == PNG_BYTES
    assert store.read().photo("ab") is None
    for body, media_type in ((b"<svg onload=x>", "image/png"), (JPEG_BYTES, "image/png"), (JPEG_BYTES, "text/html")):
        with pytest.raises(InputError, match="its bytes are no"), store.write(MANAGER) as tx:
            tx.put_photo(body, media_type)
    with pytest.raises(InputError, match="at most"), store.write(MANAGER) as tx:
        tx.put_photo(JPEG_BYTES + bytes(4 << 20), "image/jpeg")


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


@st.composite
def hostile(draw):
    kind = draw(st.sampled_from(sorted(KINDS)))
    names = [*KINDS[kind].fields, "x"]
    data = {name: draw(ANY) for name in draw(st.lists(st.sampled_from(names), unique=True, max_size=8))}
    owner = draw(st.sampled_from([{}, {"damper_id": "d-1"}, {"job_id": 1}, {"job_id": 2}]))
    return kind, data, owner


def test_any_data_ends_in_an_entry_or_one_line(bench_store):
    """Forms and cards bring anything; never another error, never a table that the chain doesn't give again."""
    tell_story(bench_store)

    @given(case=hostile())
    @settings(max_examples=150, suppress_health_check=list(HealthCheck))
    def tell(case):
        assert "\n" not in refusal(bench_store, *case)

    tell()
    before = dump(bench_store)
    bench_store.rebuild()
    assert dump(bench_store) == before
    assert bench_store.verify().is_good
