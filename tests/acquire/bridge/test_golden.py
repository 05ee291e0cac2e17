"""The golden frames of the protocol, which the firmware is checked against too."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dutylog.acquire.bridge.framing import FrameSplitter
from dutylog.acquire.bridge.messages import (
    COMMANDS,
    IDENTITY,
    NOTE,
    PING,
    PONG,
    RATE,
    REPLY,
    SAMPLES,
    Identity,
    Note,
    Pong,
    Reply,
    Samples,
    encode_command,
    encode_ping,
    encode_rate,
    parse_message,
)

FOLDER = Path(__file__).parents[2] / "golden" / "bridge_v1"
CASES = sorted(FOLDER.glob("*.json"))


def load(path: Path) -> tuple[dict[str, Any], bytes]:
    case = json.loads(path.read_text(encoding="utf-8"))
    return case["fields"], bytes.fromhex(case["wire"])


def test_there_are_golden_frames_of_every_type() -> None:
    """The tests below would pass on an empty folder."""
    assert {load(path)[0]["type"] for path in CASES} == {IDENTITY, SAMPLES, PONG, REPLY, NOTE, *COMMANDS}


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_golden_frame_is_read_or_written_to_the_byte(path: Path) -> None:
    fields, wire = load(path)
    kind, sequence = fields["type"], fields["sequence"]
    if kind == PING:
        assert encode_ping(sequence, fields["token"]) == wire
    elif kind == RATE:
        assert encode_rate(sequence, fields["rate_hz"]) == wire
    elif kind in COMMANDS:
        assert encode_command(kind, sequence) == wire
    else:
        splitter = FrameSplitter()
        (frame,) = splitter.feed(b"\0" + wire)
        assert (frame.protocol, frame.kind, frame.sequence) == (fields["protocol"], kind, sequence)
        check_message(parse_message(frame), fields)


def check_message(message: object, fields: dict[str, Any]) -> None:
    """Compare what a frame of the board says with what it was made from."""
    named = {name: value for name, value in fields.items() if name not in ("protocol", "type", "sequence")}
    match message:
        case Identity():
            flags = ("is_internal_adc", "is_running", "has_pulse_input")
            tuples = {"version": tuple(named["version"]), "inputs": tuple(named["inputs"])}
            assert message == Identity(**{**named, **{flag: bool(named[flag]) for flag in flags}, **tuples})
        case Samples():
            assert message.raw.tolist() == named["rows"]
            counts = (message.first_index32, message.tick32, message.lost, message.pulses32, message.reference_raw)
            assert counts == tuple(named[key] for key in ("first_index", "tick", "lost", "pulses", "reference"))
        case Pong():
            assert list(named.values()) == [message.token, message.received_tick32, message.sent_tick32]
        case Reply():
            assert message == Reply(named["command_sequence"], named["status"])
        case Note():
            assert message == Note(named["text"])
        case _:
            raise AssertionError(f"a frame that wasn't understood: {fields}")
