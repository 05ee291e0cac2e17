"""How far a log has come: all a writer must know to go on, followed frame by frame.

The same `follow` serves the writer while it writes and the reader of the last segment at the next
start, so both can't differ. Every segment's head carries the state (`carried`), so the last
segment alone is enough.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from dutylog.recording.block import Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import Grid

INSTALL = "install"
REMOVE = "remove"
END = "end"


@dataclass(slots=True)
class LogState:
    """Where a log stands after its latest frame.

    epoch: number of the latest run of a source, 0 before the first. epoch_ended: nothing more of it
    will come. next_index, grids: per stream id. installs: position -> fields of its install event.
    time_ns: latest instant of any row [ns], in the source's time.
    """

    next_sequence: int = 1
    next_segment: int = 1
    epoch: int = 0
    epoch_ended: bool = True
    streams: tuple[Stream, ...] = ()
    source_kind: str = ""
    source_text: str = ""
    next_index: dict[int, int] = field(default_factory=dict)
    grids: dict[int, Grid] = field(default_factory=dict)
    installs: dict[str, dict[str, Any]] = field(default_factory=dict)
    time_ns: int = 0
    utc_trusted: bool = False

    def carried(self) -> dict[str, Any]:
        """Return what a segment head carries so that the segments before it aren't needed."""
        return {
            "epoch_ended": self.epoch_ended,
            "time_ns": self.time_ns,
            "installs": [self.installs[position] for position in sorted(self.installs)],
            "streams": [
                {"stream_id": key, "next_index": self.next_index[key], "grid": _grid_to_list(self.grids.get(key))}
                for key in sorted(self.next_index)
            ],
        }

    def follow(self, frame: Frame) -> None:
        """Take one more frame of the log, in order."""
        self.next_sequence = max(self.next_sequence, frame.sequence + 1)
        data = frame.data or {}
        if frame.type == FrameType.SEGMENT_HEAD:
            self._follow_head(frame, data)
        elif frame.type in (FrameType.SAMPLES, FrameType.GAP):
            self._follow_rows(frame)
        elif frame.type == FrameType.EVENT:
            self._follow_event(data)
        elif frame.type == FrameType.CLOCK:
            self.utc_trusted = bool(data.get("trusted"))

    def _follow_head(self, frame: Frame, data: dict[str, Any]) -> None:
        carried = data["carried"]
        self.next_segment = max(self.next_segment, int(data["segment"]) + 1)
        self.epoch = frame.epoch
        self.epoch_ended = bool(carried["epoch_ended"])
        self.time_ns = int(carried["time_ns"])
        self.streams = tuple(Stream.from_dict(s) for s in data["streams"])
        self.source_kind = str(data["source"]["kind"])
        self.source_text = str(data["source"]["text"])
        self.utc_trusted = bool(data["utc_trusted"])
        self.installs = {str(entry["position"]): dict(entry) for entry in carried["installs"]}
        self.next_index, self.grids = {}, {}
        for entry in carried["streams"]:
            key = int(entry["stream_id"])
            self.next_index[key] = int(entry["next_index"])
            if entry["grid"] is not None:
                self.grids[key] = Grid(*(int(v) for v in entry["grid"]))

    def _follow_rows(self, frame: Frame) -> None:
        key, end_index = frame.stream_id, frame.first_index + frame.n
        self.next_index[key] = max(self.next_index.get(key, 0), end_index)
        run = Grid(frame.first_index, frame.t0_ns, frame.period_fs)
        grid = self.grids.get(key)
        if frame.type == FrameType.SAMPLES and (
            grid is None or not grid.agrees(frame.first_index, frame.t0_ns, frame.period_fs)
        ):
            self.grids[key] = run
        self.time_ns = max(self.time_ns, run.time_ns(end_index - 1))

    def _follow_event(self, data: dict[str, Any]) -> None:
        if data.get("kind") == INSTALL:
            fields = {key: value for key, value in data.items() if key not in ("kind", "again")}
            self.installs[str(data.get("position"))] = fields
        elif data.get("kind") == REMOVE:
            self.installs.pop(str(data.get("position")), None)
        elif data.get("kind") == END:
            self.epoch_ended = True


def _grid_to_list(grid: Grid | None) -> list[int] | None:
    return None if grid is None else [grid.index, grid.t0_ns, grid.period_fs]
