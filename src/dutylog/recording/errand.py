"""One slow piece of work at a time in a thread of its own, so that whoever samples never waits for a disk."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from dutylog.clock import Clock
from dutylog.errors import InputError
from dutylog.units import NS_PER_S

T = TypeVar("T")


class Errand(Generic[T]):
    """A thread that does what it is given, one piece after the other's outcome was taken.

    All pieces run in the same thread, which begins with the first. It doesn't keep the program from
    ending: a disk that never answers must not either.

    name: of the thread, for whoever looks. clock: for how long a piece has taken.
    """

    def __init__(self, name: str, clock: Clock) -> None:
        self._name = name
        self._clock = clock
        self._todo: queue.SimpleQueue[Callable[[], T] | None] = queue.SimpleQueue()
        self._done = threading.Event()
        self._done.set()
        self._result: T | None = None
        self._error: BaseException | None = None
        self._thread: threading.Thread | None = None
        self._since_ns = 0
        self.is_open = False
        """Whether there is something to be seen to: work under way, or an outcome nobody has taken."""

    @property
    def is_busy(self) -> bool:
        """Return whether a piece of work is under way."""
        return not self._done.is_set()

    @property
    def busy_s(self) -> float:
        """Return for how long it has been under way [s], 0 where none is."""
        return (self._clock.mono_ns() - self._since_ns) / NS_PER_S if self.is_busy else 0.0

    def start(self, work: Callable[[], T]) -> None:
        """Begin a piece of work.

        Raises:
            InputError: another one is under way, or its outcome wasn't taken.
        """
        if self.is_open:
            raise InputError(f"{self._name} is still busy, or what came of it wasn't taken")
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()
        self._since_ns = self._clock.mono_ns()
        self._done.clear()
        self.is_open = True
        self._todo.put(work)

    def take(self) -> T | None:
        """Return, once, what the latest piece returned, or raise what it raised; None while there is nothing."""
        if self.is_busy:
            return None
        self.is_open = False
        result, error = self._result, self._error
        self._result = self._error = None
        if error is not None:
            raise error
        return result

    def wait(self, limit_s: float | None = None) -> bool:
        """Wait for the end of the work under way, at most `limit_s`; return whether it has come."""
        return self._done.wait(limit_s)

    def close(self, limit_s: float = 0.0) -> None:
        """Let the thread end after what it is doing; wait for it for `limit_s`."""
        if self._thread is not None:
            self._todo.put(None)
            self._thread.join(limit_s)
            self._thread = None

    def _run(self) -> None:
        while (work := self._todo.get()) is not None:
            try:
                self._result = work()
            except BaseException as err:  # noqa: BLE001 - raised again by `take`, in the thread that asked
                self._error = err
            del work
            self._done.set()
