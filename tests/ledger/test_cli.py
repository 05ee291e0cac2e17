"""The commands as people type them, without and with a daemon's data."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.cli.trip import compare_axles
from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.ledger.rows import Commit, Epoch
from ledger.builders import POSITIONS, fill, make_vehicle, open_ledger

MOVED = Totals(
    energy_compression_uj=1_200_000_000_000,
    energy_rebound_uj=2_400_000_000_000,
    strokes_count=1234,
    compression_strokes_count=617,
    shaft_travel_um=1_609_344_000,
    stroke_travel_um=1_000_000_000,
    bottom_outs_count=3,
    measured_us=7_200_000_000,
    unmeasured_us=800_000_000,
    moving_us=7_202_000_000,
    moving_measured_us=7_200_000_000,
    peak_compression_umps=2_540_000,
    peak_rebound_umps=1_000_000,
    peak_body_mc=100_000,
)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with four dampers, SN-1 with two hours behind it, and one trip."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        shares = tuple(
            TripDamper(u, p, Totals(energy_rebound_uj=(n + 1) * 10**12, moving_us=10, moving_measured_us=10))
            for n, (u, p) in enumerate(zip(ids, POSITIONS, strict=True))
        )
        trip = TripRow(1, 3, 0, 3_600 * 10**9, False, 3_000_000_000, 16_093.44, shares)
        ledger.commit(Commit(sequence=9, engine="7", hot={ids[0]: MOVED}, trips=(trip,)))
        ledger.put_epoch(Epoch(1, "simulated", "demo", "boot-a", 0, 1_700_000_000 * 10**9, True))
        ledger.add_unit(None, "desert")
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main([*arguments, "--data", str(data)]) == 0
    return capsys.readouterr().out


def refuse(capsys: pytest.CaptureFixture[str], data: Path, *arguments: str) -> str:
    assert main([*arguments, "--data", str(data)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return err


def test_list_shows_each_damper_in_the_units_asked_for(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    metric = [line.split() for line in run(capsys, data, "damper", "list").splitlines()]
    assert metric[1] == ["SN-1", "front_left", "3.600", "1234", "1.609", "2.00", "99.9", "100.0"]
    assert metric[5] == ["D5", "on", "the", "shelf", "0.000", "0", "0.000", "0.00", "-", "-"]
    us = [line.split() for line in run(capsys, data, "damper", "list", "--units", "us").splitlines()]
    assert us[1] == ["SN-1", "front_left", "1.0000", "1234", "1.000", "2.00", "99.9", "212.0"]


def test_list_as_json_is_si_whatever_the_units(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reply = json.loads(run(capsys, data, "damper", "list", "--format", "json", "--units", "us"))
    assert (reply["schema"], reply["engine"], len(reply["dampers"])) == (1, "7", 5)
    first = reply["dampers"][0]
    assert first["energy_total_j"] == 3_600_000.0
    assert first["shaft_travel_total_m"] == 1609.344
    assert first["peak_body_c"] == 100.0
    assert first["measured_ratio"] == 0.9
    assert reply["dampers"][4]["position"] is reply["dampers"][4]["peak_body_c"] is None


def test_show_tells_the_whole_life(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, data, "damper", "remove", "SN-1")
    text = run(capsys, data, "damper", "show", "SN-1", "--units", "us")
    for words in ("position  on the shelf", "peak compression in/s", " 100\n", "lower bounds", "front_left    truck"):
        assert words in text
    reply = json.loads(run(capsys, data, "damper", "show", "SN-1", "--format", "json"))
    assert reply["totals"]["strokes_total_count"] == 1234
    stay = reply["installs"][0]
    assert (stay["position"], stay["from_sequence"], stay["to_sequence"]) == ("front_left", 0, 9)


def test_damper_goes_from_shelf_to_vehicle(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, data, "damper", "add", "SN-9", "--profile", "desert", "--note", "spare") == "added damper SN-9\n"
    run(capsys, data, "damper", "remove", "SN-2")
    run(capsys, data, "damper", "install", "SN-9", "front_right")
    assert "SN-9    front_right" in run(capsys, data, "damper", "list")
    assert "note      spare" in run(capsys, data, "damper", "show", "SN-9")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("damper", "show", "SN1"), "no damper SN1"),
        (("damper", "install", "D5", "front_lefd"), "the nearest known is front_left"),
        (("damper", "install", "D5", "front_left"), "holds damper SN-1"),
        (("damper", "add", "SN-1", "--profile", "desert"), "is in the ledger already"),
        (("damper", "add", "SN-9", "--profile", "dessert"), "the nearest known is desert"),
        (("damper", "add", "SN-9"), "--profile"),
        (("damper", "remove", "D5"), "on the shelf already"),
        (("trip", "show", "4"), "there are trips 1 to 1"),
        (("trip", "show", "x"), "x"),
    ],
)
def test_mistake_is_one_line_and_changes_nothing(
    data: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], words: str
) -> None:
    before = run(capsys, data, "damper", "list")
    assert words in refuse(capsys, data, *arguments)
    assert run(capsys, data, "damper", "list") == before


def test_trips_are_listed_and_shown(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row = run(capsys, data, "trip", "list", "--units", "us").splitlines()[1].split()
    assert row == ["1", "-", "2023-11-14", "22:13:20Z", "1:00:00", "0:50:00", "10.000", "2.7778", "100.0", "ended"]
    text = run(capsys, data, "trip", "show", "1")
    assert text.splitlines()[-2].split() == ["front", "1.000", "2.000", "0.500"]
    assert text.splitlines()[-1].split() == ["rear", "3.000", "4.000", "0.750"]
    reply = json.loads(run(capsys, data, "trip", "show", "1", "--format", "json"))
    assert [d["energy_j"] for d in reply["dampers"]] == [1e6, 2e6, 3e6, 4e6]
    assert [a["left_to_right_ratio"] for a in reply["axles"]] == [0.5, 0.75]
    assert json.loads(run(capsys, data, "trip", "list", "--format", "json"))["trips"][0]["energy_j"] == 1e7
    assert json.loads(run(capsys, data, "trip", "list", "--before", "1", "--format", "json"))["trips"] == []


def test_axle_compares_wheels_not_dampers() -> None:
    """With a bypass damper beside the main one a side's energy is that of both."""

    def share(position: str, energy_uj: int) -> TripDamper:
        return TripDamper("u", position, Totals(energy_compression_uj=energy_uj))

    dampers = (share("fl", 5), share("fl_bypass", 3), share("fr", 4), share("rear_left", 9), share("middle", 1))
    pairs = compare_axles(dampers, {"fl": "front_left", "fl_bypass": "front_left", "fr": "front_right"})
    assert [(p.axle, p.left_uj, p.right_uj, p.left_to_right) for p in pairs] == [("front", 8, 4, 2.0)]
    assert compare_axles((share("a_left", 1), share("a_right", 0)), {})[0].left_to_right is None


def test_verify_tells_sound_from_tampered(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "is sound: 9 entries chained" in run(capsys, data, "ledger", "verify")
    with open_ledger(data) as ledger:
        ledger._database.raw().execute("UPDATE entry SET kind = 'other' WHERE row = 4")
    assert "entry 4 is not as it was written" in refuse(capsys, data, "ledger", "verify")


def test_backup_is_written_once(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = data / "copy.sqlite"
    assert "and checked" in run(capsys, data, "ledger", "backup", str(target))
    assert "exists already" in refuse(capsys, data, "ledger", "backup", str(target))


def test_folder_is_found_by_option_file_or_environment(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DUTYLOG_DATA", raising=False)
    assert main(["damper", "list"]) == 2
    assert "no data folder named" in capsys.readouterr().err
    monkeypatch.setenv("DUTYLOG_DATA", str(data))
    assert main(["damper", "list"]) == 0
    assert "SN-1" in capsys.readouterr().out
    assert "there is no folder" in refuse(capsys, data / "nowhere", "damper", "list")


def test_empty_ledger_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "there is no ledger" in refuse(capsys, tmp_path, "damper", "list")
    with open_ledger(tmp_path) as ledger:
        ledger.put_vehicle(make_vehicle())
    assert "add one with" in run(capsys, tmp_path, "damper", "list")
    assert run(capsys, tmp_path, "trip", "list") == "no trips yet\n"
    assert json.loads(run(capsys, tmp_path, "damper", "list", "--format", "json"))["engine"] is None
