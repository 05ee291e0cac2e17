"""Files of passwords and tokens: closed to others or refused, and never quoted."""

from __future__ import annotations

import os

import pytest

from dutylog.errors import ConfigError
from dutylog.publish.secret import read_secret

SECRET = "correct horse battery"  # noqa: S105


def put(tmp_path, data, mode=0o600):
    path = tmp_path / "secret"
    path.write_bytes(data)
    path.chmod(mode)
    return path


def refused(path):
    with pytest.raises(ConfigError) as caught:
        read_secret(path, "mqtt.password_file")
    (line,) = caught.value.problems
    assert line.startswith(f"mqtt.password_file {path}: ")
    assert SECRET not in line
    return line


@pytest.mark.parametrize("data", [b"correct horse battery", b"correct horse battery\n", b"correct horse battery\r\n"])
@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_the_one_line_is_read(tmp_path, data, mode):
    """Editors add a line feed, people don't think of it."""
    assert read_secret(put(tmp_path, data, mode), "mqtt.password_file") == SECRET


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620, 0o610])
def test_a_file_open_to_others_is_refused_with_the_remedy(tmp_path, mode):
    """A secret that others could have read is none."""
    line = refused(put(tmp_path, SECRET.encode(), mode))
    assert f"mode {mode:04o}" in line
    assert "chmod 600" in line


@pytest.mark.parametrize("data", [b"", b"\n", b"  \n", SECRET.encode() + b"\nmore\n", b"\xff\0" * 5, b"x" * 5000])
def test_what_is_no_single_line_is_refused_unquoted(tmp_path, data):
    """A wrong file named by mistake must not be sent to a broker."""
    assert "single line" in refused(put(tmp_path, data))


def test_no_file_folder_pipe(tmp_path):
    """Nothing here blocks or ends in a traceback."""
    assert "No such file" in refused(tmp_path / "none")
    assert "no plain file" in refused(tmp_path)
    os.mkfifo(tmp_path / "pipe", 0o600)
    assert "no plain file" in refused(tmp_path / "pipe")
