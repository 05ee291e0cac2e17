"""The disk's side of the raw log: frames written to segment files and made durable, in order.

Used by one thread at a time: `log.LogWriter` hands frames over and lets `commit` run where it may wait.
"""

from __future__ import annotations

import errno
import os
from collections import deque
from pathlib import Path

from dutylog.errors import LedgerError, LedgerFull
from dutylog.recording.codec import encode_frame
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.scan import find_segments, segment_name

FILE_MODE = 0o640
RESERVE_BYTES = 16 * 1024 * 1024
RESERVE_SHARE = 64
"""The log leaves free 16 MiB, or 1/64 of a smaller disk, for the ledger: raw stops first, totals go on.
Minute rows of four dampers take 46 kB an hour (shared/LEDGER.md), so that is room for a year of driving. Judgement."""
RESUME_RATIO = 1.25
"""Once the log has stopped it goes on only with so much more than the reserve: else it would start and stop all day."""

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
                fsync_folder(self.path.parent)
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


class SegmentFiles:
    """Writes frames of one folder; frames that aren't durable stay in `pending` for the next try."""

    def __init__(self, folder: Path) -> None:
        self.pending: deque[Frame] = deque()
        self._folder = folder
        self._segment: _Segment | None = None
        self._unsynced: list[Frame] = []
        self._durable: list[Frame] = []
        self._is_short = False

    @property
    def place(self) -> Path:
        """Return the file being written, or the folder before the first."""
        return self._segment.path if self._segment else self._folder

    def commit(self) -> tuple[Frame, ...]:
        """Write and fsync what is pending; return the frames that became durable, in order.

        Raises:
            LedgerFull: the disk is full. LedgerError: it failed otherwise.
        """
        try:
            try:
                self._check_room()
                self._write_pending()
            finally:
                # Also when the disk took only a part: what it took must not wait for the rest.
                self._sync()
        except OSError as err:
            raise translated(err, self.place) from err
        durable, self._durable = tuple(self._durable), []
        return durable

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        self._unsynced, self._durable, self.pending = [], [], deque()
        if self._segment is not None:
            self._segment.close()
            self._segment = None

    def _check_room(self) -> None:
        """Raise OSError when what is left of the disk is kept for the ledger."""
        if not self.pending:
            return
        disk = os.statvfs(self._folder)
        needed_bytes = min(RESERVE_BYTES, disk.f_blocks * disk.f_frsize // RESERVE_SHARE)
        if self._is_short:
            needed_bytes = round(needed_bytes * RESUME_RATIO)
        self._is_short = disk.f_bavail * disk.f_frsize < needed_bytes
        if self._is_short:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def _write_pending(self) -> None:
        while self.pending:
            frame = self.pending[0]
            if frame.type == FrameType.SEGMENT_HEAD:
                self._open_for(frame)
            assert self._segment is not None  # noqa: S101 - the logbook puts a head first
            self._segment.write(encode_frame(frame))
            self.pending.popleft()
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
            self.pending.extendleft(reversed(self._unsynced))
            self._unsynced = []
            raise
        self._durable += self._unsynced
        self._unsynced = []


def settle_last_segment(folder: Path) -> None:
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
        fsync_folder(folder)
    except OSError as err:
        raise translated(err, files[-1]) from err


def fsync_folder(folder: Path) -> None:
    """Make a new name in a folder durable."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def translated(err: OSError, path: Path) -> LedgerError:
    """Return our error for one of the disk's."""
    if err.errno in _FULL_ERRORS:
        return LedgerFull(f"{path}: the disk is full ({err.strerror}); free some space")
    return LedgerError(f"{path}: can't be written: {err.strerror}; check the card and its mount")


def unanswered(path: Path, seconds: float) -> LedgerError:
    """Return our error for a disk that neither takes data nor fails."""
    return LedgerError(f"{path}: the disk hasn't answered for {seconds:.0f} s; check the card")
