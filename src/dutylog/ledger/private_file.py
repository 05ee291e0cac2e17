"""Files that nobody else may read: written whole or not at all, read only while nobody else can get at them."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from pathlib import Path

from dutylog.errors import ConfigError


def write_private(path: Path, data: bytes, only_if_new: bool = False) -> bool:
    """Put `data` under a name at once, mode 0600, for the owner of its folder; forced to the disk.

    Args:
        only_if_new: leave alone what stands there already, also when it came there this very moment.
    Returns:
        Whether it was written.
    Raises:
        ConfigError: it can't be written; what stood there before still does.
    """
    folder = path.parent
    try:
        owner = folder.stat()
        descriptor, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=folder)
    except OSError as err:
        raise ConfigError([f"{path}: can't be written ({err.strerror}); check that folder and its rights"]) from err
    try:
        with os.fdopen(descriptor, "wb") as file:
            if os.geteuid() == 0:
                # Set with sudo it must still be the daemon's own.
                os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if only_if_new:
            os.link(name, path)
            os.unlink(name)
        else:
            os.replace(name, path)
        force_folder(folder)
    except FileExistsError:
        os.unlink(name)
        return False
    except OSError as err:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise ConfigError([f"{path}: can't be written ({err.strerror}); make room and check its rights"]) from err
    return True


def force_folder(folder: Path) -> None:
    """Force a folder's names to the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


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
