"""Version 1 is fixed for ever: these files must stay readable, and their raw bytes be written the same."""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path
from typing import Any

import pytest

from dutylog.recording.codec import PLANES, PREDICT, RAW
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from golden.log_v1 import make_golden
from golden.log_v1_predict import make_golden as make_predict

GOLDEN = Path(__file__).parent.parent / "golden" / "log_v1"
PREDICT_GOLDEN = GOLDEN.parent / "log_v1_predict"
EXPECTED = json.loads((GOLDEN / "expected.json").read_text(encoding="utf-8"))["frames"]
FRAMES_PER_FILE = 11


def test_golden_log_decodes_to_what_was_expected() -> None:
    reader = LogReader(GOLDEN)
    assert [make_golden.describe(frame) for frame in reader.frames()] == EXPECTED
    assert reader.damage == []


def test_golden_log_holds_every_type_dtype_and_codec() -> None:
    """So that no part of the format can change unseen."""
    assert {frame["type"] for frame in EXPECTED} == {int(t) for t in FrameType}
    assert {frame.get("dtype") for frame in EXPECTED} == {None, "<i2", "<i4", "<f4", "<f8"}
    codecs = {name: {h["codec"] for h in headers(name) if h["type"] == 1} for name in ("00000001.dlg", "00000002.dlg")}
    assert codecs == {"00000001.dlg": {RAW}, "00000002.dlg": {PLANES}}


def test_raw_and_json_frames_are_written_byte_for_byte_the_same() -> None:
    assert make_golden.encode_segment(1, 40, RAW) == (GOLDEN / "00000001.dlg").read_bytes()


def test_planes_frames_are_the_same_but_for_the_zlib_stream() -> None:
    """Another build of zlib may pack the same planes into other bytes; what it unpacks to is fixed."""
    fresh = make_golden.encode_segment(2, 51, PLANES)
    stored = (GOLDEN / "00000002.dlg").read_bytes()
    ours, theirs = list(parse(fresh)), list(parse(stored))
    assert len(ours) == len(theirs) == FRAMES_PER_FILE
    for (header, payload), (expected_header, expected_payload) in zip(ours, theirs, strict=True):
        free = ("payload_length", "crc") if header["codec"] == PLANES else ()
        assert {k: v for k, v in header.items() if k not in free} == {
            k: v for k, v in expected_header.items() if k not in free
        }
        if header["codec"] == PLANES:
            payload, expected_payload = zlib.decompress(payload), zlib.decompress(expected_payload)
        assert payload == expected_payload


def test_golden_predict_frames_decode_to_what_was_expected() -> None:
    """Codec 2 came later and has a folder of its own; its bytes may change, what these mean may not."""
    expected = json.loads((PREDICT_GOLDEN / "expected.json").read_text(encoding="utf-8"))["frames"]
    reader = LogReader(PREDICT_GOLDEN)
    assert [make_golden.describe(frame) for frame in reader.frames()] == expected
    assert reader.damage == []
    assert [make_golden.describe(frame) for frame in make_predict.make_frames()] == expected


def test_golden_predict_frames_use_every_part_of_the_codec() -> None:
    """Levels, unused bits, low bits, values that stand apart, and frames of every type."""
    samples = [(h, p) for h, p in parse((PREDICT_GOLDEN / "00000001.dlg").read_bytes()) if h["type"] == 1]
    assert {header["codec"] for header, _ in samples} == {PREDICT}
    assert {header["dtype"] for header, _ in samples} == {1, 2, 3, 4}
    assert {payload[0] & 15 for _, payload in samples} >= {0, 2}
    assert any(payload[1] for _, payload in samples)
    shifts, symbols = set(), set()
    for header, payload in samples:
        start = 2 + header["channels"] * (2, 4, 4, 8)[header["dtype"] - 1]
        octets = zlib.decompressobj(-15).decompress(payload[start:])
        count = ((payload[0] & 15) + 1) * header["channels"]
        shifts |= set(octets[:count])
        symbols |= set(octets[count:])
    assert len(shifts) > 2
    assert 255 in symbols


FIELDS = (
    ("magic", 0, "4s"),
    ("header_version", 4, "B"),
    ("type", 5, "B"),
    ("codec", 6, "B"),
    ("flags", 7, "B"),
    ("stream", 8, "H"),
    ("dtype", 10, "B"),
    ("channels", 11, "B"),
    ("epoch", 12, "I"),
    ("sequence", 16, "Q"),
    ("first_index", 24, "Q"),
    ("n", 32, "I"),
    ("config_id", 36, "I"),
    ("t0_ns", 40, "q"),
    ("period_fs", 48, "Q"),
    ("payload_length", 56, "I"),
    ("raw_length", 60, "I"),
    ("quality", 64, "H"),
    ("reserved", 66, "H"),
    ("crc", 68, "I"),
)
"""The table of shared/RECORDING.md, typed in by hand: a second reading of the contract."""


def parse(octets: bytes) -> list[tuple[dict[str, Any], bytes]]:
    """Read frames by the table alone, without the project's codec."""
    found, at = [], 0
    while at < len(octets):
        header = {name: struct.unpack_from("<" + kind, octets, at + offset)[0] for name, offset, kind in FIELDS}
        payload = octets[at + 72 : at + 72 + header["payload_length"]]
        assert header["crc"] == zlib.crc32(octets[at : at + 68] + payload)
        found.append((header, payload))
        at += 72 + len(payload)
    return found


def headers(name: str) -> list[dict[str, Any]]:
    return [header for header, _ in parse((GOLDEN / name).read_bytes())]


@pytest.mark.parametrize("name", ["00000001.dlg", "00000002.dlg"])
def test_headers_read_by_the_table_alone_say_what_was_expected(name: str) -> None:
    half = EXPECTED[:FRAMES_PER_FILE] if name == "00000001.dlg" else EXPECTED[FRAMES_PER_FILE:]
    for header, expected in zip(headers(name), half, strict=True):
        assert header["magic"] == b"DUTY"
        assert (header["header_version"], header["flags"], header["reserved"]) == (1, 0, 0)
        for field in ("type", "sequence", "epoch", "stream", "first_index", "n", "t0_ns", "period_fs", "config_id"):
            assert header[field] == expected[field]
        if expected["type"] == 1:
            assert header["channels"] == 2
            assert header["dtype"] == ["<i2", "<i4", "<f4", "<f8"].index(expected["dtype"]) + 1


def test_document_has_the_same_table() -> None:
    """shared/RECORDING.md is what other people build from."""
    text = (GOLDEN.parents[2] / "shared" / "RECORDING.md").read_text(encoding="utf-8")
    kinds = {"B": "u8", "H": "u16", "I": "u32", "Q": "u64", "q": "i64", "4s": "4 bytes"}
    for name, offset, kind in FIELDS:
        assert f"| {offset} | {kinds[kind]} | {name} |" in text
