"""Ports that are there, aren't, aren't ours, aren't ports, and go away."""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from acquire.bridge.ptys import LIMIT_S, Port, end_of
from dutylog.acquire import serial_line
from dutylog.acquire.serial_line import SerialLine
from dutylog.errors import SourceLost, WrongDevice


@pytest.fixture
def port(tmp_path: Path) -> Iterator[Port]:
    port = Port(tmp_path)
    yield port
    port.unplug()


@pytest.fixture
def line(port: Port) -> Iterator[SerialLine]:
    line = open_line(port.path)
    yield line
    line.close()


def open_line(path: str) -> SerialLine:
    return SerialLine.open(path, what="the bridge", key="[bridge] device")


def read_to_the_end(line: SerialLine) -> None:
    while line.read(LIMIT_S):
        pass


def fail(path: str, kind: type[Exception] = SourceLost) -> str:
    with pytest.raises(kind) as caught:
        open_line(path)
    assert type(caught.value) is kind
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_bytes_go_both_ways_unchanged(port: Port, line: SerialLine) -> None:
    """All values: a line that isn't raw would turn some into others or act on them."""
    every = bytes(range(256))
    os.write(port.master, every)
    got = b""
    while len(got) < 256:
        piece = line.read(LIMIT_S)
        assert piece
        got += piece
    assert got == every
    line.write(every)
    assert os.read(port.master, 4096) == every


def test_reading_returns_empty_when_nothing_comes(line: SerialLine) -> None:
    assert line.read(0.0) == b""
    assert line.read(0.02) == b""
    assert line.read(-1.0) == b""


def test_what_came_before_the_opening_is_thrown_away(port: Port) -> None:
    """Rows of an hour ago would be taken for new ones."""
    first = open_line(port.path)
    os.write(port.master, b"old")
    first.close()
    line = open_line(port.path)
    os.write(port.master, b"new")
    assert line.read(LIMIT_S) == b"new"
    line.close()


def test_a_port_that_is_not_there_is_told_with_its_remedy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_line, "BY_ID", str(tmp_path / "by-id"))
    path = str(tmp_path / "by-id" / "usb-bridge")
    text = fail(path)
    assert text == (
        f"{path} isn't there; plug the bridge in, or set [bridge] device; `ls {tmp_path}/by-id` shows what is"
    )
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-other").touch()
    assert fail(path).endswith(f"set [bridge] device; there: {tmp_path}/by-id/usb-other")


def test_a_link_that_leads_nowhere_and_a_path_below_a_file_are_not_there(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to("/dev/pts/nowhere")
    (tmp_path / "file").touch()
    assert "isn't there; plug the bridge in" in fail(str(tmp_path / "link"))
    assert "isn't there; plug the bridge in" in fail(str(tmp_path / "file" / "below"))


def test_folders_files_and_other_devices_are_the_wrong_device(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    os.mkfifo(tmp_path / "fifo")
    assert fail(str(tmp_path), WrongDevice).startswith(
        f"{tmp_path} is a folder, expected a serial device; set [bridge] device; "
    )
    assert f"{tmp_path}/file is a plain file, expected a serial device" in fail(str(tmp_path / "file"), WrongDevice)
    assert f"{tmp_path}/fifo is no serial device" in fail(str(tmp_path / "fifo"), WrongDevice)
    assert "/dev/null is no serial line, expected the bridge" in fail("/dev/null", WrongDevice)
    assert (tmp_path / "file").read_text() == "x"


def test_a_path_that_can_not_be_one_is_told(tmp_path: Path) -> None:
    assert "can't be looked at" in fail("bridge\0port")
    assert "can't be looked at" in fail(str(tmp_path / ("x" * 300)))


@pytest.mark.parametrize("number", [13, 1])
def test_a_port_of_others_is_told_with_its_remedy(port: Port, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Tests may run as root, whom nothing is forbidden: pyserial's own error is put in its place."""

    def refuse(*args: object, **kwargs: object) -> None:
        raise serial.SerialException(number, "could not open port")

    monkeypatch.setattr(serial_line.serial, "Serial", refuse)
    text = fail(port.path)
    assert text.startswith(f"{port.path}: this user may not open the bridge; `sudo usermod -aG dialout $USER`")


def test_a_port_in_use_is_told(port: Port, line: SerialLine) -> None:
    """Two readers would each get half of the bytes."""
    assert fail(port.path) == f"{port.path} is in use by another program; `fuser -v {port.path}` shows which, stop it"
    line.close()
    open_line(port.path).close()


def test_unplugging_ends_a_read_at_once(port: Port, line: SerialLine) -> None:
    """Not after its time limit, three times what `end_of` waits."""
    threading.Timer(0.05, port.unplug).start()
    err = end_of(lambda: line.read(60.0))
    assert isinstance(err, SourceLost)
    assert re.match(f"{re.escape(port.path)}: the bridge is gone .*; was it unplugged?", str(err))


def test_bytes_that_came_before_unplugging_may_be_read_and_then_it_is_gone(port: Port, line: SerialLine) -> None:
    os.write(port.master, b"last words")
    port.unplug()
    err = end_of(lambda: read_to_the_end(line))
    assert "is gone" in str(err)
    with pytest.raises(SourceLost, match="is gone"):
        line.write(b"x")
    line.close()
    line.close()


def test_a_device_that_takes_nothing_is_told(line: SerialLine) -> None:
    """Nobody reads the far end: the kernel's buffer fills."""
    err = end_of(lambda: [line.write(b"x" * 1000) for _ in range(1000)])
    assert isinstance(err, SourceLost)
    assert str(err).endswith("has taken no bytes for 0.5 s, so it hangs; unplug it and plug it in again")


def test_a_port_plugged_in_again_opens_under_its_stable_name(port: Port) -> None:
    first = open_line(port.path)
    device = os.path.realpath(port.path)
    port.unplug()
    blockers = os.openpty()  # `first` still holds the old one, so neither this nor the next has its number
    with pytest.raises(SourceLost):
        first.read(LIMIT_S)
    assert port.plug_in() != device
    line = open_line(port.path)
    os.write(port.master, b"hello")
    assert line.read(LIMIT_S) == b"hello"
    line.close()
    first.close()
    for fd in blockers:
        os.close(fd)
