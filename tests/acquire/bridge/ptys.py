"""Ptys in place of the bridge's port: a link as below /dev/serial/by-id, and threads that speak at the far end."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

LIMIT_S = 20.0
"""Ten times what anything here takes."""


class Port:
    """A link to a pty that can be pulled out and put in again, each time as another device."""

    def __init__(self, folder: Path) -> None:
        self.link = folder / "usb-bridge"
        self.master = self._slave = -1
        self.plug_in()

    @property
    def path(self) -> str:
        return str(self.link)

    def plug_in(self) -> str:
        """Make a pty and the link; return the device it leads to."""
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        device = os.ttyname(self._slave)
        self.link.symlink_to(device)
        return device

    def unplug(self) -> None:
        """Close both ends of ours and take the link away, as udev does."""
        self.link.unlink(missing_ok=True)
        # Taken before they are closed: a timer and the end of a test may both pull it out.
        ends, self.master, self._slave = (self.master, self._slave), -1, -1
        for fd in ends:
            if fd >= 0:
                os.close(fd)


def end_of(call: Callable[[], object]) -> BaseException | None:
    """Return what a call that must end by itself raised, None for nothing; AssertionError when it doesn't end."""
    raised: list[BaseException] = []

    def run() -> None:
        try:
            call()
        except Exception as err:  # noqa: BLE001  handed to the test, which judges it
            raised.append(err)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(LIMIT_S)
    assert not thread.is_alive(), f"didn't end within {LIMIT_S:g} s"
    return raised[0] if raised else None


@contextlib.contextmanager
def speaking(port: Port, step: Callable[[int], None]) -> Iterator[None]:
    """Call `step(master)` again and again in a thread until the block ends."""
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            with contextlib.suppress(BlockingIOError):
                step(port.master)

    os.set_blocking(port.master, False)
    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def echo(master: int) -> None:
    """Send back what comes."""
    if select.select([master], [], [], 0.02)[0]:
        os.write(master, os.read(master, 4096))


def say_noise(master: int) -> None:
    """Send random bytes as fast as somebody takes them, some without a zero among them."""
    select.select([], [master], [], 0.02)
    os.write(master, os.urandom(512))
    time.sleep(0.001)


def say_text(master: int) -> None:
    """Send what a device of another kind sends: lines of text."""
    select.select([], [master], [], 0.02)
    os.write(master, b"temperature 21.4\r\n")
    time.sleep(0.01)
