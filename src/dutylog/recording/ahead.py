"""A raw log decoded by a process of its own, so that decoding and counting go on side by side.

With a second processor what decoding takes costs no time. A thread doesn't help: decoding is many small steps
that all hold the interpreter.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from dutylog.errors import RecordingError
from dutylog.recording.frame import Frame
from dutylog.recording.reader import LogReader

WORTH_BYTES = 4 * 1024 * 1024
"""Shorter logs are read before a second process would have started."""
_PIPE_BYTES = 1024 * 1024
"""Two minutes of samples. The usual 64 KiB hold less than is counted in one go: each would wait for the other."""


def read_frames(path: Path) -> Iterator[Frame]:
    """Yield the frames of a log as `LogReader.frames`, decoded ahead where that is worth a process.

    Raises:
        RecordingError: as `LogReader`, or the other process ended before the log did.
    """
    reader = LogReader(path)
    if len(os.sched_getaffinity(0)) < 2 or sum(file.stat().st_size for file in reader.files) < WORTH_BYTES:
        yield from reader.frames()
        return
    command = [sys.executable, "-m", "dutylog.recording.ahead", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL) as process:
        try:
            if process.stdout is not None:
                with contextlib.suppress(OSError):  # not the kernel's default, but nothing depends on it
                    fcntl.fcntl(process.stdout, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
                yield from _receive(process.stdout, path)
        finally:
            process.kill()


def _receive(pipe: IO[bytes], path: Path) -> Iterator[Frame]:
    while True:
        try:
            # Written by our own child; nobody else has the pipe.
            batch = pickle.load(pipe)  # noqa: S301
        except (EOFError, pickle.UnpicklingError) as err:
            raise RecordingError(f"{path}: the process that decodes it ended early; try again") from err
        if batch is None:
            return
        if isinstance(batch, str):
            raise RecordingError(batch)
        yield from batch.frames()


def _send(path: Path, pipe: IO[bytes]) -> None:
    """Write batches of frames to the pipe, at the end None, or the text of what is wrong with the log."""
    last: str | None = None
    try:
        for batch in LogReader(path).batches():
            pickle.dump(batch, pipe, protocol=pickle.HIGHEST_PROTOCOL)
    except RecordingError as err:
        last = str(err)
    pickle.dump(last, pipe)
    pipe.flush()


if __name__ == "__main__":
    try:
        _send(Path(sys.argv[1]), sys.stdout.buffer)
    except BrokenPipeError:
        # Whoever counts has gone; there is nobody left to tell.
        os._exit(1)
