"""What every source of samples must do, whether chip, bridge, file or simulation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from dutylog.recording.block import Block, Stream


@dataclass(frozen=True, slots=True)
class SourceEvent:
    """Something a source has to say beside samples; becomes an event frame of the raw log."""

    kind: str
    t0_ns: int
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class SourceGap:
    """Rows of a stream before `until_index` that haven't come and never will, as known at `known_ns`.

    index, t0_ns, period_fs: where its rows lie, for a stream of which none has come yet. reason: one of
    `recording.framer`.
    """

    stream_id: int
    until_index: int
    index: int
    t0_ns: int
    period_fs: int
    known_ns: int
    reason: str


@dataclass(frozen=True, slots=True)
class Batch:
    """All that a source has for one span of time: blocks of every stream, then gaps, and events.

    ends_epoch: why the source's next rows belong to a new epoch, '' where they don't: `start` comes before
    the next `read_batch`.
    """

    blocks: tuple[Block, ...] = ()
    events: tuple[SourceEvent, ...] = field(default=())
    gaps: tuple[SourceGap, ...] = ()
    ends_epoch: str = ""


class Source(Protocol):
    """A source of samples.

    kind: 'recording', 'simulated', ... text: one line for people (file, port).
    resumable: the same samples come again after a restart, so an interrupted epoch goes on;
    otherwise each start is a new epoch.
    """

    kind: str
    text: str
    resumable: bool
    streams: tuple[Stream, ...]

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        """Begin at `next_index` of each stream id (0 where absent); raises SourceError or RecordingError."""
        ...

    def read_batch(self) -> Batch | None:
        """Return the next span, waiting at most about 0.2 s for it.

        An empty Batch when nothing is due yet, None at the end.
        """
        ...

    def close(self) -> None:
        """Let go of the device or file; safe to call twice."""
        ...
