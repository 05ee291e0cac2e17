"""`dutylog access` as people type it."""

from __future__ import annotations

import io
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.web.access_code import ACCESS_FILE, read_code
from dutylog.web.tls import CERTIFICATE_FILE

CODE = "seven dusty miles"


def run(capsys: pytest.CaptureFixture[str], status: int, *arguments: str) -> tuple[str, str]:
    assert main(["access", *arguments]) == status
    told = capsys.readouterr()
    assert CODE not in told.out + told.err
    return told.out, told.err


def type_in(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def test_a_code_from_standard_input_is_set_shown_and_cleared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """For scripts that set up ten loggers; a terminal asks twice."""
    folder = str(tmp_path)
    assert "none" in run(capsys, 0, "show", "--data", folder)[0]
    type_in(monkeypatch, CODE + "\nsecond line\n")
    assert "access code set" in run(capsys, 0, "set", "--data", folder)[0]
    found = read_code(tmp_path)
    assert found is not None
    assert found.matches(CODE)
    assert re.search(r"^access code   set \d{4}-\d\d-\d\d ", run(capsys, 0, "show", "--data", folder)[0])
    assert run(capsys, 0, "clear", "--data", folder)[0] == "access code cleared\n"
    assert run(capsys, 0, "clear", "--data", folder)[0] == "no access code was set\n"
    assert read_code(tmp_path) is None


@pytest.mark.parametrize("text", ["", "\n", "short\n", "x" * 5000 + "\n", "a\x00bcdefgh\n"])
def test_a_code_that_is_none_is_one_line_and_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    type_in(monkeypatch, text)
    out, err = run(capsys, 2, "set", "--data", str(tmp_path))
    assert out == ""
    assert err.startswith("dutylog: access code: ")
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_code_is_never_taken_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every user of the machine sees it there, and the shell keeps it."""
    run_status = main(["access", "set", CODE, "--data", str(tmp_path)])
    assert run_status == 2
    assert list(tmp_path.iterdir()) == []
    capsys.readouterr()


def test_a_terminal_is_asked_twice_and_shows_nothing(tmp_path: Path) -> None:
    """Somebody looks over the shoulder."""
    child, terminal = pty.fork()
    if child == 0:
        command = [sys.executable, "-m", "dutylog.cli.main", "access", "set", "--data", str(tmp_path)]
        os.execv(sys.executable, command)  # noqa: S606
    said = b""
    try:
        for _ in range(2):
            said += read_until(terminal, b": ")
            os.write(terminal, CODE.encode() + b"\n")
        said += read_until(terminal, b"signed out")
        assert os.waitpid(child, 0)[1] == 0
    finally:
        # were it still running, this would end it
        os.close(terminal)
    assert said.count(b":") == 2
    assert CODE.encode() not in said
    found = read_code(tmp_path)
    assert found is not None
    assert found.matches(CODE)


def read_until(terminal: int, end: bytes) -> bytes:
    got = b""
    while end not in got:
        piece = os.read(terminal, 1024)
        assert piece, got
        got += piece
    return got


def test_the_state_of_the_line_comes_from_the_vehicle_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    demo = (Path(__file__).parents[2] / "shared" / "demo_vehicle.toml").read_text(encoding="utf-8")
    base = re.sub(r"^\[(web|data)\]\n(?:[a-z].*\n)*", "", demo, flags=re.MULTILINE)
    vehicle = tmp_path / "truck.toml"
    (tmp_path / "duty").mkdir()
    vehicle.write_text(base + '\n[data]\ndir = "duty"\n[web]\nlisten = "0.0.0.0"\n', encoding="utf-8")
    assert "0.0.0.0 port 8321, not encrypted" in run(capsys, 0, "show", "--config", str(vehicle))[0]
    vehicle.write_text(base + '\n[data]\ndir = "duty"\n[web]\ntls = true\nnames = ["Truck.local"]\n', encoding="utf-8")
    assert "127.0.0.1 port 8321, encrypted" in run(capsys, 0, "show", "--config", str(vehicle))[0]
    first = run(capsys, 0, "certificate", "--config", str(vehicle))[0]
    assert re.match(r"certificate   SHA-256 ([0-9A-F]{2}:){31}[0-9A-F]{2}\n", first)
    assert "truck.local" in first
    assert run(capsys, 0, "certificate", "--config", str(vehicle))[0] == first
    assert first.splitlines()[0] in run(capsys, 0, "show", "--config", str(vehicle))[0]
    assert run(capsys, 0, "certificate", "--new", "--config", str(vehicle))[0] != first
    assert sorted(p.name for p in (tmp_path / "duty").iterdir()) == [CERTIFICATE_FILE]


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("set", "show", "clear", "certificate"):
        _, err = run(capsys, 2, command, "--data", str(tmp_path / "nowhere"))
        assert err.count("\n") == 1
        assert "nowhere" in err


def test_set_by_root_it_belongs_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    """`sudo dutylog access set`, while the daemon runs as another user."""
    if os.geteuid() != 0:
        pytest.skip("needs root, who may give files away")
    os.chown(tmp_path, 1234, 1235)
    command = [sys.executable, "-m", "dutylog.cli.main", "access", "set", "--data", str(tmp_path)]
    subprocess.run(command, input=CODE, text=True, check=True, timeout=60, capture_output=True)
    status = (tmp_path / ACCESS_FILE).stat()
    assert (status.st_uid, status.st_gid, status.st_mode & 0o777) == (1234, 1235, 0o600)
