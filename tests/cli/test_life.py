"""`dutylog life` as people type it: what is due, the whole computation, what they tell, errors in one line."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from dutylog.cli.main import main
from dutylog.domain.wear import PARTS
from dutylog.ledger.ledger import Ledger
from dutylog.web.life_view import make_dampers
from life.lived import START, TODAY, Lived

Run = Callable[..., str]
BY = ("--by", "Ada")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A folder with a life of four dampers in it: two hours a week from January to November."""
    lived = Lived(tmp_path)
    day = START
    while day < TODAY:
        lived.drive(day, 30, watts=300.0)
        day += timedelta(7)
    lived.trip(1, 30)
    lived.close()
    return tmp_path


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], data: Path) -> Run:
    def do(*words: str) -> str:
        assert main(["life", *words, "--data", str(data)]) == 0
        return capsys.readouterr().out

    return do


@pytest.fixture
def refuse(capsys: pytest.CaptureFixture[str], data: Path) -> Run:
    def do(*words: str) -> str:
        assert main(["life", *words, "--data", str(data)]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.count("\n") == 1
        return err

    return do


def parts_of(run: Run, unit: str = "SN-1") -> dict[str, dict[str, Any]]:
    found = json.loads(run("show", unit, "--format", "json"))
    assert found["schema"] == 1
    return {part["part"]: part for part in found["dampers"][0]["parts"]}


def test_what_is_due_first_on_every_damper(run: Run) -> None:
    """The owner's first look: one line a damper, with dates."""
    text = run("show")
    assert [line.split()[0] for line in text.splitlines()[1:5]] == ["SN-1", "SN-2", "SN-3", "SN-4"]
    assert re.search(r"SN-1 +front_left +nitrogen charge +plan it +- +- +2027-01-05 ", text)
    assert "a qualified technician decide" in text


def test_the_most_urgent_comes_first_by_the_rule_of_the_pages(run: Run) -> None:
    """Command and pages must not send people to different dampers: a part that is over before a charge due sooner."""
    run("add-use", "SN-3", "--miles", "30000", "--mix", "desert", "--from", "2024-01-01", "--to", "2025-12-31", *BY)
    lines = run("show").splitlines()
    assert [line.split()[0] for line in lines[1:5]] == ["SN-3", "SN-1", "SN-2", "SN-4"]
    assert re.search(r"SN-3 +rear_left +(?!nitrogen)\w[-\w ]+? +over +[\d]+ %", lines[1])
    found = make_dampers(json.loads(run("show", "--format", "json")))
    ordered = sorted(found, key=lambda one: one.order)
    states = [line.split("  ") for line in lines[1:5]]
    for damper, row in zip(ordered, states, strict=True):
        shown = [cell.strip() for cell in row if cell.strip()]
        assert shown[2:4] == [damper.parts[0].name, damper.parts[0].state]


def test_a_mark_that_does_not_wait_is_seen_on_the_first_look(run: Run) -> None:
    """`stop` in a list of parts that are fine: whoever looks only there must see it, and the worst first."""
    run("mark", "SN-4", "nick", "--distance-mm", "60", "--size-mm", "0.2", "--sharp", *BY)
    run("mark", "SN-2", "nick", "--distance-mm", "60", "--size-mm", "5", "--sharp", *BY)
    run("mark", "SN-3", "pit", "--distance-mm", "60", "--size-mm", "0.05", "--smooth", *BY)
    told = [line for line in run("show").splitlines() if "mark on the shaft" in line]
    assert told == [
        "mark on the shaft of SN-2: stop; see: dutylog life show SN-2",
        "mark on the shaft of SN-4: soon; see: dutylog life show SN-4",
    ]
    assert run("show").splitlines()[1].startswith("SN-2")


def test_distances_follow_the_units_asked_for(run: Run) -> None:
    """Who asks for kilometres gets no miles, in no sentence; and the other way round."""
    metric, us = run("show", "SN-1"), run("show", "SN-1", "--units", "us")
    assert "mile" not in metric
    assert " km" not in us
    miles, km = (
        float(re.search(rf"damper oil: .*about ([\d,]+) {unit} from today", text)[1].replace(",", ""))
        for text, unit in ((us, "miles"), (metric, "km"))
    )
    assert km / miles == pytest.approx(1.609344, rel=0.06)
    assert "driven since it counts" in metric
    assert " miles from today" not in run("explain", "SN-1", "oil")


@pytest.mark.parametrize("words", [("--replaced", "bladder"), ("--replaced", "oil", "--found", "hose=worn")])
def test_a_service_of_what_a_damper_lacks_is_refused(refuse: Run, data: Path, words: tuple[str, ...]) -> None:
    """It would be a replacement of nothing; the line names the parts there are, and nothing is written."""
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        before = len(ledger.entries())
    said = refuse("service", "SN-1", *words, *BY)
    assert f"damper SN-1 has no part '{words[-1].split('=')[0]}'; it has shaft_seal, oil, wear_band" in said
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        assert len(ledger.entries()) == before


def test_a_machine_without_a_date_says_that_its_days_are_wrong(
    run: Run, capsys: pytest.CaptureFixture[str], data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A board without a clock battery reckons from 1970; whoever plans by its dates must know."""
    usual = Ledger.stamp
    monkeypatch.setattr(Ledger, "stamp", lambda self: replace(usual(self), utc_ns=5 * 10**9))
    assert main(["life", "show", "SN-1", "--data", str(data)]) == 0
    out, err = capsys.readouterr()
    assert "this machine's date is not set (1970-01-01)" in err
    assert "shaft seal" in out


def test_table_and_json_say_the_same(run: Run) -> None:
    """Whoever reads the table and whoever reads programs' form decide alike."""
    text, parts = run("show", "SN-1", "--units", "us"), parts_of(run)
    assert list(parts) == [key for key in PARTS if key in parts]
    for part in parts.values():
        row = next(line for line in text.splitlines() if line.startswith(part["name"]))
        if part["part"] != "charge":
            assert f" {100 * part['used_ratio']:.0f} % " in row
        assert part["due_early"] is None or part["due_early"] in row
        assert f"{part['name']}: {part['text']}" in text


def test_the_explanation_s_numbers_make_up_the_share(run: Run) -> None:
    """Nobody has to believe a figure: what is printed adds up to it."""
    for key, part in parts_of(run).items():
        text = run("explain", "SN-1", key)
        terms = [float(found) for found in re.findall(r"x dose / reference +([\d.]+)", text)]
        assert sum(terms) == pytest.approx(part["measured_share"], abs=1e-4 * max(1, len(terms)))
        if terms:
            together = re.search(r"together +([\d.]+) \+- ([\d.]+)", text)
            assert together is not None
            assert float(together[1]) == pytest.approx(part["used_share"], abs=1e-4)
            assert float(together[2]) == pytest.approx(part["used_sd"], abs=1e-4)
        assert "Source:" in text


def test_every_number_in_an_explanation_has_its_source(run: Run) -> None:
    """A coefficient without a source is an opinion in disguise."""
    lines = [line for key in parts_of(run) for line in run("explain", "SN-1", key).splitlines()]
    coefficients = [line for line in lines if re.match(r"  [a-z_0-9]+ = ", line)]
    assert len(coefficients) > 5
    for line in coefficients:
        assert re.match(r"  [a-z_0-9]+ = [-\d.e+]+( \S.*?)?: \S.{10,}", line), line


def test_a_rebuild_begins_everything_anew_but_structure(run: Run) -> None:
    """`--rebuild` spares typing seven parts; what it doesn't replace goes on."""
    before = parts_of(run)
    said = run("service", "SN-1", "--rebuild", "--found", "shaft_seal=worn", *BY, "--note", "weeping")
    assert "shaft_seal" in said
    after = parts_of(run)
    for key, part in after.items():
        if key == "structure":
            assert part["used_share"] == before[key]["used_share"] > 0.0
        else:
            assert part["used_share"] == 0.0
    assert after["shaft_seal"]["findings_count"] == 1
    assert parts_of(run, "SN-2")["shaft_seal"]["findings_count"] == 1


def test_what_was_told_is_listed_and_can_be_withdrawn(run: Run) -> None:
    """A slip of the pen is put right by number, and stays visible."""
    run("add-use", "SN-1", "--km", "50000", "--mix", "mixed", *BY)
    run("mark", "SN-1", "nick", "--distance-mm", "60", "--size-mm", "1.5", "--sharp", *BY)
    run("dirt", "1", "mud", "--not-washed", *BY)
    listed = json.loads(run("entries", "--format", "json"))["entries"]
    assert [one["kind"] for one in listed] == ["stated_use", "shaft_mark", "dirt"]
    assert parts_of(run)["oil"]["stated_share"] > 0.0
    run("withdraw", str(listed[0]["entry"]), *BY, "--why", "it was miles")
    assert parts_of(run)["oil"]["stated_share"] == 0.0
    assert f"{listed[0]['entry']} withdrawn" in run("entries")
    assert "mark on the shaft" in run("show", "SN-1")


def test_a_trip_ahead_is_judged_part_by_part(run: Run) -> None:
    """Will it make it: takes and odds for every part that wears by use."""
    day = (TODAY + timedelta(3650)).isoformat()
    found = json.loads(run("plan", "SN-1", "--miles", "400", "--mix", "desert", "--on", day, "--format", "json"))
    parts = {one["part"]: one for one in found["dampers"][0]["parts"]}
    assert "charge" not in parts
    assert all(0.0 <= one["ratio"] <= 1.0 for one in parts.values())
    assert "makes it" in run("plan", "--km", "600", "--mix", "desert", "--on", day)


def test_what_a_trip_was_worth(run: Run, refuse: Run) -> None:
    """Driven so far, worth so far: the sentence an owner takes home."""
    text = run("trip", "1", "--units", "us")
    assert re.match(r"trip 1: 17 miles driven, worth [\d,]+ miles of street to the \S.* at \w+\n", text)
    found = json.loads(run("trip", "1", "--format", "json"))["dampers"]
    assert {one["position"] for one in found} == {"front_left", "front_right", "rear_left", "rear_right"}
    assert all(one["shares"][one["most"]] == max(one["shares"].values()) for one in found)
    assert "no trip 99" in refuse("trip", "99")


def test_the_table_of_plausibility_needs_no_data(capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is bought or installed: how long dampers last by these rules."""
    assert main(["life", "table"]) == 0
    out = capsys.readouterr().out
    assert "pure street" in out
    assert "calendar" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("show", "NOBODY"), "NOBODY"),
        (("explain", "SN-1", "bladder"), "has no part 'bladder'; it has shaft_seal"),
        (("service", "SN-1", *BY), "nothing replaced and nothing found"),
        (("service", "SN-1", "--replaced", "seal", *BY), "seal"),
        (("service", "SN-1", "--found", "oil", *BY), "PART=GRADE"),
        (("service", "SN-1", "--found", "oil=worn", "--found", "oil=usable", *BY), "each part once"),
        (("service", "SN-1", "--replaced", "oil", "--on", "2062-01-01", *BY), "still to come"),
        (("add-use", "SN-1", "--mix", "street", *BY), "either --miles or --km"),
        (("add-use", "SN-1", "--miles", "1", "--km", "1", "--mix", "street", *BY), "either --miles or --km"),
        (("add-use", "SN-1", "--miles", "nan", "--mix", "street", *BY), "nan"),
        (("mark", "SN-1", "nick", "--distance-mm", "-3", "--size-mm", "1", "--sharp", *BY), "expected 0 to"),
        (("dirt", "99", "mud", "--washed", *BY), "no trip 99"),
        (("withdraw", "1", *BY, "--why", "x"), "entry 1"),
        (("plan", "--miles", "400", "--mix", "desert", "--on", "soon"), "write it as"),
        (("plan", "--miles", "400", "--mix", "desert", "--on", "2020-01-01"), "is past"),
        (("plan", "--miles", "inf", "--mix", "desert", "--on", "2099-01-01"), "inf"),
    ],
)
def test_nonsense_is_one_line_with_its_remedy(refuse: Run, data: Path, words: tuple[str, ...], said: str) -> None:
    """Whoever mistypes at a bench gets a hint, not a traceback, and nothing is written."""
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        before = len(ledger.entries())
    assert said in refuse(*words)
    with Ledger.open(data / "ledger.sqlite", read_only=True) as ledger:
        assert len(ledger.entries()) == before
