"""The bytes of version 1 are fixed: the firmware writes and reads those of tests/golden/bridge_v1."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from firmware.reader import SAMPLES, parse_frame, parse_identity, parse_samples
from firmware.scripts import run_script

GOLDEN = Path(__file__).parents[1] / "golden" / "bridge_v1"
FRAMES = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(GOLDEN.glob("*.json"))}

WRITE = """
import binascii, json
from frames import Encoder, Identity, IDENTITY, SAMPLES, PONG, REPLY, NOTE
from ring import HEAD, INDEX_LOW, INDEX_HIGH, TICK_LOW, TICK_HIGH, Ring

def fill(fields):
    rows, columns = len(fields["rows"]), len(fields["rows"][0])
    ring = Ring(rows + 3, columns + 1)
    # The rows lie across the ring's end.
    ring.head = ring.tail = 2 * ring.stride
    for k, row in enumerate(fields["rows"]):
        at = ring.head
        index = fields["first_index"] + k
        ring.words[at + INDEX_LOW] = index & 0xFFFF
        ring.words[at + INDEX_HIGH] = index >> 16 & 0xFFFF
        ring.words[at + TICK_LOW] = fields["tick"] & 0xFFFF
        ring.words[at + TICK_HIGH] = fields["tick"] >> 16
        for column, value in enumerate(row + [fields["reference"]]):
            ring.words[at + HEAD + column] = value
        ring.head = at + ring.stride if at + ring.stride < ring.end else 0
    return ring

def write(encoder, f):
    encoder.sequence = f["sequence"]
    kind = f["type"]
    if kind == IDENTITY:
        who = Identity(binascii.unhexlify(f["board_id"]), f["boot"], f["version"], f["inputs"], f["adc_bits"],
                       f["is_internal_adc"], f["ring_rows"], f["has_pulse_input"])
        return encoder.identity(who, f["rate_hz"], f["is_running"])
    if kind == SAMPLES:
        ring = fill(f)
        columns = len(f["rows"][0])
        return encoder.samples(ring, len(f["rows"]), columns, f["reference"] > 0, f["lost"], f["pulses"])
    if kind == PONG:
        return encoder.pong(f["token"], f["received_tick"], f["sent_tick"])
    if kind == REPLY:
        return encoder.reply(f["command_sequence"], f["status"])
    return encoder.note(f["text"])

encoder = Encoder()
length = write(encoder, json.loads(sys.stdin.read()))
print(binascii.hexlify(encoder.wire[:length]).decode())
"""

READ = """
import binascii
from receiver import Receiver
receiver = Receiver()
for byte in binascii.unhexlify(sys.argv[1]):
    command = receiver.push(byte)
print(command.kind, command.sequence, binascii.hexlify(command.payload).decode())
"""

NOTES = """
import binascii
from frames import Encoder
encoder = Encoder()
for text in ("", "x" * 120, "x" * 121, "x" * 119 + "\\u00b0", "x" * 118 + "\\u20ac", "\\u20ac" * 40 + "x"):
    print(binascii.hexlify(encoder.wire[:encoder.note(text)]).decode())
"""


def frames_going(direction: str) -> list[Any]:
    return [pytest.param(frame, id=name) for name, frame in FRAMES.items() if frame["direction"] == direction]


@pytest.mark.parametrize("frame", frames_going("board to host"))
def test_firmware_writes_the_golden_bytes(frame: dict[str, Any]) -> None:
    """Every type it sends, samples from across the end of the ring too."""
    assert run_script(WRITE, text=json.dumps(frame["fields"])).strip() == frame["wire"]


@pytest.mark.parametrize("frame", frames_going("host to board"))
def test_firmware_reads_the_golden_bytes(frame: dict[str, Any]) -> None:
    plain = bytes.fromhex(frame["plain"])
    fields = frame["fields"]
    words = run_script(READ, frame["wire"]).rstrip("\n").split(" ")
    assert words == [str(fields["type"]), str(fields["sequence"]), plain[4:-4].hex()]


def test_every_type_has_a_golden_frame() -> None:
    assert {frame["fields"]["type"] for frame in FRAMES.values()} == {*range(0x01, 0x06), *range(0x10, 0x15)}


@pytest.mark.parametrize("name", sorted(FRAMES))
def test_golden_fields_are_what_a_reader_sees(name: str) -> None:
    """The reader the other tests use is held to the same bytes."""
    frame = FRAMES[name]
    seen = parse_frame(bytes.fromhex(frame["wire"])[:-1])
    fields = frame["fields"]
    assert (seen.kind, seen.sequence) == (fields["type"], fields["sequence"])
    if name == "identity":
        identity = parse_identity(seen.payload)
        for key in ("boot", "adc_bits", "rate_hz", "tick_hz", "ring_rows", "is_running", "has_pulse_input"):
            assert getattr(identity, key) == fields[key]
        assert list(identity.inputs) == fields["inputs"]
        assert identity.board_id.hex() == fields["board_id"]
    if seen.kind == SAMPLES:
        samples = parse_samples(seen.payload)
        assert samples.rows.tolist() == fields["rows"]
        for key in ("first_index", "tick", "lost", "pulses", "reference"):
            assert getattr(samples, key) == fields[key]


def test_dense_frame_has_full_groups_and_the_greatest_length() -> None:
    """Else the golden files would leave the hardest case of the encoding out."""
    wire = bytes.fromhex(FRAMES["samples_dense"]["wire"])
    assert wire.count(0xFF) >= 3
    assert len(FRAMES["samples_dense"]["plain"]) // 2 == 1020
    assert len(wire) <= 1024 + 5 + 1


def test_notes_are_cut_at_a_whole_character() -> None:
    """120 bytes at most, and still UTF-8."""
    texts = [parse_frame(bytes.fromhex(line)[:-1]).payload.decode() for line in run_script(NOTES).splitlines()]
    assert texts == ["", "x" * 120, "x" * 120, "x" * 119, "x" * 118, "€" * 40]
