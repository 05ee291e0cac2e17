"""One frame of the raw log in memory; bytes are made and read in `codec.py` (shared/RECORDING.md)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from numpy.typing import NDArray

from dutylog.recording.block import Block, Stream


class FrameType(IntEnum):
    """The frame types of version 1; numbers are fixed for ever."""

    SEGMENT_HEAD = 0
    SAMPLES = 1
    GAP = 2
    EVENT = 3
    CLOCK = 4
    CONFIG = 5
    CLOSE = 6


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame with its payload decoded: `block` for samples, `data` (JSON object) for all others.

    first_index, n, period_fs: samples and gap frames only, else 0. t0_ns: monotonic time [ns]. stream: of
    gap frames, None where the log has no description of it.
    """

    type: FrameType
    sequence: int
    epoch: int
    t0_ns: int
    stream_id: int = 0
    first_index: int = 0
    n: int = 0
    period_fs: int = 0
    config_id: int = 0
    quality: int = 0
    block: Block | None = None
    data: dict[str, Any] | None = None
    stream: Stream | None = None


def make_sample_frames(
    stream: Stream, epoch: int, rows: NDArray[Any], facts: Iterable[tuple[int, int, int, int, int, int]]
) -> Iterator[Frame]:
    """Yield samples frames of one stream, epoch and length.

    Args:
        rows: (frames, n, channels), of the stream's channels and dtype.
        facts: of each frame sequence, first_index, t0_ns, period_fs, config_id, quality.
    """
    for data, (sequence, first_index, t0_ns, period_fs, config_id, quality) in zip(rows, facts, strict=True):
        block = Block(stream, epoch, first_index, t0_ns, period_fs, data, quality)
        # fmt: off
        yield Frame(
            FrameType.SAMPLES, sequence, epoch, t0_ns, stream.stream_id, first_index, len(data), period_fs, config_id,
            quality, block,
        )
        # fmt: on
