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
class Batch:
    """All that a source has for one span of time: blocks of every stream, and events."""

    blocks: tuple[Block, ...] = ()
    events: tuple[SourceEvent, ...] = field(default=())


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
