"""Which frames a log holds, in which order and under which numbers: pure, no file.

`log.LogWriter` puts these frames on a disk; a pass in memory hands them straight to the engine. Both
use this one class, so the engine sees the same frames either way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from dutylog import __version__
from dutylog.clock import Clock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.recording.block import Block, Stream
from dutylog.recording.codec import (
    MAX_CHANNELS,
    MAX_PAYLOAD_BYTES,
    compute_config_id,
    compute_raw_bytes,
    encode_json,
    parse_json,
)
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import Cut, Framer, Gap, Grid
from dutylog.recording.source import Batch, SourceEvent
from dutylog.recording.state import END, INSTALL, LogState
from dutylog.units import NS_PER_S

SEGMENT_SPAN_NS = 600 * NS_PER_S
SEGMENT_RAW_BYTES = 64 * 1024 * 1024
"""Counted uncompressed, so that the numbers of the frames don't depend on how well they compress."""


class Logbook:
    """Turns batches, events and clock readings into numbered frames.

    A SEGMENT_HEAD frame in what a method returns means: a new segment begins with it.

    vehicle: configuration in force at the start. boot_id: of this boot. clock: for the time a
    segment was made, nothing else. state: where the log stands; a fresh one for a pass in memory.
    """

    def __init__(self, vehicle: Vehicle, boot_id: str, clock: Clock, state: LogState | None = None) -> None:
        self._vehicle = _normalised(vehicle.to_dict())
        self._vehicle_id = vehicle.vehicle_id
        self._config_id = compute_config_id(self._vehicle)
        self._boot_id = boot_id
        self._clock = clock
        self.state = LogState() if state is None else state
        self._framer = self._new_framer()
        self._is_open = False
        self._segment_start_ns: int | None = None
        self._segment_bytes = 0

    @property
    def streams(self) -> dict[int, Stream]:
        """Return the streams of the epoch in force by id."""
        return {s.stream_id: s for s in self.state.streams}

    def start_epoch(self, streams: Sequence[Stream], source_kind: str, source_text: str, epoch: int) -> list[Frame]:
        """Begin a run of a source, or go on with the one in force when `epoch` is its number.

        Args:
            streams: all the source will send; unchanged when an epoch goes on.
            epoch: rising; an equal number goes on after `state.next_index`.
        Raises:
            InputError: an epoch that is over or older, streams that changed, or a stream too fast to frame.
        """
        state = self.state
        _check_streams(streams)
        if epoch < max(1, state.epoch) or (epoch == state.epoch and state.epoch_ended):
            raise InputError(f"epoch {epoch} can't begin, the log has come to {state.epoch}")
        frames = self.flush()
        if self._is_open:
            frames += self._close_segment("epoch")
        if epoch != state.epoch:
            state.epoch, state.epoch_ended = epoch, False
            state.next_index, state.grids = {}, {}
        elif state.streams != tuple(streams):
            raise InputError(f"the streams of epoch {epoch} changed; begin a new epoch")
        state.streams = tuple(streams)
        state.source_kind, state.source_text = source_kind, source_text
        self._framer = self._new_framer()
        return frames + self._open_segment(state.time_ns)

    def append(self, batch: Batch) -> list[Frame]:
        """Return the frames that a batch completes, events among them by their time.

        An event stands before the first frame whose place isn't before its instant; an `end` comes
        last, after what is written of unfinished frames.

        Raises:
            InputError: no epoch has begun, or a block doesn't belong (see Framer.push).
        """
        if batch.blocks and not self._is_open:
            raise InputError("samples before start_epoch")
        if not batch.events and not batch.gaps:
            return self._write_cuts(self._framer.push(batch.blocks))
        ends = [e for e in batch.events if e.kind == END]
        others = [e for e in batch.events if e.kind != END]
        cuts = self._framer.push(batch.blocks, max((e.t0_ns for e in others), default=None))
        items: list[tuple[int, int, Cut | SourceEvent]] = [(e.t0_ns, 0, e) for e in others]
        items += [(cut.place_ns, 1, cut) for cut in cuts]
        items.sort(key=lambda item: item[:2])
        frames: list[Frame] = []
        for _, _, item in items:
            if isinstance(item, Cut):
                frames += self._write_cut(item)
            else:
                frames += self.event(item.kind, item.t0_ns, item.data)
        for gap in batch.gaps:
            like = Grid(gap.index, gap.t0_ns, gap.period_fs)
            frames += self.gap(gap.stream_id, gap.until_index, gap.known_ns, gap.reason, like)
        for end in ends:
            frames += self.end(str(end.data.get("reason", "")), end.t0_ns)
        return frames

    def event(self, kind: str, t0_ns: int, data: Mapping[str, Any]) -> list[Frame]:
        """Return the frames of one event; opens a segment of its own where none is open."""
        payload = _normalised({**data, "kind": kind})
        return self._put(lambda: self._frame(FrameType.EVENT, t0_ns, data=payload), t0_ns)

    def end(self, reason: str, t0_ns: int) -> list[Frame]:
        """Return unfinished frames and the event that says the epoch is complete."""
        return self.flush() + self.event(END, t0_ns, {"reason": reason})

    def gap(
        self, stream_id: int, until_index: int, place_ns: int, reason: str, like: Grid | None = None
    ) -> list[Frame]:
        """Return the frames for rows before `until_index` that will never come (see Framer.skip)."""
        stream = self.streams.get(stream_id)
        if stream is None:
            raise InputError(f"no stream {stream_id} in epoch {self.state.epoch}")
        return self._write_cuts(self._framer.skip(stream, until_index, place_ns, reason, like))

    def clock(self, mono_ns: int, utc_ns: int, trusted: bool) -> list[Frame]:
        """Return the frame that ties wall time to monotonic time."""
        data = {"mono_ns": mono_ns, "utc_ns": utc_ns, "trusted": trusted, "boot_id": self._boot_id}
        return self._put(lambda: self._frame(FrameType.CLOCK, mono_ns, data=data), mono_ns)

    def config(self, vehicle: Vehicle, t0_ns: int) -> list[Frame]:
        """Return the frame of a configuration that is in force from here on."""
        data = _normalised(vehicle.to_dict())
        frames = [] if self._is_open else self._open_segment(t0_ns)
        self._vehicle, self._config_id = data, compute_config_id(data)
        return [*frames, self._frame(FrameType.CONFIG, t0_ns, data=data)]

    def flush(self) -> list[Frame]:
        """Return what isn't yet a whole frame."""
        return self._write_cuts(self._framer.flush())

    def close(self, reason: str = "stop") -> list[Frame]:
        """Return unfinished frames and the close frame; nothing where no segment is open."""
        if not self._is_open:
            return []
        return self.flush() + self._close_segment(reason)

    def _write_cuts(self, cuts: Sequence[Cut]) -> list[Frame]:
        return [frame for cut in cuts for frame in self._write_cut(cut)]

    def _write_cut(self, cut: Cut) -> list[Frame]:
        """Return the frame of a cut, and before it the turn to a new segment where one is due."""
        frames: list[Frame] = []
        start_ns = cut.place_ns if self._segment_start_ns is None else self._segment_start_ns
        if cut.place_ns - start_ns >= SEGMENT_SPAN_NS:
            frames += self._turn(cut.place_ns)
        frames += self._put(lambda: self._cut_frame(cut), cut.place_ns)
        if self._segment_start_ns is None:
            self._segment_start_ns = cut.place_ns
        return frames

    def _put(self, make: Callable[[], Frame], t0_ns: int) -> list[Frame]:
        """Return the frame, with a segment opened before it where none is open or this one is full."""
        frames: list[Frame] = []
        if not self._is_open:
            frames += self._open_segment(t0_ns)
        elif self._segment_bytes >= SEGMENT_RAW_BYTES - MAX_PAYLOAD_BYTES:
            frames += self._turn(t0_ns)
        return [*frames, make()]

    def _turn(self, t0_ns: int) -> list[Frame]:
        return self._close_segment("full") + self._open_segment(t0_ns)

    def _close_segment(self, reason: str) -> list[Frame]:
        frame = self._frame(FrameType.CLOSE, self.state.time_ns, data={"reason": reason})
        self._is_open = False
        return [frame]

    def _open_segment(self, t0_ns: int) -> list[Frame]:
        """Return head, configuration and installs in force: all a segment needs to stand alone."""
        state = self.state
        self._is_open = True
        self._segment_start_ns = None
        self._segment_bytes = 0
        installs = [state.installs[position] for position in sorted(state.installs)]
        head = {
            "schema": 1,
            "software": f"dutylog {__version__}",
            "vehicle_id": self._vehicle_id,
            "boot_id": self._boot_id,
            "segment": state.next_segment,
            "created_utc_ns": self._clock.utc_ns(),
            "utc_trusted": state.utc_trusted,
            "source": {"kind": state.source_kind, "text": state.source_text},
            "streams": [s.to_dict() for s in state.streams],
            "carried": state.carried(),
        }
        frames = [self._frame(FrameType.SEGMENT_HEAD, t0_ns, data=_normalised(head))]
        frames.append(self._frame(FrameType.CONFIG, t0_ns, data=self._vehicle))
        for fields in installs:
            data = _normalised({**fields, "kind": INSTALL, "again": True})
            frames.append(self._frame(FrameType.EVENT, t0_ns, data=data))
        return frames

    def _cut_frame(self, cut: Cut) -> Frame:
        item = cut.item
        if isinstance(item, Gap):
            return self._frame(
                FrameType.GAP,
                item.t0_ns,
                stream_id=item.stream.stream_id,
                first_index=item.first_index,
                n=item.n,
                period_fs=item.period_fs,
                data={"reason": item.reason},
                stream=item.stream,
            )
        return self._samples_frame(item)

    def _samples_frame(self, block: Block) -> Frame:
        return self._frame(
            FrameType.SAMPLES,
            block.t0_ns,
            stream_id=block.stream.stream_id,
            first_index=block.first_index,
            n=len(block.data),
            period_fs=block.period_fs,
            quality=block.quality,
            block=block,
        )

    def _frame(self, kind: FrameType, t0_ns: int, **fields: Any) -> Frame:
        """Return the next frame and note what it changes."""
        state = self.state
        frame = Frame(
            type=kind,
            sequence=state.next_sequence,
            epoch=state.epoch,
            t0_ns=t0_ns,
            config_id=self._config_id,
            **fields,
        )
        state.follow(frame)
        self._segment_bytes += compute_raw_bytes(frame)
        return frame

    def _new_framer(self) -> Framer:
        return Framer(self.state.epoch, self.state.next_index, self.state.grids)


def _normalised(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return JSON data as a reader of the log will see it, so that memory and disk agree."""
    return parse_json(encode_json(data))


def _check_streams(streams: Sequence[Stream]) -> None:
    """Raise InputError for streams that no frame can hold."""
    ids = [s.stream_id for s in streams]
    if len(set(ids)) != len(ids):
        raise InputError(f"stream ids {ids} aren't unique")
    for stream in streams:
        width_bytes = int(stream.dtype[1:])
        frame_bytes = stream.samples_per_second * len(stream.channels) * width_bytes
        if not 0 < len(stream.channels) <= MAX_CHANNELS or frame_bytes > MAX_PAYLOAD_BYTES:
            raise InputError(
                f"stream {stream.name}: {len(stream.channels)} channels, {frame_bytes} bytes a second; "
                f"a frame holds 1 to {MAX_CHANNELS} channels and {MAX_PAYLOAD_BYTES} bytes"
            )
