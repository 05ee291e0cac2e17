"""Writes the golden raw log of version 1. Run only when a new version gets a folder of its own.

    python tests/golden/log_v1/make_golden.py FOLDER

The input is fixed: every frame type, every sample type, NaN payloads, extremes, both codecs.
00000001.dlg holds raw samples: its bytes are fixed for ever. 00000002.dlg holds planes: what it
decodes to is fixed, its bytes may differ between builds of zlib. expected.json tells each frame.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.codec import PLANES, RAW, encode_frame
from dutylog.recording.frame import Frame, FrameType

PERIOD_FS = 1_002_707_310_123
"""997.3 Hz: no whole number of nanoseconds."""

BITS = {
    "i2": [0, 1, 0xFFFF, 0x7FFF, 0x8000, 0x1234],
    "i4": [0, 1, 0xFFFFFFFF, 0x7FFFFFFF, 0x80000000, 0x12345678],
    "f4": [0, 0x80000000, 0x3F800000, 0x7FC00001, 0xFFA5A5A5, 0x00000001],
    "f8": [0, 1 << 63, 0x3FF0000000000000, 0x7FF8000000000123, 0xFFF7DEADBEEF0001, 1],
}
"""Samples by their bits: zero, signs, extremes, quiet and signalling NaN with payload, a subnormal."""

STREAMS = tuple(
    Stream(
        number,
        f"stream_{dtype}",
        dtype,
        PERIOD_FS,
        (Channel("front_left", "travel", "count"), Channel("", "stamp", "ns", number)),
    )
    for number, dtype in enumerate(BITS, 1)
)

CONFIG: dict[str, Any] = {"schema": 1, "vehicle_id": "golden", "name": "Goldèn", "dampers": [], "profiles": []}
INSTALL: dict[str, Any] = {"position": "front_left", "unit_id": "u-1", "serial": None, "profile": "plain"}


def head_data(segment: int) -> dict[str, Any]:
    return {
        "schema": 1,
        "software": "dutylog golden",
        "vehicle_id": "golden",
        "boot_id": "8c1d8f5e-0000-4000-8000-000000000001",
        "segment": segment,
        "created_utc_ns": 1_700_000_000_000_000_000,
        "utc_trusted": False,
        "source": {"kind": "golden", "text": "fixed input"},
        "streams": [s.to_dict() for s in STREAMS],
        "carried": {
            "epoch_ended": False,
            "time_ns": 17,
            "installs": [INSTALL],
            "streams": [{"stream_id": 1, "next_index": 996, "grid": [0, 17, PERIOD_FS]}],
        },
    }


def make_frames(segment: int, first_sequence: int) -> list[Frame]:
    """Return every kind of frame once, samples once for each type."""
    frames: list[Frame] = []

    def add(kind: FrameType, t0_ns: int, **fields: Any) -> None:
        number = first_sequence + len(frames)
        frames.append(Frame(kind, number, 2, t0_ns, config_id=0x0A0B0C0D, **fields))

    add(FrameType.SEGMENT_HEAD, 17, data=head_data(segment))
    add(FrameType.CONFIG, 17, data=CONFIG)
    add(FrameType.EVENT, 17, data={**INSTALL, "kind": "install", "again": True})
    add(FrameType.CLOCK, 18, data={"mono_ns": 18, "utc_ns": 1_700_000_000_000_000_018, "trusted": True, "boot_id": "b"})
    for stream in STREAMS:
        bits = np.array(BITS[stream.dtype], f"<u{stream.dtype[1:]}")
        data = np.stack([bits, bits[::-1]], axis=1).view("<" + stream.dtype)
        t0_ns = -(2**40) + stream.stream_id
        block = Block(stream, 2, 996, t0_ns, PERIOD_FS, data, 0x8003)
        fields = {"stream_id": stream.stream_id, "first_index": 996, "n": 6, "period_fs": PERIOD_FS}
        add(FrameType.SAMPLES, t0_ns, block=block, quality=0x8003, **fields)
    gap = {"stream_id": 1, "first_index": 1002, "n": 2**32 - 1, "period_fs": PERIOD_FS}
    add(FrameType.GAP, 2**62, data={"reason": "source_lost"}, **gap)
    add(FrameType.EVENT, 2**62, data={"kind": "mark", "text": "bump ü", "by": "crew"})
    add(FrameType.CLOSE, 2**62, data={"reason": "stop"})
    return frames


def encode_segment(segment: int, first_sequence: int, codec: int) -> bytes:
    frames = make_frames(segment, first_sequence)
    return b"".join(encode_frame(f, codec if f.type == FrameType.SAMPLES else None) for f in frames)


def describe(frame: Frame) -> dict[str, Any]:
    """Return a frame as JSON: all header fields it carries, samples as the hex of their bits."""
    fields: dict[str, Any] = {
        "type": int(frame.type),
        "sequence": frame.sequence,
        "epoch": frame.epoch,
        "t0_ns": frame.t0_ns,
        "stream": frame.stream_id,
        "first_index": frame.first_index,
        "n": frame.n,
        "period_fs": frame.period_fs,
        "config_id": frame.config_id,
        "quality": frame.quality,
    }
    if frame.block is None:
        return {**fields, "data": frame.data}
    data = frame.block.data
    return {**fields, "dtype": data.dtype.str, "rows": [[cell.tobytes().hex() for cell in row] for row in data]}


def main(folder: Path) -> None:
    first, second = make_frames(1, 40), make_frames(2, 51)
    (folder / "00000001.dlg").write_bytes(encode_segment(1, 40, RAW))
    (folder / "00000002.dlg").write_bytes(encode_segment(2, 51, PLANES))
    expected = {"schema": 1, "frames": [describe(f) for f in [*first, *second]]}
    text = json.dumps(expected, indent=1, sort_keys=True, ensure_ascii=False)
    (folder / "expected.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
