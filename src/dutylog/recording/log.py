"""The raw log as its one writer sees it: frames numbered, buffered, made durable, handed on to the engine.

Whoever may wait calls `commit`. Whoever samples calls `start_commit` and `finish_commit`: the disk is
then waited for by a thread, and with `take_ahead` the engine can go on while the disk takes nothing.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from dutylog.clock import Clock
from dutylog.domain.vehicle import Vehicle
from dutylog.recording.block import Stream
from dutylog.recording.codec import compute_raw_bytes
from dutylog.recording.errand import Errand
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import NOT_STORED
from dutylog.recording.logbook import Logbook
from dutylog.recording.segment_files import (
    SegmentFiles,
    fsync_folder,
    settle_last_segment,
    translated,
    unanswered,
)
from dutylog.recording.source import Batch
from dutylog.recording.state import LogState
from dutylog.recording.tail import read_log_state
from dutylog.units import FS_PER_S

FOLDER_MODE = 0o750
HELD_BATCHES = 20
"""So many batches wait to be cut into frames together, or fewer until a commit begins: more than come between two. A
board that slept since the last one starts with cold caches: one by one they cost twelve times as much. Measured."""
MAX_PENDING_BYTES = 32 * 1024 * 1024
"""What a full or stalled disk may hold up in memory, uncompressed; beyond it the oldest rows are dropped."""


class LogWriter:
    """The only writer of a log folder.

    folder: made where missing; what it holds is never changed, a new segment is begun. vehicle: the
    configuration in force. boot_id: of this boot. clock: for stamps of segments and clock frames.
    min_sequence: no frame gets a lower number, so that a number the ledger has seen never comes
    again even if the end of the log was lost (give its cursor + 1).

    Usage: `start_epoch`, then `append` batches and now and then `commit`; what `commit` and `close`
    return is durable and goes to the engine, in order, each frame once. `found_sequence` is the number
    of the last frame that was there when the writer opened, 0 for none.

    Raises:
        RecordingError: the folder can't be read or was written by a newer version.
        LedgerError: the folder can't be made.
    """

    def __init__(self, folder: Path, vehicle: Vehicle, boot_id: str, clock: Clock, min_sequence: int = 1) -> None:
        self._folder = folder
        self._boot_clock = clock
        try:
            if not folder.is_dir():
                folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
                fsync_folder(folder.parent)
        except OSError as err:
            raise translated(err, folder) from err
        settle_last_segment(folder)
        state = read_log_state(folder)
        self.found_sequence = state.next_sequence - 1
        state.next_sequence = max(state.next_sequence, min_sequence)
        self._book = Logbook(vehicle, boot_id, clock, state)
        self._held: deque[Batch] = deque()
        self._files = SegmentFiles(folder)
        self._errand: Errand[tuple[Frame, ...]] = Errand("raw log", clock)
        self._queue: list[Frame] = []
        self._queue_bytes = self._lent_bytes = 0
        self._unhanded: deque[Frame] = deque()
        self._handed_sequence = 0
        # Durable, and not handed on, since a commit after theirs failed.
        self._owed: tuple[Frame, ...] = ()
        self._waiting = _Rows()
        self._dropped = _Rows()

    @property
    def state(self) -> LogState:
        """Return where the log stands, buffered frames included: epoch, next index, installs."""
        return self._logbook.state

    @property
    def epoch(self) -> int:
        """Return the number of the epoch in force."""
        return self._book.state.epoch

    @property
    def place(self) -> Path:
        """Return the file being written, for messages."""
        return self._files.place

    @property
    def pending_bytes(self) -> int:
        """Return how much waits for the disk, uncompressed; batches that aren't frames yet aside."""
        return self._queue_bytes + self._lent_bytes

    @property
    def dropped_row_count(self) -> int:
        """Return how many rows of all streams were never stored."""
        return self._dropped.count

    @property
    def dropped_s(self) -> float:
        """Return how much time they are [s], of the stream that lost most."""
        return self._dropped.seconds

    @property
    def is_committing(self) -> bool:
        """Return whether a commit begun by `start_commit` hasn't ended."""
        return self._errand.is_busy

    @property
    def is_open(self) -> bool:
        """Return whether a commit begun by `start_commit` is still to be finished."""
        return self._errand.is_open

    @property
    def committing_s(self) -> float:
        """Return for how long it has lasted [s]."""
        return self._errand.busy_s

    def start_epoch(self, streams: Sequence[Stream], source_kind: str, source_text: str, epoch: int) -> None:
        """Begin or go on with a run of a source in a new segment (see Logbook.start_epoch)."""
        self._buffer(self._logbook.start_epoch(streams, source_kind, source_text, epoch))

    def append(self, batch: Batch) -> None:
        """Take a batch; nothing is durable before `commit`."""
        self._held.append(batch)
        if len(self._held) >= HELD_BATCHES:
            self.settle()

    def event(self, kind: str, t0_ns: int, data: Mapping[str, Any]) -> None:
        """Buffer an event."""
        self._buffer(self._logbook.event(kind, t0_ns, data))

    def end(self, reason: str, t0_ns: int) -> None:
        """Buffer unfinished frames and the event that says the epoch is complete."""
        self._buffer(self._logbook.end(reason, t0_ns))

    def clock(self, trusted: bool) -> None:
        """Buffer what wall time it is now by this machine's clocks."""
        self._buffer(self._logbook.clock(self._boot_clock.mono_ns(), self._boot_clock.utc_ns(), trusted))

    def config(self, vehicle: Vehicle, t0_ns: int) -> None:
        """Buffer a configuration that is in force from here on."""
        self._buffer(self._logbook.config(vehicle, t0_ns))

    def commit(self) -> tuple[Frame, ...]:
        """Write and fsync what is buffered; return the frames that became durable, in order.

        After an error nothing is lost: frames that aren't durable stay buffered for the next commit.

        Raises:
            LedgerFull: the disk is full.
            LedgerError: it failed otherwise.
        """
        self._errand.wait()
        self._owed = self.finish_commit() or self._owed
        self._lend()
        try:
            return self._received(self._files.commit())
        finally:
            self._reckon()

    def start_commit(self) -> None:
        """Begin a commit of what is buffered in a thread of its own; nothing while one is still to be finished."""
        if not self._errand.is_open:
            self._lend()
            self._errand.start(self._files.commit)

    def finish_commit(self) -> tuple[Frame, ...] | None:
        """Return what the commit begun by `start_commit` made durable, None while it lasts or none was begun.

        Raises:
            as `commit`, once for each commit begun that failed.
        """
        if self._errand.is_busy:
            return None
        try:
            durable = self._errand.take()
        finally:
            self._reckon()
        return None if durable is None else self._received(durable)

    def wait(self, limit_s: float) -> bool:
        """Wait for the commit under way, at most `limit_s`; return whether none is any more."""
        return self._errand.wait(limit_s)

    def take_ahead(self) -> tuple[Frame, ...]:
        """Return the frames that weren't handed on yet, durable or not; those that aren't stay buffered.

        For a disk that takes nothing for long: the engine goes on, and the log follows when it can. If it
        never can, what was handed on can't be proved by the log.
        """
        self.settle()
        frames = (*self._owed, *self._unhanded)
        self._owed = ()
        if frames:
            self._handed_sequence = frames[-1].sequence
            self._unhanded.clear()
        return frames

    def close(self, reason: str = "stop", limit_s: float | None = None) -> tuple[Frame, ...]:
        """Write unfinished frames and the close frame, fsync, and let go of the file; safe to call twice.

        limit_s: the disk isn't waited for longer than this; None waits for ever.
        Returns:
            the frames that became durable, as `commit`. What couldn't be made durable is counted as
            dropped; `take_ahead` still gives it.
        """
        self._buffer(self._logbook.close(reason))
        try:
            return self.commit() if limit_s is None else self._commit_within(limit_s)
        finally:
            self._let_go()

    def _commit_within(self, limit_s: float) -> tuple[Frame, ...]:
        end_ns = self._boot_clock.mono_ns() + round(limit_s * 1e9)
        if self._errand.wait(limit_s):
            self._owed = self.finish_commit() or self._owed
            self.start_commit()
            if self._errand.wait(max(0.0, (end_ns - self._boot_clock.mono_ns()) * 1e-9)):
                return self.finish_commit() or ()
        raise unanswered(self.place, limit_s)

    def _let_go(self) -> None:
        self._dropped.add(self._waiting)
        self._waiting = _Rows()
        self._queue, self._queue_bytes, self._lent_bytes = [], 0, 0
        if not self._errand.is_busy:
            self._files.close()
        self._errand.close()

    def _lend(self) -> None:
        """Hand what is queued to the side of the disk, which must be idle."""
        self.settle()
        self._files.pending += self._queue
        self._lent_bytes += self._queue_bytes
        self._queue, self._queue_bytes = [], 0

    def _reckon(self) -> None:
        """See what the side of the disk, idle again, has left over."""
        self._lent_bytes = sum(compute_raw_bytes(frame) for frame in self._files.pending)

    def _received(self, durable: tuple[Frame, ...]) -> tuple[Frame, ...]:
        """Return those of durable frames that weren't handed on before, and what is owed before them."""
        self._waiting.take_off(durable)
        fresh = self._owed + tuple(frame for frame in durable if frame.sequence > self._handed_sequence)
        self._owed = ()
        if fresh:
            self._handed_sequence = fresh[-1].sequence
            while self._unhanded and self._unhanded[0].sequence <= self._handed_sequence:
                self._unhanded.popleft()
        return fresh

    @property
    def _logbook(self) -> Logbook:
        """Return the logbook with all batches in it."""
        self.settle()
        return self._book

    def settle(self) -> None:
        """Cut batches that were held into frames and buffer those.

        Raises:
            InputError: as `Logbook.append`; whoever calls something else of the writer may get it there.
        """
        while self._held:
            self._buffer(self._book.append(self._held.popleft()))

    def _buffer(self, frames: Sequence[Frame]) -> None:
        if not frames:
            return
        self._queue += frames
        self._unhanded += frames
        self._waiting.put_on(frames)
        self._queue_bytes += sum(compute_raw_bytes(frame) for frame in frames)
        if self.pending_bytes > MAX_PENDING_BYTES:
            self._drop_oldest_rows()

    def _drop_oldest_rows(self) -> None:
        """Turn the oldest buffered samples into gaps until half the room is free; what the disk's side holds stays."""
        room = MAX_PENDING_BYTES // 2
        if self._errand.is_busy:
            held: list[Frame] = self._queue
            room = max(room - self._lent_bytes, room // 4)
        else:
            held = [*self._files.pending, *self._queue]
            self._files.pending.clear()
            self._lent_bytes = 0
        kept, dropped = _without_oldest_rows(held, room)
        self._queue, self._queue_bytes = kept, sum(compute_raw_bytes(frame) for frame in kept)
        self._dropped.put_on(dropped)
        self._waiting.take_off(dropped)
        first = held[0].sequence
        earlier = [frame for frame in self._unhanded if frame.sequence < first]
        self._unhanded = deque([*earlier, *(f for f in kept if f.sequence > self._handed_sequence)])


class _Rows:
    """Counts rows of samples, and the time they are by stream."""

    def __init__(self) -> None:
        self.count = 0
        self._fs: Counter[int] = Counter()

    @property
    def seconds(self) -> float:
        return max(self._fs.values(), default=0) / FS_PER_S

    def put_on(self, frames: Iterable[Frame]) -> None:
        for frame in frames:
            if frame.block is not None:
                self.count += frame.n
                self._fs[frame.stream_id] += frame.n * frame.period_fs

    def take_off(self, frames: Iterable[Frame]) -> None:
        for frame in frames:
            if frame.block is not None:
                self.count -= frame.n
                self._fs[frame.stream_id] -= frame.n * frame.period_fs

    def add(self, other: _Rows) -> None:
        self.count += other.count
        self._fs.update(other._fs)


def _without_oldest_rows(frames: Sequence[Frame], room: int) -> tuple[list[Frame], list[Frame]]:
    """Return frames with the oldest samples turned into gaps until they take `room` bytes, and those samples.

    Neighbouring gaps of a stream become one, so a disk that stays full can't fill the memory; the
    numbers that vanish show as a jump.
    """
    kept: list[Frame] = []
    dropped: list[Frame] = []
    gap_at: dict[int, int] = {}
    excess = sum(compute_raw_bytes(frame) for frame in frames) - room
    for frame in frames:
        if frame.block is not None and excess > 0:
            dropped.append(frame)
            excess -= compute_raw_bytes(frame)
            frame = _to_gap(frame)
        at = gap_at.get(frame.stream_id)
        if at is not None and _adjoins(kept[at], frame):
            kept[at] = replace(kept[at], n=kept[at].n + frame.n)
            continue
        if frame.type == FrameType.GAP:
            gap_at[frame.stream_id] = len(kept)
        kept.append(frame)
    return kept, dropped


def _to_gap(frame: Frame) -> Frame:
    stream = None if frame.block is None else frame.block.stream
    return replace(frame, type=FrameType.GAP, block=None, quality=0, data={"reason": NOT_STORED}, stream=stream)


def _adjoins(gap: Frame, later: Frame) -> bool:
    """Return whether two unstored stretches of one stream are one."""
    return (
        later.type == FrameType.GAP
        and gap.data == later.data == {"reason": NOT_STORED}
        and gap.first_index + gap.n == later.first_index
        and (gap.epoch, gap.period_fs) == (later.epoch, later.period_fs)
    )
