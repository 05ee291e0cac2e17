"""A password or token from a file of its own; it is nowhere else, so it can't leak from anywhere else."""

from __future__ import annotations

from pathlib import Path

from dutylog.errors import ConfigError
from dutylog.ledger.private_file import read_private

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
