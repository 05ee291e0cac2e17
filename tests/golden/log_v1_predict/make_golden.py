"""Writes the golden frames of the predict codec. Run only when a new version gets a folder of its own.

    python tests/golden/log_v1_predict/make_golden.py FOLDER

00000001.dlg holds the extremes of ../log_v1 and travel made of whole numbers alone: a smooth arc with
noise, an odd number of rows, a spike that is too large for a symbol, a signal that stands still,
temperatures in steps of 1/16. What it decodes to is fixed, its bytes may change with zlib and with a
writer that chooses better. expected.json tells each frame.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.codec import PREDICT, encode_frame
from dutylog.recording.frame import Frame, FrameType
from golden.log_v1 import make_golden as first

FIRST_SEQUENCE = 62
TRAVEL = tuple(
    Stream(number, f"travel_{dtype}", dtype, first.PERIOD_FS, (Channel("a", "travel", unit),) * 2)
    for number, (dtype, unit) in enumerate((("i2", "count"), ("i4", "count"), ("f4", "c")), 11)
)


def make_travel(dtype: str) -> list[np.ndarray[Any, Any]]:
    """Return frames' worth of rows, two channels each."""
    i = np.arange(67)
    noise = (i * i * 40503 >> 7) % 5 - 2
    arc = 2000 + i * (66 - i)
    if dtype == "f4":
        return [np.stack([(320 + noise) / 16, (480 + noise[::-1]) / 16], axis=1).astype("<f4")]
    scale = 1 if dtype == "i2" else 300_000
    moving = np.stack([arc * scale + noise, arc[::-1] * 5 + noise[::-1]], axis=1)
    spiked = moving.copy()
    spiked[33, 0] = 32767 if dtype == "i2" else 2**31 - 1
    still = np.full((1000, 2), -7)
    return [moving.astype("<" + dtype), spiked[:64].astype("<" + dtype), still.astype("<" + dtype)]


def make_frames() -> list[Frame]:
    """Return the frames of ../log_v1 with the streams of travel added, and frames of these."""
    frames = first.make_frames(1, FIRST_SEQUENCE)
    head, close = frames[0], frames.pop()
    assert head.data is not None
    head.data["streams"] += [stream.to_dict() for stream in TRAVEL]
    for stream in TRAVEL:
        at = 0
        for rows in make_travel(stream.dtype):
            number = FIRST_SEQUENCE + len(frames)
            block = Block(stream, 2, at, 17 + at, first.PERIOD_FS, rows)
            place = {"stream_id": stream.stream_id, "first_index": at, "n": len(rows), "period_fs": first.PERIOD_FS}
            frames.append(Frame(FrameType.SAMPLES, number, 2, 17 + at, config_id=0x0A0B0C0D, block=block, **place))
            at += len(rows)
    number = FIRST_SEQUENCE + len(frames)
    frames.append(Frame(FrameType.CLOSE, number, 2, close.t0_ns, config_id=close.config_id, data=close.data))
    return frames


def main(folder: Path) -> None:
    frames = make_frames()
    octets = b"".join(encode_frame(f, PREDICT if f.type == FrameType.SAMPLES else None) for f in frames)
    (folder / "00000001.dlg").write_bytes(octets)
    expected = {"schema": 1, "frames": [first.describe(f) for f in frames]}
    text = json.dumps(expected, separators=(",", ":"), sort_keys=True, ensure_ascii=False)
    (folder / "expected.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
