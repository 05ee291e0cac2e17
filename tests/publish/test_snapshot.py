"""The snapshot contract: what is sent arrives equal, and nothing a socket carries can do harm."""

from __future__ import annotations

import json
import re
from dataclasses import MISSING, asdict, fields
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.engine.state import STATES
from dutylog.errors import FrameError
from dutylog.publish.snapshot import (
    MAX_LINE_BYTES,
    DamperNow,
    Snapshot,
    SourceNow,
    State,
    TripNow,
    VehicleName,
    encode_snapshot,
    parse_snapshot,
)
from web.samples import HOSTILE, damper_now, snapshot

DOCUMENT = (Path(__file__).parents[2] / "shared" / "SNAPSHOT.md").read_text(encoding="utf-8")


def as_object(**changes: Any) -> dict[str, Any]:
    """Return a valid snapshot as an object, for garbling."""
    return {**json.loads(encode_snapshot(snapshot())), **changes}


def line_of(value: Any) -> bytes:
    return json.dumps(value).encode()


def test_what_is_sent_arrives_equal() -> None:
    """Core and pages share the form; nothing is rounded or lost between them."""
    sent = snapshot(41, trip=None, speed_mps=None, ambient_c=-12.25)
    assert parse_snapshot(encode_snapshot(sent).rstrip(b"\n")) == sent


def test_line_is_one_line_even_with_hostile_names() -> None:
    """A line feed inside a name must not end the line."""
    encoded = encode_snapshot(snapshot(vehicle=VehicleName("v", HOSTILE + "\u2028")))
    assert encoded.count(b"\n") == 1
    assert parse_snapshot(encoded[:-1]).vehicle.name == HOSTILE + "\u2028"


def test_damper_of_no_known_unit_is_shown() -> None:
    """Before its first tile core may not know which unit sits where."""
    sent = snapshot(1, dampers=(damper_now("front_left", unit_id="", serial=None, state="waiting"),))
    assert parse_snapshot(encode_snapshot(sent)[:-1]) == sent


def test_unknown_fields_are_left_out() -> None:
    """A newer core may say more."""
    value = as_object(new_field={"a": 1})
    value["dampers"][0]["rod_wear_um"] = 99.0
    assert parse_snapshot(line_of(value)) == snapshot()


@pytest.mark.parametrize(
    "name", [f.name for f in fields(Snapshot) if f.default is MISSING and f.default_factory is MISSING]
)
def test_missing_field_is_refused_by_name(name: str) -> None:
    """A half snapshot shown as whole would mislead."""
    value = as_object()
    del value[name]
    with pytest.raises(FrameError, match=name):
        parse_snapshot(line_of(value))


@pytest.mark.parametrize("name", [f.name for f in fields(DamperNow) if f.default is MISSING])
def test_missing_field_of_a_damper_is_refused_by_name(name: str) -> None:
    """The same inside the list."""
    value = as_object()
    del value["dampers"][2][name]
    with pytest.raises(FrameError, match=rf"dampers\.2\.{name}"):
        parse_snapshot(line_of(value))


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 2},
        {"schema": "1"},
        {"seq": -1},
        {"seq": 1.5},
        {"seq": 2**60},
        {"seq": True},
        {"moving": 1},
        {"speed_mps": "18"},
        {"speed_mps": -1.0},
        {"mono_s": None},
        {"dampers": None},
        {"dampers": {}},
        {"trip": {"number": 1}},
        {"source": {"kind": "x", "text": "y", "state": "exploded"}},
        {"vehicle": {"id": "", "name": "x"}},
        {"vehicle": {"id": "v", "name": "x" * 301}},
        {"vehicle": {"id": "v", "name": "two\nlines"}},
        {"vehicle": {"id": "v", "name": "nul\x00"}},
        {"drops": {"bad\nname": 1}},
        {"engine": 1},
    ],
)
def test_wrong_values_are_refused(change: dict[str, Any]) -> None:
    """Types and ranges are checked; text can't break a line of /health."""
    with pytest.raises(FrameError):
        parse_snapshot(line_of(as_object(**change)))


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"null",
        b"[]",
        b"{",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"schema":' * 50_000,
        b"9" * 5000,
        encode_snapshot(snapshot()).replace(b"18.3", b"NaN"),
        encode_snapshot(snapshot()).replace(b"18.3", b"1e999"),
        encode_snapshot(snapshot()).replace(b"Demo truck", b"\\ud800"),
        b" " * (MAX_LINE_BYTES + 1),
    ],
    ids=range(12),
)
def test_garbage_is_refused_with_one_line(line: bytes) -> None:
    """Depth, size, encoding and numbers outside JSON all end in the same counted error."""
    with pytest.raises(FrameError) as caught:
        parse_snapshot(line)
    assert "\n" not in str(caught.value)


def test_a_position_twice_is_refused() -> None:
    """Rows are kept by position."""
    with pytest.raises(FrameError, match="twice"):
        parse_snapshot(encode_snapshot(snapshot(dampers=(damper_now("a"), damper_now("a")))))


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_either_parse_or_raise_our_error(data: bytes) -> None:
    """The parser never crashes."""
    try:
        parse_snapshot(data)
    except FrameError:
        return
    pytest.fail("random bytes can't be a snapshot")


@settings(deadline=None)
@given(st.integers(0, 4000), st.integers(0, 255))
def test_one_changed_byte_never_crashes(place: int, byte: int) -> None:
    """A nearly right line is the harder case; what still parses is a whole snapshot."""
    line = bytearray(encode_snapshot(snapshot())[:-1])
    line[place % len(line)] = byte
    try:
        parsed = parse_snapshot(bytes(line))
    except FrameError:
        return
    assert parse_snapshot(encode_snapshot(parsed)[:-1]) == parsed


def test_not_finite_numbers_cannot_be_sent() -> None:
    """NaN never appears."""
    with pytest.raises(ValueError, match="JSON compliant"):
        encode_snapshot(snapshot(speed_mps=float("nan")))


def test_documents_have_a_row_for_every_field_and_state() -> None:
    """Others write readers from shared/SNAPSHOT.md alone."""
    cells = re.findall(r"^\| (`[^|]+`) \|", DOCUMENT, re.MULTILINE)
    rows = {name for cell in cells for name in re.findall(r"`([^`]+)`", cell)}
    wanted = {f.name for f in fields(Snapshot)} - {"vehicle", "source"} | {f.name for f in fields(DamperNow)}
    for prefix, kind in (("vehicle", VehicleName), ("source", SourceNow), ("trip", TripNow)):
        wanted |= {f"{prefix}.{f.name}" for f in fields(kind)}
    assert wanted | set(STATES) <= rows
    assert set(get_args(State)) == set(STATES)
    assert set(asdict(snapshot())) == {f.name for f in fields(Snapshot)}
