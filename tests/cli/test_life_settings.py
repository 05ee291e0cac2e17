"""`dutylog life settings` as people type it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from dutylog.cli.main import main
from life.lived import START, Lived
from life.test_by_setting import DESERT, STREET, vehicle_with

Run = Callable[..., str]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with three drives, one before any setting was told."""
    lived = Lived(tmp_path)
    lived.ledger.put_vehicle(vehicle_with(STREET, DESERT))
    for day in (START, STREET.from_day, DESERT.from_day + timedelta(3)):
        lived.drive(day, 30)
    lived.close()
    return tmp_path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], data: Path) -> Run:
    def do(*words: str) -> str:
        assert main(["life", "settings", *words, "--data", str(data)]) == 0
        return capsys.readouterr().out

    return do


def test_one_damper_oldest_first(run: Run) -> None:
    """What an owner compares: the same damper at two settings, each with its days."""
    lines = run("SN-1").splitlines()
    assert [re.split(r"  +", line)[:5] for line in lines[1:4]] == [
        ["SN-1", "2026-01-05", "2026-01-05", "front_left", "not told"],
        ["SN-1", "2026-01-20", "2026-01-20", "front_left", "street (compression 4, rebound 6)"],
        ["SN-1", "2026-03-04", "2026-03-04", "front_left", "desert (compression 8, rebound 10)"],
    ]
    assert re.split(r"  +", lines[2])[5:] == ["0.50", "27.000", "0.360", "200", "2.160"]


def test_all_dampers_in_the_units_asked_for(run: Run) -> None:
    """Half an hour at 15 m/s is 16.8 miles; 200 W for as long are 0.1 kWh."""
    text = run("--units", "us")
    assert text.count("SN-1 ") == 3
    assert text.count("SN-2 ") == 1, "no setting was told there: one stretch"
    row = next(line for line in text.splitlines() if line.startswith("SN-1") and "street" in line)
    assert re.split(r"  +", row)[5:] == ["0.50", "16.777", "0.1000", "200", "1.342"]


def test_json_is_si_and_whole(run: Run) -> None:
    """Programs get every figure, unknown as null."""
    found = json.loads(run("SN-1", "--format", "json", "--units", "us"))
    assert found["schema"] == 1
    (damper,) = found["dampers"]
    assert damper["serial"] == "SN-1"
    assert damper["stretches"][0]["setting"] is None
    assert damper["stretches"][1] == {
        "from_day": "2026-01-20",
        "until_day": "2026-01-20",
        "position": "front_left",
        "setting": {"from_day": "2026-01-20", "name": "street", "compression_clicks": 4, "rebound_clicks": 6},
        "minutes_count": 30,
        "moving_s": 1800.0,
        "distance_m": 27000.0,
        "distance_known_ratio": 1.0,
        "energy_j": 360000.0,
        "heat_w": 200.0,
        "shaft_travel_m": 2160.0,
    }


def test_minutes_without_a_date_say_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They are duty all the same, only not of any setting."""
    folder = tmp_path / "undated"
    folder.mkdir()
    lived = Lived(folder)
    lived.drive(START.replace(year=1970), 10)
    lived.close()
    assert main(["life", "settings", "SN-1", "--data", str(folder)]) == 0
    line = capsys.readouterr().out.splitlines()[1]
    assert re.split(r"  +", line)[:5] == ["SN-1", "date unknown", "-", "front_left", "-"]


def test_before_the_first_drive(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A new owner gets a sentence instead of an empty table."""
    Lived(tmp_path).close()
    assert main(["life", "settings", "--data", str(tmp_path)]) == 0
    assert "no minute of a damper is kept yet" in capsys.readouterr().out
    assert main(["life", "settings", "SN-9", "--data", str(tmp_path)]) == 2
    assert "SN-9" in capsys.readouterr().err
