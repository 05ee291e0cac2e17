"""`dutylog recording`: what people see, and the exit status scripts rely on."""

from __future__ import annotations

from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.clock import ManualClock
from dutylog.recording.log import LogWriter
from recording.log_cases import STREAMS, Script, make_vehicle, only_segment


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    writer = LogWriter(tmp_path / "log", make_vehicle(), "boot", ManualClock(0, 1_700_000_000_000_000_000))
    writer.start_epoch(STREAMS, "script", "made up", 1)
    writer.append(Script(STREAMS, 2.5).batch(1, 0, 2_500_000_000))
    writer.close()
    return tmp_path / "log"


def test_list_shows_each_segment(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recording", "list", str(folder)]) == 0
    head, row = capsys.readouterr().out.splitlines()
    assert head.split()[:4] == ["segment", "epoch", "frames", "rows"]
    assert row.split()[:4] == ["00000001.dlg", "1", "1-12", "2528"]
    assert "2023-11-14 22:13:20 ?" in row
    assert "0 min 02.5 s" in row
    assert "script made up" in row


def test_check_of_a_whole_log_ends_with_0(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recording", "check", str(folder)]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "1 segment, frames 1 to 12, 12 good with 2528 rows, 0 rows noted as missing"
    assert out[-1] == f"{folder}: good"


def test_check_of_a_torn_log_says_so_and_ends_with_0(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = only_segment(folder)
    path.write_bytes(path.read_bytes()[:-5])
    assert main(["recording", "check", str(folder)]) == 0
    out = capsys.readouterr().out.splitlines()
    assert "bytes torn" in out[1]
    assert out[-1] == f"{folder}: good, but torn in 1 place by a power cut or kill"


def test_check_of_a_damaged_log_says_where_and_ends_with_2(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = only_segment(folder)
    octets = bytearray(path.read_bytes())
    octets[len(octets) // 2] ^= 4
    path.write_bytes(bytes(octets))
    assert main(["recording", "check", str(folder)]) == 2
    out = capsys.readouterr().out
    assert "00000001.dlg: offset " in out
    assert "bytes damaged" in out
    assert out.splitlines()[-1].startswith(f"{folder}: damaged in 2 places")


def test_foreign_file_is_one_line_and_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.dlg").write_bytes(b"PAR1 something else")
    for words in (["list"], ["check"], ["export", "-o", str(tmp_path / "out.csv")]):
        assert main(["recording", *words, str(tmp_path / "x.dlg")]) == 2
        captured = capsys.readouterr()
        assert captured.out == ""
        assert len(captured.err.splitlines()) == 1
        assert "x.dlg: offset 0: no frame of a dutylog raw log" in captured.err
    assert not (tmp_path / "out.csv").exists()


def test_export_picks_its_format_by_name_and_never_overwrites(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.csv"
    assert main(["recording", "export", str(folder), "-o", str(out)]) == 0
    assert capsys.readouterr().err == ""
    assert out.read_text().startswith("t_s,front_left_travel_mm,front_left_body_c,ambient_c,speed_mps\n")
    assert main(["recording", "export", str(folder), "-o", str(out)]) == 2
    assert "isn't overwritten" in capsys.readouterr().err
    assert main(["recording", "export", str(folder), "-o", str(tmp_path / "out.bin")]) == 0
    assert (tmp_path / "out.bin").read_bytes()[:4] == b"PAR1"
