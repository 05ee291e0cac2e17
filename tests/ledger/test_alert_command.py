"""`dutylog alert` as people type it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Epoch
from ledger.builders import commit_at, fill, open_ledger
from ledger.test_alerts import ROW, S, row_of

FAULT, OVER, LOST = row_of(1), row_of(2, cleared=(1, 105 * S), level="act_now"), row_of(3, raised=(9, 1))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.put_epoch(Epoch(1, "simulated", "x", "boot-a", 10 * S, 1_700_000_000 * S, True))
        ledger.commit(replace(commit_at(ids, 6), alerts=(FAULT, OVER, LOST)))
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main(["alert", *arguments, "--data", str(data)]) == 0
    return capsys.readouterr().out


def test_list_shows_what_was_the_matter_and_for_how_long(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = run(capsys, data, "list").splitlines()
    assert [line.split()[1] for line in lines[1:]] == ["00000003", "00000002", "00000001"]
    assert "0:01:05" in lines[2]
    assert "act now" in lines[2]
    assert "still open" in lines[3]
    assert ROW.text in lines[3]
    assert "00000002" not in run(capsys, data, "list", "--open")
    assert len(run(capsys, data, "list", "--limit", "1").splitlines()) == 2
    assert "00000001" in run(capsys, data, "list", "--before", "2")
    assert run(capsys, data, "list", "--before", "1") == "no alerts before 1\n"


def test_list_as_json_has_every_field(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(run(capsys, data, "list", "--format", "json"))
    lost, over, fault = told["alerts"]
    assert fault == {
        "number": 1, "id": FAULT.alert_id, "kind": "damper_fault", "position": "front_left", "subject": "gap",
        "level": "advice", "state": "raised", "text": ROW.text, "remedy": ROW.remedy,
        "raised_utc_ns": 1_700_000_030 * S, "raised_utc_trusted": True, "cleared_utc_ns": None,
        "cleared_utc_trusted": None, "acknowledged_by": None, "acknowledged_utc_ns": None,
        "acknowledged_utc_trusted": None,
    }  # fmt: skip
    assert (over["state"], over["cleared_utc_ns"]) == ("cleared", 1_700_000_095 * S)
    assert lost["raised_utc_ns"] is None


def test_acknowledged_without_a_daemon_by_the_begin_of_an_id(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, data, "acknowledge", "00000001", "--by", "Ana") == f"{ROW.text}: seen by Ana\n"
    with Ledger.open(data / LEDGER_NAME, read_only=True) as ledger:
        assert [one.row.acknowledged and one.row.acknowledged.by for one in ledger.alerts()] == [None, None, "Ana"]
        assert len(ledger.entries_of("alert_acknowledged")) == 1
    assert "Ana" in run(capsys, data, "list").splitlines()[3]


@pytest.mark.parametrize("arguments", [("ffff", "--by", "Ana"), ("0000", "--by", "Ana"), ("00000001", "--by", " ")])
def test_refused_in_one_line(data: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]) -> None:
    assert main(["alert", "acknowledge", *arguments, "--data", str(data)]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)


def test_an_empty_ledger_has_no_alerts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_ledger(tmp_path).close()
    assert run(capsys, tmp_path, "list") == "no alerts yet\n"
    assert run(capsys, tmp_path, "list", "--open") == "no alerts are open\n"
