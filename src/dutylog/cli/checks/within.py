"""Work with a limit of time: what hangs is left behind in a thread that doesn't keep the program from ending."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Generic, TypeVar

Result = TypeVar("Result")


class Job(Generic[Result]):
    """Work that has begun, in a thread of its own: an executor's would be waited for at the end of the program."""

    def __init__(self, work: Callable[[], Result]) -> None:
        self._work = work
        self._future: Future[Result] = Future()
        threading.Thread(target=self._run, name="within", daemon=True).start()

    def result(self, limit_s: float) -> Result:
        """Return what the work returns, or raise what it raises; TimeoutError when neither comes within limit_s [s]."""
        return self._future.result(max(0.0, limit_s))

    def _run(self) -> None:
        try:
            self._future.set_result(self._work())
        except BaseException as err:  # noqa: BLE001 - handed to whoever waits
            self._future.set_exception(err)


def within(limit_s: float, work: Callable[[], Result]) -> Result:
    """Return what `work` returns, or raise what it raises; TimeoutError when it takes longer than limit_s [s]."""
    return Job(work).result(limit_s)
