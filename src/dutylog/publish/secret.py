"""A password or token from a file of its own; it is nowhere else, so it can't leak from anywhere else."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from dutylog.errors import ConfigError

LARGEST_BYTES = 4096


def read_secret(path: Path, key: str) -> str:
    """Return the one line of a file.

    Args:
        key: what names the file in the vehicle file, such as `mqtt.password_file`, for messages.
    Raises:
        ConfigError: missing, not ours, open to others, empty or more than a line; never quotes the content.
    """
    where = f"{key} {path}"
    data = read_private(path, key, LARGEST_BYTES + 1)
    lines = data.decode("utf-8", "replace").splitlines()
    if len(data) > LARGEST_BYTES or len(lines) != 1 or not lines[0].strip() or not lines[0].isprintable():
        raise ConfigError([f"{where}: holds no single line of text; write the secret alone in it"])
    return lines[0].strip()


def read_private(path: Path, key: str, most_bytes: int) -> bytes:
    """Return at most so many bytes of a file that nobody else can get at; ConfigError when it isn't one."""
    where = f"{key} {path}"
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as err:
        raise ConfigError([f"{where}: {err.strerror}; make it, one line, then chmod 600 {path}"]) from err
    try:
        return _read_checked(descriptor, where, path, most_bytes)
    finally:
        os.close(descriptor)


def _read_checked(descriptor: int, where: str, path: Path, most_bytes: int) -> bytes:
    """Return the first bytes of an open file, when it is one that nobody else can get at."""
    # Asked of the open file, not of the name, so that it can't be exchanged in between.
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode):
        raise ConfigError([f"{where}: is no plain file; put the secret in one"])
    if status.st_uid not in (os.geteuid(), 0):
        raise ConfigError([f"{where}: belongs to another user; chown it to the one dutylog runs as"])
    mode = stat.S_IMODE(status.st_mode)
    if mode & 0o077:
        raise ConfigError([f"{where}: mode {mode:04o}, others can get at it; chmod 600 {path}"])
    return os.read(descriptor, most_bytes)
