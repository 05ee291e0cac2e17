"""`dutylog gas` as people type it: with units, cautions first, errors in one line."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import pytest

from dutylog.cli.gas_text import CAUTION_LINES, parse_pressure_pa, parse_temperature_c
from dutylog.cli.main import main
from dutylog.ledger import gas_readings
from dutylog.ledger.command import apply_command
from dutylog.ledger.life_entries import GAS_READING
from dutylog.units import PA_PER_PSI
from ledger.builders import fill, make_profile, make_vehicle, open_ledger

COLD = ("--body-temp", "68F", "--air-temp", "20C", "--travel-mm", "0", "--altitude-m", "0")
CHARGED = replace(make_profile(), charge_pa=200 * PA_PER_PSI, gas_volume_m3=300e-6)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with four dampers of 200 psi and 300 ml."""
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
        ledger.put_vehicle(replace(make_vehicle(), profiles=(CHARGED,)))
    return tmp_path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], data: Path) -> Callable[..., str]:
    def do(*arguments: str) -> str:
        assert main(["gas", *arguments, "--data", str(data)]) == 0
        return capsys.readouterr().out

    return do


@pytest.fixture
def refuse(capsys: pytest.CaptureFixture[str], data: Path) -> Callable[..., str]:
    def do(*arguments: str) -> str:
        assert main(["gas", *arguments, "--data", str(data)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        return err

    return do


def entries(data: Path) -> int:
    with open_ledger(data) as ledger:
        return len(ledger.entries_of(GAS_READING))


@pytest.mark.parametrize(
    ("text", "unit", "pascal"),
    [
        ("200psi", None, 200 * PA_PER_PSI), ("200 psi", None, 200 * PA_PER_PSI), ("200", "psi", 200 * PA_PER_PSI),
        ("13.8bar", None, 1.38e6), ("13.8BAR", "bar", 1.38e6), ("1380kPa", None, 1.38e6), ("0psi", None, 0.0),
    ],
)  # fmt: skip
def test_pressures_as_people_type_them(text: str, unit: str | None, pascal: float) -> None:
    """With the unit on the gauge, whatever the vehicle file says."""
    assert parse_pressure_pa(text, unit) == pytest.approx(pascal, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("200", None), ("200psi", "bar"), ("", "psi"), ("psi", None), ("nan", "psi"), ("1e9psi", None), ("2OOpsi", None),
     ("200 Psig", None), ("200psi; rm", None), ("٢٠٠psi", None), ("9" * 40 + "psi", None)],
)  # fmt: skip
def test_a_pressure_without_its_unit_is_never_guessed(text: str, unit: str | None) -> None:
    """200 bar isn't 200 psi, and a fourteenth of the charge isn't the charge."""
    with pytest.raises(click.BadParameter):
        parse_pressure_pa(text, unit)


def test_temperatures_as_people_type_them() -> None:
    """Bare numbers are degrees Celsius, as in the vehicle file."""
    assert [parse_temperature_c(one) for one in ("24C", "24", "24 °C", "-5c", 20.0)] == [24, 24, 24, -5, 20]
    assert parse_temperature_c("75.2F") == pytest.approx(24.0)
    for wrong in ("warm", "24K", "nan", "", "٢٤C"):
        with pytest.raises(click.BadParameter):
            parse_temperature_c(wrong)


@pytest.mark.parametrize(
    "arguments",
    [
        ("expected", "SN-1"),
        ("fill", "SN-1"),
        ("reading", "SN-1", "200psi", *COLD, "--by", "Ann"),
    ],
)
def test_cautions_come_before_any_figure(run: Callable[..., str], arguments: tuple[str, ...]) -> None:
    """Whoever reads a pressure here is about to put a gauge on."""
    assert run(*arguments).startswith(CAUTION_LINES)


def test_cautions_of_a_program_go_to_standard_error(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """JSON stays JSON."""
    assert main(["gas", "expected", "SN-1", "--data", str(data), "--format", "json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == 1
    assert CAUTION_LINES in err


def test_expected_shows_the_target_where_it_was_stated_for(run: Callable[..., str]) -> None:
    """And more where it is warmer, further in, or higher up; in the unit asked for."""
    assert "at full extension, gas 68 °F, oil 68 °F, 0 m up: 200.0 ±" in run("expected", "SN-1", "--units", "us")
    there = ("--gas-temp", "122F", "--oil-temp", "40C", "--travel-mm", "90", "--altitude-m", "1500")
    told = json.loads(run("expected", "SN-1", *there, "--format", "json"))
    assert told["expected"]["gauge_pa"] > 250 * PA_PER_PSI
    assert told["expected"]["low_pa"] < told["expected"]["gauge_pa"] < told["expected"]["high_pa"]
    other = json.loads(run("expected", "SN-1", "--target", "150psi", "--format", "json"))
    assert other["expected"]["gauge_pa"] == pytest.approx(150 * PA_PER_PSI, rel=1e-9)


def test_a_reading_is_stored_and_judged(run: Callable[..., str], data: Path) -> None:
    """The whole way: typed, checked, kept in the chain, verdict."""
    said = run("reading", "SN-1", "180", "--unit", "psi", *COLD, "--by", "Ann", "--on", "2023-05-31", "--hose-ml", "3",
               "--note", "as found", "--units", "us")  # fmt: skip
    assert "comes to 180.0 ± " in said
    assert "charge low: within 5% of the target is ok" in said
    assert "gas of damper SN-1 read by Ann; stored as entry" in said
    with open_ledger(data) as ledger:
        (stored,) = gas_readings.history(ledger, ledger.find_unit("SN-1").unit_id)
    assert stored.gauge_pa == pytest.approx(180 * PA_PER_PSI)
    assert (stored.body_c, stored.oil_c, stored.hose_ml, stored.note) == (pytest.approx(20.0), None, 3.0, "as found")


def test_a_warm_reading_gets_no_verdict(run: Callable[..., str]) -> None:
    """It is stored with its doubt all the same."""
    warm = ("--body-temp", "60C", "--air-temp", "25C", "--travel-mm", "90", "--altitude-m", "300")
    said = run("reading", "SN-1", "17.2bar", *warm, "--by", "Ann")
    assert "no verdict, too warm: body or oil is 35 K off the air, 5 K at most" in said
    assert "stored as entry" in said


def test_dry_run_stores_nothing(run: Callable[..., str], data: Path) -> None:
    """But says what it would come to, and checks as much."""
    said = run("reading", "SN-1", "200psi", *COLD, "--by", "Ann", "--dry-run")
    assert "charge ok" in said
    assert "nothing was stored (--dry-run)" in said
    told = json.loads(run("reading", "SN-1", "200psi", *COLD, "--by", "Ann", "--dry-run", "--format", "json"))
    assert (told["entry"], told["verdict"]) == (None, "ok")
    assert entries(data) == 0


def test_fill_says_what_to_show_at_ride_height(run: Callable[..., str]) -> None:
    """40 % of the stroke where nobody says, and it says so."""
    said = run("fill", "SN-1")
    assert "at full extension, gas 20 °C, oil 20 °C, 0 m up: 13.79 ±" in said
    assert "102 mm in" in said
    assert "40% of the stroke is taken as ride height" in said
    own = run("fill", "SN-1", "--travel-mm", "80")
    assert "80 mm in" in own
    assert "taken as ride height" not in own
    both = json.loads(run("fill", "SN-1", "--format", "json"))["fill"]
    assert both[1]["gauge_pa"] > both[0]["gauge_pa"]


def test_fitting_loss_shows_each_check(capsys: pytest.CaptureFixture[str]) -> None:
    """The figures of 02_n2_gauge_hose_loss.csv, in psi; no ledger is needed."""
    figures = ["--gas-ml", "250", "--hose-ml", "3", "--checks", "3"]
    assert main(["gas", "fitting-loss", "200psi", *figures, "--units", "us"]) == 0
    said = capsys.readouterr().out
    assert [re.sub(r" +", " ", line).strip() for line in said.splitlines()[6:9]] == [
        "1 197.6 psi 2.4 psi", "2 195.3 psi 4.7 psi", "3 193.0 psi 7.0 psi",
    ]  # fmt: skip
    assert "to have 200.0 psi after 3 checks to come, show 207.3 psi before unscrewing" in said
    assert main(["gas", "fitting-loss", "200psi", *figures, "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["after_checks_pa"]) == 3
    assert told["to_show_pa"] > told["gauge_pa"] > told["after_checks_pa"][0]


def test_show_tells_the_history_and_the_leak(run: Callable[..., str], data: Path) -> None:
    """Refill, checks, a withdrawn slip; the leak is that of what counts."""
    assert "no readings of damper SN-1 yet" in run("show", "SN-1")
    for psi, day, more in (("190", "2020-06-01", []), ("200", "2021-06-01", ["--filled", "--note", "new core"]),
                           ("20", "2022-01-01", []), ("191", "2022-06-01", [])):  # fmt: skip
        run("reading", "SN-1", f"{psi}psi", *COLD, "--by", "Ann", "--on", day, *more)
    with open_ledger(data) as ledger:
        slip = next(one.row for one in gas_readings.history(ledger, ledger.find_unit("SN-1").unit_id)
                    if one.gauge_pa < 1e6)  # fmt: skip
        request = {"schema": 1, "command": "withdraw", "entry": slip, "by": "Ann", "why": "slip"}
        assert apply_command(ledger, request).reply["ok"] is True
    said = run("show", "SN-1", "--units", "us")
    assert "damper SN-1, target 200.0 psi at 68 °F, extended" in said
    assert "2022-01-01" not in said
    assert re.search(r"loses 9\.0 ± \d+\.\d psi a year \(0\.38% ± 0\.\d\d% a month\), by 2 readings since 2021", said)
    assert "new core" in said
    told = json.loads(run("show", "SN-1", "--format", "json"))
    assert [one["day"] for one in told["readings"]] == ["2020-06-01", "2021-06-01", "2022-06-01"]
    assert told["readings"][1]["begins"] == "filled"
    assert told["leak"]["rate_pa_year"] == pytest.approx(9 * PA_PER_PSI, rel=1e-2)
    assert told["leak"]["too_low"]["first"] is not None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("expected", "SN-9"), "SN-9"),
        (("expected", "SN-1", "--travel-mm", "300"), "travel of profile desert: 300 mm, expected 0 to 254"),
        (("expected", "SN-1", "--travel-mm", "nan"), "travel of profile desert: nan mm"),
        (("expected", "SN-1", "--gas-temp", "999C"), "temperature of the gas: 999 degC, expected -60 to 250"),
        (("expected", "SN-1", "--altitude-m", "inf"), "altitude: inf m"),
        (("expected", "SN-1", "--target", "200"), "of what? write 200psi"),
        (("expected", "SN-1", "--target", "2000bar"), "target: 2e+08 Pa"),
        (("reading", "SN-1", "200", *COLD, "--by", "Ann"), "of what? write 200psi, or give --unit psi or --unit bar"),
        (("reading", "SN-1", "200psi", *COLD), "--by"),
        (("reading", "SN-1", "2000psi", *COLD, "--by", "Ann"), "gauge_pa: 1.37895e+07 Pa, expected 0 to 6e+06"),
        (("reading", "SN-1", "200psi", *COLD, "--by", "Ann", "--on", "2062-05-31"), "still to come"),
        (("reading", "SN-1", "200psi", *COLD, "--by", "Ann", "--on", "soon"), "write it as 2026-05-31"),
        (("reading", "SN-1", "200psi", *COLD, "--by", " "), "must be printable"),
        (("reading", "SN-9", "200psi", *COLD, "--by", "Ann"), "SN-9"),
        (("fill", "SN-1", "--travel-mm", "-1"), "travel of profile desert: -1 mm"),
    ],
)
def test_what_is_unfit_is_refused_in_one_line(
    refuse: Callable[..., str], data: Path, arguments: tuple[str, ...], words: str
) -> None:
    """Status 2, and nothing is stored."""
    assert words in refuse(*arguments)
    assert entries(data) == 0


def test_no_pressure_is_told_that_is_far_above_the_target(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever reads a number fills to it: beyond a tenth more there is none, beyond all sense the command refuses."""
    some = ["--gas-ml", "50", "--hose-ml", "10"]
    assert main(["gas", "fitting-loss", "200psi", *some, "--units", "us"]) == 0
    said = capsys.readouterr().out
    assert "refill after each check instead" in said
    assert not [shown for shown in re.findall(r"([\d.]+) psi", said) if float(shown) > 200.0]
    assert main(["gas", "fitting-loss", "200psi", *some, "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["to_show_pa"] is None
    for checks in ("5", "100"):
        assert main(["gas", "fitting-loss", "200psi", "--gas-ml", "20", "--hose-ml", "10", "--checks", checks]) == 2
        out, err = capsys.readouterr()
        assert (out, err.count("\n")) == ("", 1)
        assert "refill after each check instead" in err


@pytest.mark.parametrize(
    "figures",
    [("--gas-ml", "0", "--hose-ml", "3"), ("--gas-ml", "nan", "--hose-ml", "3"), ("--gas-ml", "250", "--hose-ml", "-3"),
     ("--gas-ml", "250", "--hose-ml", "3", "--checks", "1000000000")],
)  # fmt: skip
def test_a_hose_that_cant_be_is_refused(figures: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """Nor counted through a thousand million times."""
    assert main(["gas", "fitting-loss", "200psi", *figures]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_without_a_target_it_asks_for_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No charge is taken for granted; a damper without a valve has none."""
    for profile, words in (
        (replace(CHARGED, charge_pa=None), "has no charge_psi or charge_bar; give --target 200psi"),
        (replace(CHARGED, construction="twin_tube"), "no valve to read"),
    ):
        folder = tmp_path / profile.construction
        folder.mkdir()
        with open_ledger(folder) as ledger:
            fill(ledger)
            ledger.put_vehicle(replace(make_vehicle(), profiles=(profile,)))
        assert main(["gas", "fill", "SN-1", "--data", str(folder)]) == 2
        assert words in capsys.readouterr().err


def test_the_command_is_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    """Found by whoever looks."""
    assert main(["--help"]) == 0
    assert "gas " in capsys.readouterr().out
