"""Payloads become plain data, or a FrameError that says what can't be."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.bridge.fake_board import make_samples, read_frame
from dutylog.acquire.bridge.framing import Frame
from dutylog.acquire.bridge.messages import (
    IDENTIFY,
    IDENTITY,
    NOTE,
    PONG,
    REPLY,
    SAMPLES,
    START,
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
from dutylog.errors import FrameError, WrongDevice

IDENTITY_BYTES = (
    bytes.fromhex("6475747931323334")
    + struct.pack("<I", 0xDEADBEEF)
    + bytes([1, 2, 3, 4, 12, 1])
    + struct.pack("<HIH", 1000, 1_000_000, 512)
    + bytes([1, 0])
    + bytes([0, 1, 2, 5])
)


def parse(kind: int, payload: bytes, protocol: int = 1) -> object:
    return parse_message(Frame(protocol, kind, 0, payload))


def test_identity_is_read_field_by_field() -> None:
    assert parse(IDENTITY, IDENTITY_BYTES) == Identity(
        board_id="6475747931323334",
        boot=0xDEADBEEF,
        version=(1, 2, 3),
        adc_bits=12,
        is_internal_adc=True,
        rate_hz=1000,
        tick_hz=1_000_000,
        ring_rows=512,
        is_running=True,
        has_pulse_input=False,
        inputs=(0, 1, 2, 5),
    )


def test_samples_are_read_without_a_copy_of_their_rows() -> None:
    raw = np.array([[0, 65535], [16, 32], [4096, 4080]], np.uint16)
    samples = parse(SAMPLES, make_samples(2**32 - 2, 2**32 - 1, raw, 7, 9, 65520))
    assert samples == Samples(2**32 - 2, 2**32 - 1, 7, 9, 65520, raw)
    assert isinstance(samples, Samples)
    np.testing.assert_array_equal(samples.raw, raw)


def test_pong_reply_and_note_are_read() -> None:
    assert parse(PONG, struct.pack("<III", 1, 2, 3)) == Pong(1, 2, 3)
    assert parse(REPLY, struct.pack("<HB", 500, 3)) == Reply(500, 3)
    assert Reply(500, 3).text == "not now"
    assert Reply(500, 77).text == "status 77"
    assert parse(NOTE, "3 rows lost: busy \N{DEGREE SIGN}".encode()) == Note("3 rows lost: busy \N{DEGREE SIGN}")


def test_a_note_of_the_board_can_not_garble_a_line_for_people() -> None:
    """It goes to a terminal and a page."""
    assert parse(NOTE, b"a\x1b[2Jb\nc\xff") == Note("a\ufffd[2Jb\ufffdc\ufffd")


def test_an_unknown_type_is_no_error() -> None:
    """A later firmware may say more."""
    assert parse(0x7F, b"whatever") is None


def test_another_protocol_is_the_wrong_device_in_an_identity_and_nonsense_elsewhere() -> None:
    with pytest.raises(WrongDevice, match=r"speaks protocol 2, this program 1: put the firmware on it"):
        parse(IDENTITY, b"anything", protocol=2)
    with pytest.raises(FrameError, match="frame of protocol 2, expected 1"):
        parse(SAMPLES, b"anything", protocol=2)


def change(at: int, *values: int) -> bytes:
    return IDENTITY_BYTES[:at] + bytes(values) + IDENTITY_BYTES[at + len(values) :]


@pytest.mark.parametrize(
    ("kind", "payload", "text"),
    [
        (IDENTITY, IDENTITY_BYTES[:27], "identity of 27 bytes, expected 28 and one a channel"),
        (IDENTITY, change(15, 0)[:28], "identity says 0 channels, expected 1 to 8"),
        (IDENTITY, change(15, 9), "identity says 9 channels, expected 1 to 8"),
        (IDENTITY, IDENTITY_BYTES[:-1], r"identity says 4 channels and names inputs \[0, 1, 2\]"),
        (IDENTITY, IDENTITY_BYTES + b"\6", r"identity says 4 channels and names inputs \[0, 1, 2, 5, 6\]"),
        (IDENTITY, change(28, 1), r"identity says 4 channels and names inputs \[1, 1, 2, 5\]"),
        (IDENTITY, change(16, 17), "identity says a converter of 17 bits, expected 1 to 16"),
        (IDENTITY, change(18, 49, 0), "identity says 49 rows a second, expected 50 to 2000"),
        (IDENTITY, change(20, 0, 0, 0, 0), "identity says 0 ticks a second, expected 10000 to 1000000000"),
        (SAMPLES, bytes(19), "samples of 19 bytes, expected at least 20"),
        (SAMPLES, bytes(18) + b"\0\4", "samples say 0 rows of 4 channels, expected 1 to 255 of 1 to 8"),
        (SAMPLES, bytes(18) + b"\1\0", "samples say 1 rows of 0 channels, expected 1 to 255 of 1 to 8"),
        (SAMPLES, bytes(18) + b"\1\x09" + bytes(18), "samples say 1 rows of 9 channels, expected 1 to 255 of 1 to 8"),
        (SAMPLES, bytes(18) + b"\2\4" + bytes(15), "samples of 35 bytes, expected 36 for 2 rows of 4 channels"),
        (SAMPLES, bytes(18) + b"\2\4" + bytes(17), "samples of 37 bytes, expected 36 for 2 rows of 4 channels"),
        (PONG, bytes(11), "pong of 11 bytes, expected 12"),
        (REPLY, bytes(4), "reply of 4 bytes, expected 3"),
        (NOTE, bytes(121), "note of 121 bytes, expected at most 120"),
    ],
)
def test_nonsense_is_refused_in_words(kind: int, payload: bytes, text: str) -> None:
    with pytest.raises(FrameError, match=f"^{text}$"):
        parse(kind, payload)


@given(st.integers(0, 255), st.binary(max_size=300))
def test_any_payload_is_a_message_or_a_frame_error(kind: int, payload: bytes) -> None:
    """What the CRC lets pass may still be anything."""
    try:
        message = parse(kind, payload)
    except FrameError:
        return
    assert message is None or isinstance(message, Identity | Samples | Pong | Reply | Note)


def test_commands_have_the_bytes_of_the_protocol() -> None:
    assert read_frame(encode_command(IDENTIFY, 3)[:-1]) == (0x10, 3, b"")
    assert read_frame(encode_command(START, 65535)[:-1]) == (0x11, 65535, b"")
    assert read_frame(encode_rate(4, 2000)[:-1]) == (0x13, 4, b"\xd0\x07")
    assert read_frame(encode_ping(5, 0x01020304)[:-1]) == (0x14, 5, b"\4\3\2\1")
