"""The raw log on disk: frames buffered, written, fsynced, and only then handed to the engine."""

from __future__ import annotations

import errno
import os
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from dutylog.clock import Clock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import LedgerError, LedgerFull
from dutylog.recording.block import Stream
from dutylog.recording.codec import compute_raw_bytes, encode_frame
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import NOT_STORED
from dutylog.recording.logbook import Logbook
from dutylog.recording.scan import find_segments, segment_name
from dutylog.recording.source import Batch
from dutylog.recording.state import LogState
from dutylog.recording.tail import read_log_state

FILE_MODE = 0o640
FOLDER_MODE = 0o750
MAX_PENDING_BYTES = 32 * 1024 * 1024
"""What a full or stalled disk may hold up in memory, uncompressed; beyond it the oldest rows are dropped."""

_FULL_ERRORS = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


class _Segment:
    """An open segment file and how far it is good and durable."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.written_bytes = 0
        self.durable_bytes = 0
        self._is_name_durable = False
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)

    def write(self, octets: bytes) -> None:
        """Put a whole frame after the last good one, or leave the file as it was and raise OSError."""
        view = memoryview(octets)
        done = 0
        try:
            while done < len(view):
                done += os.pwrite(self._fd, view[done:], self.written_bytes + done)
        except OSError:
            self._cut_to(self.written_bytes)
            raise
        self.written_bytes += len(octets)

    def fsync(self) -> None:
        """Make what was written durable; OSError leaves the file as it was at the last success."""
        try:
            os.fsync(self._fd)
            if not self._is_name_durable:
                _fsync_folder(self.path.parent)
                self._is_name_durable = True
        except OSError:
            # After a failed fsync the kernel may call the lost pages clean; only writing them again helps.
            self._cut_to(self.durable_bytes)
            self.written_bytes = self.durable_bytes
            raise
        self.durable_bytes = self.written_bytes

    def close(self) -> None:
        os.close(self._fd)

    def _cut_to(self, byte_count: int) -> None:
        try:
            os.ftruncate(self._fd, byte_count)
        except OSError:
            return  # harmless: the next frame is written over the bytes at this very offset


class LogWriter:
    """The only writer of a log folder.

    folder: made where missing; what it holds is never changed, a new segment is begun. vehicle: the
    configuration in force. boot_id: of this boot. clock: for stamps of segments and clock frames.
    min_sequence: no frame gets a lower number, so that a number the ledger has seen never comes
    again even if the end of the log was lost (give its cursor + 1).

    Usage: `start_epoch`, then `append` batches and now and then `commit`; what `commit` and `close`
    return is durable and goes to the engine, in order. `found_sequence` is the number of the last frame
    that was there when the writer opened, 0 for none.

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
                _fsync_folder(folder.parent)
        except OSError as err:
            raise _translated(err, folder) from err
        _settle_last_segment(folder)
        state = read_log_state(folder)
        self.found_sequence = state.next_sequence - 1
        state.next_sequence = max(state.next_sequence, min_sequence)
        self._logbook = Logbook(vehicle, boot_id, clock, state)
        self._segment: _Segment | None = None
        self._pending: deque[Frame] = deque()
        self._pending_bytes = 0
        self._unsynced: list[Frame] = []
        self._durable: list[Frame] = []
        self.dropped_row_count = 0

    @property
    def state(self) -> LogState:
        """Return where the log stands, buffered frames included: epoch, next index, installs."""
        return self._logbook.state

    @property
    def pending_bytes(self) -> int:
        """Return how much waits for the disk, uncompressed."""
        return self._pending_bytes

    def start_epoch(self, streams: Sequence[Stream], source_kind: str, source_text: str, epoch: int) -> None:
        """Begin or go on with a run of a source in a new segment (see Logbook.start_epoch)."""
        self._buffer(self._logbook.start_epoch(streams, source_kind, source_text, epoch))

    def append(self, batch: Batch) -> None:
        """Buffer what a batch completes; nothing is durable before `commit`."""
        self._buffer(self._logbook.append(batch))

    def event(self, kind: str, t0_ns: int, data: Mapping[str, Any]) -> None:
        """Buffer an event."""
        self._buffer(self._logbook.event(kind, t0_ns, data))

    def end(self, reason: str, t0_ns: int) -> None:
        """Buffer unfinished frames and the event that says the epoch is complete."""
        self._buffer(self._logbook.end(reason, t0_ns))

    def gap(self, stream_id: int, until_index: int, place_ns: int, reason: str) -> None:
        """Buffer the gap of rows before `until_index` that will never come, as known at `place_ns`."""
        self._buffer(self._logbook.gap(stream_id, until_index, place_ns, reason))

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
        try:
            try:
                self._write_pending()
            finally:
                # Also when the disk took only a part: what it took must not wait for the rest.
                self._sync()
        except OSError as err:
            path = self._segment.path if self._segment else self._folder
            raise _translated(err, path) from err
        durable, self._durable = tuple(self._durable), []
        return durable

    def close(self, reason: str = "stop") -> tuple[Frame, ...]:
        """Write unfinished frames and the close frame, fsync, and let go of the file; safe to call twice.

        Returns:
            the frames that became durable, as `commit`.
        """
        self._buffer(self._logbook.close(reason))
        try:
            return self.commit()
        finally:
            self._let_go()

    def _let_go(self) -> None:
        """Close the file; what couldn't be made durable is counted as dropped.

        What could but was never handed on after an error is read again at the next start.
        """
        lost = [*self._unsynced, *self._pending]
        self.dropped_row_count += sum(frame.n for frame in lost if frame.block is not None)
        self._unsynced, self._durable, self._pending, self._pending_bytes = [], [], deque(), 0
        if self._segment is not None:
            self._segment.close()
            self._segment = None

    def _buffer(self, frames: Sequence[Frame]) -> None:
        self._pending += frames
        self._pending_bytes += sum(compute_raw_bytes(frame) for frame in frames)
        if self._pending_bytes > MAX_PENDING_BYTES:
            self._drop_oldest_rows()

    def _drop_oldest_rows(self) -> None:
        """Turn the oldest buffered samples into gaps until half the room is free.

        Neighbouring gaps of a stream become one, so a disk that stays full can't fill the memory; the
        numbers that vanish show as a jump.
        """
        kept: list[Frame] = []
        gap_at: dict[int, int] = {}
        room = MAX_PENDING_BYTES // 2
        excess = self._pending_bytes - room
        for frame in self._pending:
            if frame.block is not None and excess > 0:
                self.dropped_row_count += frame.n
                excess -= compute_raw_bytes(frame)
                frame = _to_gap(frame)
            at = gap_at.get(frame.stream_id)
            if at is not None and _adjoins(kept[at], frame):
                kept[at] = replace(kept[at], n=kept[at].n + frame.n)
                continue
            if frame.type == FrameType.GAP:
                gap_at[frame.stream_id] = len(kept)
            kept.append(frame)
        self._pending = deque(kept)
        self._pending_bytes = sum(compute_raw_bytes(frame) for frame in kept)

    def _write_pending(self) -> None:
        while self._pending:
            frame = self._pending[0]
            if frame.type == FrameType.SEGMENT_HEAD:
                self._open_for(frame)
            assert self._segment is not None  # noqa: S101 - the logbook puts a head first
            self._segment.write(encode_frame(frame))
            self._pending.popleft()
            self._pending_bytes -= compute_raw_bytes(frame)
            self._unsynced.append(frame)

    def _open_for(self, head: Frame) -> None:
        """Open the head's segment, unless an earlier try that failed has done so."""
        path = self._folder / segment_name(int((head.data or {})["segment"]))
        if self._segment is not None:
            if self._segment.path == path:
                return
            self._sync()
            self._segment.close()
            self._segment = None
        self._segment = _Segment(path)

    def _sync(self) -> None:
        if self._segment is None or not self._unsynced:
            return
        try:
            self._segment.fsync()
        except OSError:
            self._pending.extendleft(reversed(self._unsynced))
            self._pending_bytes += sum(compute_raw_bytes(frame) for frame in self._unsynced)
            self._unsynced = []
            raise
        self._durable += self._unsynced
        self._unsynced = []


def _to_gap(frame: Frame) -> Frame:
    return replace(frame, type=FrameType.GAP, block=None, quality=0, data={"reason": NOT_STORED})


def _adjoins(gap: Frame, later: Frame) -> bool:
    """Return whether two unstored stretches of one stream are one."""
    return (
        later.type == FrameType.GAP
        and gap.data == later.data == {"reason": NOT_STORED}
        and gap.first_index + gap.n == later.first_index
        and (gap.epoch, gap.period_fs) == (later.epoch, later.period_fs)
    )


def _settle_last_segment(folder: Path) -> None:
    """Fsync the last segment: after a kill its tail may be readable and yet not durable."""
    files = find_segments(folder)
    if not files:
        return
    try:
        fd = os.open(files[-1], os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
        _fsync_folder(folder)
    except OSError as err:
        raise _translated(err, files[-1]) from err


def _fsync_folder(folder: Path) -> None:
    """Make a new name in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _translated(err: OSError, path: Path) -> LedgerError:
    """Return our error for one of the disk's."""
    if err.errno in _FULL_ERRORS:
        return LedgerFull(f"{path}: the disk is full ({err.strerror}); free some space")
    return LedgerError(f"{path}: can't be written: {err.strerror}; check the card and its mount")
