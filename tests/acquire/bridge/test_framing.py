"""Any bytes go in, only frames that were sent come out."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from acquire.bridge.fake_board import make_frame
from dutylog.acquire.bridge.framing import (
    MAX_ENCODED_BYTES,
    MAX_FRAME_BYTES,
    Frame,
    FrameSplitter,
    encode_frame,
)

MAX_PAYLOAD = MAX_FRAME_BYTES - 8


def split(data: bytes) -> tuple[list[Frame], FrameSplitter]:
    """Return the frames of a stream whose first byte begins a frame."""
    splitter = FrameSplitter()
    splitter.feed(b"\0")
    return splitter.feed(data), splitter


@given(st.integers(0, 255), st.integers(0, 65535), st.binary(max_size=MAX_PAYLOAD))
def test_encoded_frame_comes_back_and_matches_an_encoder_of_its_own(kind: int, sequence: int, payload: bytes) -> None:
    """Both directions of the line share this code; a common mistake would not show without the second encoder."""
    data = encode_frame(kind, sequence, payload)
    assert data == make_frame(kind, sequence, payload)
    assert split(data)[0] == [Frame(1, kind, sequence, payload)]


@given(st.lists(st.binary(max_size=60), max_size=8), st.lists(st.integers(1, 40), max_size=40))
def test_the_pieces_in_which_bytes_arrive_do_not_matter(payloads: list[bytes], lengths: list[int]) -> None:
    """USB hands over 64 bytes at a time, a serial line one."""
    data = b"".join(encode_frame(2, i, payload) for i, payload in enumerate(payloads))
    whole, one = split(data)
    splitter = FrameSplitter()
    splitter.feed(b"\0")
    frames = []
    at = 0
    for length in [*lengths, len(data)]:
        frames += splitter.feed(data[at : at + length])
        at += length
    assert frames == whole
    assert splitter.counters == one.counters


def test_longest_frame_passes_and_one_byte_more_is_counted_as_oversize() -> None:
    longest = bytes(range(1, 255)) * 4
    payload = longest[:MAX_PAYLOAD]
    frames, _ = split(encode_frame(2, 0, payload))
    assert [frame.payload for frame in frames] == [payload]
    body = struct.pack("<BBH", 1, 2, 0) + payload + b"\1"
    frames, splitter = split(cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0")
    assert (frames, splitter.counters.oversize) == ([], 1)
    with pytest.raises(ValueError, match="doesn't fit"):
        encode_frame(2, 0, payload + b"\1")


def test_memory_stays_bounded_without_any_zero_byte() -> None:
    """A line at the wrong baud may never send one."""
    splitter = FrameSplitter()
    for _ in range(100):
        assert splitter.feed(b"\xff" * 4096) == []
        assert splitter.held_bytes <= MAX_ENCODED_BYTES
    assert [frame.sequence for frame in splitter.feed(b"\0" + encode_frame(2, 7))] == [7]


def test_faults_are_counted_by_kind() -> None:
    good = encode_frame(3, 0, b"pong")
    wrong_crc = cobs.encode(bytes(12)) + b"\0"
    too_short = cobs.encode(b"\1\2\3") + b"\0"
    no_cobs = b"\x09abc\0"
    frames, splitter = split(good + wrong_crc + too_short + no_cobs + b"\1" * 2000 + b"\0\0\0" + encode_frame(3, 1))
    counters = splitter.counters
    assert len(frames) == counters.frames == 2
    assert (counters.bad_crc, counters.bad_cobs, counters.oversize, counters.bad) == (2, 1, 1, 4)
    assert counters.sequence_jumps == 0


def test_a_frame_joined_in_its_middle_is_not_counted_as_damaged() -> None:
    """Every opening would count one otherwise, and a person would look for a bad cable."""
    splitter = FrameSplitter()
    frames = splitter.feed(encode_frame(2, 4, b"abcdef")[5:] + encode_frame(2, 5))
    assert [frame.sequence for frame in frames] == [5]
    assert splitter.counters.bad == 0


def test_sequence_jumps_are_counted_and_its_wrap_is_none() -> None:
    frames, splitter = split(b"".join(encode_frame(2, s) for s in (65534, 65535, 0, 1, 5, 6, 6)))
    assert len(frames) == 7
    assert splitter.counters.sequence_jumps == 2


def make_stream(random: np.random.Generator, total: int) -> tuple[bytes, list[tuple[int, int, bytes]]]:
    """Return at least `total` bytes of frames, and for each (start, end, payload)."""
    pieces, places, at = [], [], 0
    while at < total:
        payload = random.bytes(int(random.integers(0, 400)))
        data = make_frame(int(random.integers(0, 256)), len(places) % 65536, payload)
        places.append((at, at + len(data), payload))
        pieces.append(data)
        at += len(data)
    return b"".join(pieces), places


def check_corrupted_stream(seed: int, total: int) -> tuple[int, int]:
    """Damage a stream; no frame comes that wasn't sent, each that no damage touched does. Return (sent, got)."""
    random = np.random.default_rng(seed)
    data, places = make_stream(random, total)
    damaged = bytearray()
    touched = np.zeros(len(data) + 1, bool)
    at = 0
    while at < len(data):
        stop = min(len(data), at + int(random.integers(1, 6000)))
        damaged += data[at:stop]
        length = int(random.integers(1, 30))
        kind = random.integers(0, 4)
        if kind == 0 and stop < len(data):  # bytes changed
            noise = bytes(b ^ int(random.integers(1, 256)) for b in data[stop : stop + length])
            damaged += noise
            touched[stop : stop + length] = True
            stop = min(len(data), stop + length)
        elif kind == 1:  # bytes lost
            touched[stop : stop + length] = True
            stop = min(len(data), stop + length)
        elif kind == 2:  # bytes put in between
            touched[stop] = True
            damaged += random.bytes(length)
        at = stop
    splitter = FrameSplitter()
    splitter.feed(b"\0")
    frames = []
    at = 0
    while at < len(damaged):
        step = int(random.integers(1, 5000))
        frames += splitter.feed(bytes(damaged[at : at + step]))
        assert splitter.held_bytes <= MAX_ENCODED_BYTES
        at += step
    check_frames(frames, places, touched)
    return len(places), len(frames)


def check_frames(frames: list[Frame], places: list[tuple[int, int, bytes]], touched: np.ndarray) -> None:
    """Compare what came with what was sent, in order.

    A frame is whole when neither it nor the zero before it was touched: damage ends at the next zero byte, so the
    frame behind the damaged one is read again. A CRC-32 lets a damaged frame pass once in 2^32, and there are some
    thousands of them here: a chance of one in a million, and none with these seeds.
    """
    waiting = iter(frames)
    frame = next(waiting, None)
    for number, (start, end, payload) in enumerate(places):
        is_whole = not touched[max(0, start - 1) : end].any()
        if frame is not None and (frame.sequence, frame.payload) == (number % 65536, payload):
            frame = next(waiting, None)
        else:
            assert not is_whole, f"frame {number} came over the line whole and wasn't read"
    assert frame is None, f"a frame that wasn't sent: {frame}"


def test_a_damaged_stream_loses_only_the_frames_that_were_touched() -> None:
    """Resynchronised at the next zero byte: at most the damaged frame and the one it ran into are lost."""
    sent, got = check_corrupted_stream(1, 1_000_000)
    assert 0.5 * sent < got < sent


def check_noise(seed: int, total: int) -> None:
    """Feed random bytes, then a frame."""
    random = np.random.default_rng(seed)
    splitter = FrameSplitter()
    found = 0
    for _ in range(total // 10_000):
        found += len(splitter.feed(random.bytes(10_000)))
        assert splitter.held_bytes <= MAX_ENCODED_BYTES
    assert found == 0  # one in 2^32 pieces would pass, there are total / 256 of them
    assert splitter.counters.bad > total / 300
    splitter.feed(b"\0")
    assert [frame.payload for frame in splitter.feed(encode_frame(1, 0, b"sound"))] == [b"sound"]


def test_a_million_random_bytes_give_no_frame_and_do_no_harm() -> None:
    check_noise(2, 1_000_000)


@pytest.mark.slow
def test_ten_million_random_bytes_and_damaged_ones() -> None:
    """The long form of both."""
    check_noise(3, 10_000_000)
    for seed in range(10):
        sent, got = check_corrupted_stream(100 + seed, 1_000_000)
        assert 0.5 * sent < got < sent
