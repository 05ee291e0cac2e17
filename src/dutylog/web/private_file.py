"""Files of the data folder that nobody else may read: written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from dutylog.errors import ConfigError


def write_private(path: Path, data: bytes) -> None:
    """Put `data` under a name at once, mode 0600, for the owner of its folder; forced to the disk.

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
        os.replace(name, path)
        force_folder(folder)
    except OSError as err:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise ConfigError([f"{path}: can't be written ({err.strerror}); make room and check its rights"]) from err


def force_folder(folder: Path) -> None:
    """Force a folder's names to the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
