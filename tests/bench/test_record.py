"""A service record: signed, whole, and nothing else is taken for one."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.jobs_made import CURVE, Job, built_job
from dutylog.bench.after_curve import cool_curve
from dutylog.bench.canonical import RECORD, sign
from dutylog.bench.keys import make_private_key
from dutylog.bench.record_make import (
    Bench,
    OfDamper,
    RecordPlace,
    curve_of_bench,
    found_parts,
    make_record,
    new_profile,
    record_bytes,
    record_digest,
)
from dutylog.bench.record_read import read_record, request_of
from dutylog.errors import CardRefused, InputError
from dutylog.ledger.command import check_request
from dutylog.ledger.rows import Unit

KEY = make_private_key()
BENCH = Bench("6b1f2c3e-0000-4000-8000-000000000001", "Dune Bench")
STACK = [{"side": "compression", "diameter_mm": 40, "thickness_mm": 0.2, "count": 6}]
REVALVED: Mapping[str, Any] = {"is_revalved": True, "shims": STACK, "profile_name": "desert_2"}


def place(sequence: int = 1, previous: str | None = None, job: int = 1, day: str = "2026-10-30") -> RecordPlace:
    return RecordPlace(sequence, previous, job, f"{job:064x}", day, f"{day}T09:15:02Z")


def record_of(
    job: Job | None = None,
    at: RecordPlace | None = None,
    unit_id: str | None = "unit-1",
    serial: str | None = "SN-1",
    key: Any = KEY,
    bench: Bench = BENCH,
    **more: Any,
) -> dict[str, Any]:
    made = job or built_job()
    damper = OfDamper(unit_id, serial, None, made.construction, "none", **more)
    parts = {"leak_seal_head": ("shaft_seal",), "rod_end_play": ("joints",), "bladder_state": ("bladder",)}
    return make_record(made.state, made.sheet, bench, at or place(), damper, parts, made.profile, key, "done")


@pytest.fixture(scope="module")
def full() -> dict[str, Any]:
    """A record in which no field is empty that can be filled."""
    job = built_job(REVALVED, CURVE)
    job.entries.insert(0, job.tell("finding", item="leak_seal_head", grade="worn", measures={"wet_again": 1.0},
                                   note="drops", photos=[]))  # fmt: skip
    job.entries.pop()
    job.entries.insert(0, job.tell("curve_put", which="before", name="in.csv", **CURVE))
    job.entries.pop()
    job = _renumbered(job)
    at = place(2, "a" * 64)
    card = {"ledger_id": "b" * 64, "vehicle_id": "truck", "card_sequence": 3, "card_digest": "c" * 64}
    return record_of(job, at, **card)


def _renumbered(job: Job) -> Job:
    told, job.entries = job.entries, []
    for one in told:
        job.tell(one.kind, one.who, **one.data)
    return job


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, (*path, key))
    elif isinstance(value, list):
        for at, one in enumerate(value):
            yield from leaves(one, (*path, at))
    else:
        yield path


def changed(record: Mapping[str, Any], path: tuple[Any, ...]) -> dict[str, Any]:
    other = copy.deepcopy(dict(record))
    inner: Any = other
    for step in path[:-1]:
        inner = inner[step]
    old = inner[path[-1]]
    inner[path[-1]] = (
        not old if isinstance(old, bool) else old + 1 if isinstance(old, (int, float)) else f"{old or ''}x"
    )
    return other


def test_a_record_reads_back_as_it_was_made(full: dict[str, Any]) -> None:
    """Through its file, with every field."""
    record = read_record(record_bytes(full))
    assert record.digest == record_digest(full)
    assert (record.sequence, record.job, record.day, record.serial) == (2, 1, "2026-10-30", "SN-1")
    assert dict(record.body) == json.loads(json.dumps(full))
    assert record.profile is not None
    assert record.profile.name == "desert_2"
    assert record.profile.force[0].curve.speeds_mps == (-1.0, -0.2, 0.0, 0.2, 1.0)
    assert record.body["found"] == {"shaft_seal": "worn"}
    assert record.body["by"] == "Ada"
    assert record.body["checked_by"] == "Cleo"


def test_every_single_change_of_a_field_is_refused(full: dict[str, Any]) -> None:
    """One leaf at a time, all of them."""
    paths = list(leaves(full))
    assert len(paths) > 90
    for path in paths:
        with pytest.raises(CardRefused) as caught:
            read_record(json.dumps(changed(full, path)).encode())
        assert "\n" not in str(caught.value)


def test_a_field_more_or_less_is_refused(full: dict[str, Any]) -> None:
    """Also where the signature is made anew: the form is ours alone."""
    for name in full:
        lacking = {key: value for key, value in full.items() if key != name}
        if name != "signature":
            lacking = sign(RECORD, lacking, KEY)
        with pytest.raises(CardRefused):
            read_record(json.dumps(lacking).encode())
    with pytest.raises(CardRefused, match="unknown field"):
        read_record(json.dumps(sign(RECORD, {**full, "more": 1}, KEY)).encode())


def test_a_newer_schema_says_so(full: dict[str, Any]) -> None:
    """The owner updates; nobody calls it tampered."""
    with pytest.raises(CardRefused, match="newer dutylog"):
        read_record(json.dumps(sign(RECORD, {**full, "schema": 2}, KEY)).encode())


def test_a_card_is_no_record(full: dict[str, Any]) -> None:
    """The kinds don't pass for each other."""
    with pytest.raises(CardRefused, match="is no service record"):
        read_record(json.dumps({**full, "kind": "dutylog-duty-card"}).encode())


def test_a_file_cut_anywhere_is_refused(full: dict[str, Any]) -> None:
    """At every length of its head, then in steps."""
    data = record_bytes(full)
    for end in [*range(200), *range(200, len(data) - 2, 97), len(data) - 2, len(data) - 3]:
        with pytest.raises(CardRefused):
            read_record(data[:end])


@pytest.mark.parametrize("data", [b"", b"[" * 5000, b'{"a":' * 20 + b"1" + b"}" * 20, b" " * 300_000, b"\xff\xfe{}"])
def test_hostile_files_are_one_line(data: bytes) -> None:
    """Deep, long, empty, no text."""
    with pytest.raises(CardRefused) as caught:
        read_record(data)
    assert "\n" not in str(caught.value)


@given(st.binary(max_size=400))
def test_no_bytes_make_it_fall_over(data: bytes) -> None:
    """CardRefused, whatever it is."""
    with pytest.raises(CardRefused):
        read_record(data)


@pytest.mark.parametrize("speeds", [[-1.0, 0.2, -0.2, 1.0], [-1.0, 0.0, 0.0, 1.0], [-1.0, 0.0, 1.0]])
def test_a_new_curve_whose_speeds_do_not_rise_is_refused(full: dict[str, Any], speeds: list[float]) -> None:
    """Signed by the bench or not: no vehicle file could have it."""
    profile = copy.deepcopy(full["profile"])
    profile["force"] = [{"travel_m": 0.0, "speeds_mps": speeds, "forces_n": [-3000.0, 0.0, 500.0, 1500.0]}]
    with pytest.raises(CardRefused, match="speeds don't rise, or lack forces"):
        read_record(json.dumps(sign(RECORD, {**full, "profile": profile}, KEY)).encode())


def test_no_record_without_two_signatures() -> None:
    """Nor after a later word on the sheet."""
    job = built_job()
    job.build(only=["oil_volume_ml"])
    with pytest.raises(InputError, match="not signed by its builder and a second person"):
        record_of(job)


def test_what_no_vehicle_would_read_is_refused_at_the_bench() -> None:
    """Before it is handed out, not in the owner's yard."""
    job = built_job()
    damper = OfDamper(None, "S" * 201, None, "floating_piston", "none")
    with pytest.raises(InputError, match=r"damper\.serial: text of 201 characters"):
        make_record(job.state, job.sheet, BENCH, place(), damper, {}, job.profile, KEY)


def test_revalved_without_a_known_profile_is_refused() -> None:
    """A curve alone has no stroke and no shaft."""
    job = built_job(REVALVED, CURVE)
    damper = OfDamper(None, "SN-1", None, "floating_piston", "none")
    with pytest.raises(InputError, match="import its duty card"):
        make_record(job.state, job.sheet, BENCH, place(), damper, {}, None, KEY)


def test_a_curve_that_no_damper_has_is_refused() -> None:
    """Signs turned round on the bench would drive the wheel."""
    with pytest.raises(InputError, match="opposite signs"):
        curve_of_bench({"speeds_mps": [-1.0, 1.0], "forces_n": [3000.0, -1000.0]})
    with pytest.raises(InputError, match="rebound"):
        curve_of_bench({"speeds_mps": [0.5, 1.0], "forces_n": [300.0, 1000.0]})


def test_the_worst_point_is_the_parts_grade() -> None:
    """What nobody looked at says nothing."""
    job = Job()
    for item, grade in (("a", "usable"), ("b", "worn"), ("c", "not_looked"), ("d", "as_new")):
        job.tell("finding", item=item, grade=grade, measures={}, note=None, photos=[])
    parts = {"a": ("oil", "joints"), "b": ("oil",), "c": ("hose",), "d": ("joints",)}
    assert found_parts(job.state.newest_findings, parts) == {"oil": "worn", "joints": "usable"}


def test_long_names_and_notes_of_many_lines_become_what_a_ledger_takes() -> None:
    """A record may hold more than the ledger's fields: cut with a sign that says so, never refused for it."""
    job = built_job()
    job.entries = [replace(one, who="A" * 150) if one.who == "Ada" else one for one in job.entries]
    damper, note = OfDamper(None, "SN-1", None, "floating_piston", "none"), "first\nsecond " + "x" * 600
    made = make_record(job.state, job.sheet, BENCH, place(), damper, {}, job.profile, KEY, note)
    unit = Unit("unit-1", "SN-1", None, "desert", 0, None)
    request = check_request({"schema": 1, **request_of(read_record(record_bytes(made)), unit, "Bo")})
    assert (len(request["done_by"]), request["done_by"][-1]) == (64, "…")
    assert request["note"].startswith("first second x")
    assert len(request["note"]) == 500


def test_a_warm_curve_is_brought_back_to_the_profiles_own_temperature() -> None:
    """Measured 40 K above its reference with a fade of 0.1 % a kelvin, it shows 96 of 100 of what it is cold."""
    job = built_job()
    job.build({**REVALVED})
    job.curve(curve={**CURVE, "forces_n": [0.96 * one for one in CURVE["forces_n"]]}, body_c=70.0)
    made = new_profile(job.sheet, job.profile)
    assert made is not None
    told = dict(zip(made["force"][0]["speeds_mps"], made["force"][0]["forces_n"], strict=True))
    cold = dict(zip(CURVE["speeds_mps"], CURVE["forces_n"], strict=True)) | {0.0: 0.0}
    assert told == {speed: pytest.approx(force) for speed, force in cold.items()}
    with pytest.raises(InputError, match="fades with it"):
        cool_curve({**CURVE, "body_c": None}, job.profile)
