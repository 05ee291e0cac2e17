"""`dutylog trip split`, `merge`, `not-driven`, `repairs`, `undo`, `name`, as people type them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.cli.trip_repair import read_clock
from dutylog.errors import InputError
from ledger.builders import open_ledger
from ledger.trip_made import make_trips

BY = ("--by", "Ada")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with open_ledger(tmp_path) as ledger:
        make_trips(ledger)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main(["trip", *arguments, "--data", str(data)]) == 0
    return capsys.readouterr().out


def refuse(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main(["trip", *arguments, "--data", str(data)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return err


def test_a_split_trip_is_listed_and_shown_by_its_parts(capsys: pytest.CaptureFixture[str], data: Path) -> None:
    assert "now trips 1.1, 1.2" in run(capsys, data, "split", "1", "0:02:10", *BY)
    run(capsys, data, "name", "1.2", "Dunes")
    listed = json.loads(run(capsys, data, "list", "--format", "json"))["trips"]
    assert [(one["key"], one["trip"], one["name"]) for one in listed] == [
        ("3", 3, None),
        ("2", 2, None),
        ("1.2", 1, "Dunes"),
        ("1.1", 1, None),
    ]
    parts = [json.loads(run(capsys, data, "show", key, "--format", "json")) for key in ("1", "1.1", "1.2")]
    assert parts[0]["parts"] == ["1.1", "1.2"]
    assert parts[0]["energy_j"] == pytest.approx(parts[1]["energy_j"] + parts[2]["energy_j"], abs=1e-9)
    assert "trip 1.2: Dunes" in run(capsys, data, "show", "1.2")
    assert "It was split into trips 1.1, 1.2." in run(capsys, data, "show", "1")


def test_a_trip_that_was_not_driven_leaves_totals_and_comes_back(
    capsys: pytest.CaptureFixture[str], data: Path
) -> None:
    def energies() -> list[float]:
        assert main(["damper", "list", "--format", "json", "--data", str(data)]) == 0
        return [one["energy_total_j"] for one in json.loads(capsys.readouterr().out)["dampers"]]

    before = energies()
    said = run(capsys, data, "not-driven", "2", "--why", "dyno", *BY, "--note", "curve of the left one")
    entry = int(said.rsplit(" ", 1)[1])
    shares = json.loads(run(capsys, data, "show", "2", "--format", "json"))["dampers"]
    assert energies() == pytest.approx([e - s["energy_j"] for e, s in zip(before, shares, strict=True)], abs=1e-9)
    assert "not driven (dyno)" in run(capsys, data, "list")
    told = json.loads(run(capsys, data, "repairs", "--format", "json"))["repairs"]
    assert [(one["entry"], one["trip"], one["note"]) for one in told] == [(entry, "2", "curve of the left one")]
    run(capsys, data, "undo", str(entry), *BY)
    assert energies() == before
    assert "undone by Ada" in run(capsys, data, "repairs")


def test_merged_trips_are_shown_as_one(capsys: pytest.CaptureFixture[str], data: Path) -> None:
    assert "trips 1 and 2 are one now, trip 1" in run(capsys, data, "merge", "2", "1", *BY)
    shown = json.loads(run(capsys, data, "show", "2", "--format", "json"))
    assert (shown["key"], shown["trips"]) == ("1", [1, 2])
    assert "It was made of trips 1, 2." in run(capsys, data, "show", "1")


def test_refusals_are_one_line_with_a_remedy(capsys: pytest.CaptureFixture[str], data: Path) -> None:
    assert "write it as 1:02:03" in refuse(capsys, data, "split", "1", "later", *BY)
    assert "there are trips 1 to 3" in refuse(capsys, data, "split", "9", "1:00", *BY)
    assert "trip 2 lies between" in refuse(capsys, data, "merge", "1", "3", *BY)
    assert "dutylog trip repairs" in refuse(capsys, data, "undo", "1", *BY)
    assert "write 7, or 7.2" in refuse(capsys, data, "show", "first")
    assert "no trip was ever repaired" in run(capsys, data, "repairs")


@pytest.mark.parametrize(("text", "seconds"), [("1:02:03", 3723.0), ("2:03", 123.0), ("0:00:01", 1.0)])
def test_times_since_a_begin_are_read(text: str, seconds: float) -> None:
    assert read_clock(text) == seconds


@pytest.mark.parametrize("text", ["", "1:60", "-1:00", "1:2:3:4", "1h", "1:02:3x", "99999:00:00"])
def test_other_times_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="write it as"):
        read_clock(text)
