"""The lock on a data folder: one process writes, be it the daemon or a command."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType

from dutylog.clock import Clock
from dutylog.errors import LedgerError
from dutylog.ledger.database import FILE_MODE

LOCK_NAME = "lock"
AGAIN_S = 0.05


class DataLock:
    """Holds DATA/lock from `acquire` to `release`; the kernel lets go when the process dies.

    The file stays: removing it would let two processes lock two files of the same name. A forked
    child shares the lock, so start children by `subprocess` or `spawn`, which don't inherit it.
    """

    def __init__(self, data_dir: Path) -> None:
        self.path = Path(data_dir) / LOCK_NAME
        self._descriptor: int | None = None

    def acquire(self) -> None:
        """Take the lock at once or raise LedgerError naming the holder's process id."""
        if self._descriptor is not None:
            raise LedgerError(f"{self.path} is held by this very process; release it first")
        try:
            descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, FILE_MODE)
        except OSError as err:
            raise LedgerError(f"{self.path} can't be opened ({err.strerror}); check that data folder") from err
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as err:
            holder = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(descriptor)
            raise LedgerError(
                f"data folder {self.path.parent} is in use by process {holder}; wait for it or stop it"
            ) from err
        except OSError as err:
            os.close(descriptor)
            raise LedgerError(f"{self.path} can't be locked ({err.strerror}); use a local disk") from err
        # The number is for people; a full disk that has no room for it mustn't keep anybody from the data.
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, b"%d\n" % os.getpid(), 0)
        self._descriptor = descriptor

    def acquire_within(self, clock: Clock, limit_ns: int) -> None:
        """Take the lock as soon as its holder lets go; LedgerError as of `acquire` after `limit_ns`."""
        deadline_ns = clock.mono_ns() + limit_ns
        while True:
            try:
                self.acquire()
            except LedgerError as err:
                is_held = isinstance(err.__cause__, BlockingIOError)
                if not is_held or clock.mono_ns() > deadline_ns:
                    raise
                clock.sleep(AGAIN_S)
            else:
                return

    def release(self) -> None:
        """Let go; safe to call twice."""
        if self._descriptor is not None:
            descriptor, self._descriptor = self._descriptor, None
            os.close(descriptor)

    def __enter__(self) -> DataLock:
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()
