"""One frame of the raw log in memory; bytes are made and read in `codec.py` (shared/RECORDING.md)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, make_dataclass
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


def _make_open(frozen: type[Any]) -> Any:
    """Return a class laid out as a frozen one whose objects are filled by plain assignment.

    To freeze one then is to give it the frozen class. Python takes 2.5 times as long to make a frozen object, and
    a log is a hundred thousand of them. Measured.
    """
    return make_dataclass(f"_Open{frozen.__name__}", [(field.name, field.type) for field in fields(frozen)], slots=True)


_OpenFrame, _OpenBlock = _make_open(Frame), _make_open(Block)


def make_sample_frames(
    stream: Stream, epoch: int, rows: NDArray[Any], facts: Iterable[tuple[int, int, int, int, int, int]]
) -> Iterator[Frame]:
    """Yield samples frames of one stream, epoch and length.

    Args:
        rows: (frames, n, channels), of the stream's channels and dtype.
        facts: of each frame sequence, first_index, t0_ns, period_fs, config_id, quality.
    """
    stream_id, n, kind = stream.stream_id, rows.shape[1], FrameType.SAMPLES
    for data, (sequence, first_index, t0_ns, period_fs, config_id, quality) in zip(rows, facts, strict=True):
        block = _OpenBlock(stream, epoch, first_index, t0_ns, period_fs, data, quality)
        block.__class__ = Block
        # fmt: off
        frame = _OpenFrame(
            kind, sequence, epoch, t0_ns, stream_id, first_index, n, period_fs, config_id, quality, block, None, None
        )
        # fmt: on
        frame.__class__ = Frame
        yield frame
