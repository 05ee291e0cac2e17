"""What a trip on a test bench, or on the back of another vehicle, leaves of wear: nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from dutylog.cli.main import main
from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.ledger.rows import Commit
from dutylog.life.by_setting import read_stretches
from dutylog.life.unit_life import Lives, UnitLife
from ledger.builders import POSITIONS
from life.lived import START, TODAY, Lived

MINUTE_NS = 60_000_000_000


@pytest.fixture
def lived(tmp_path: Path) -> Iterator[Lived]:
    made = Lived(tmp_path)
    yield made
    made.close()


def drive_trip(lived: Lived, day: int, minutes: int, watts: float = 200.0) -> None:
    """Drive, all of it one trip."""
    before = {unit_id: totals.copy() for unit_id, totals in lived.totals.items()}
    lived.drive(START + timedelta(day), minutes, watts=watts)
    shares = tuple(
        TripDamper(unit_id, place, lived.totals[unit_id].since(before[unit_id]))
        for unit_id, place in zip(lived.ids, POSITIONS, strict=True)
    )
    row = TripRow(lived.epochs, 0, 0, minutes * MINUTE_NS, False, minutes * 60_000_000, minutes * 900.0, shares)
    lived.sequence += 1
    lived.ledger.commit(Commit(sequence=lived.sequence, engine="test", hot={}, trips=(row,)))


def life_of(lived: Lived) -> UnitLife:
    return Lives(lived.ledger, TODAY).read(lived.ledger.find_unit("SN-1"))


def shares_of(lived: Lived) -> dict[str, float]:
    return {one.part.key: one.used.share for one in life_of(lived).parts}


def test_wear_is_what_the_other_trips_made(lived: Lived, tmp_path: Path) -> None:
    """The same drives, with and without one that doesn't count between them."""
    (tmp_path / "other").mkdir()
    without = Lived(tmp_path / "other")
    for one in (lived, without):
        drive_trip(one, 0, 30)
    drive_trip(lived, 3, 40, watts=900.0)
    for one in (lived, without):
        drive_trip(one, 6, 20)
    assert shares_of(lived) != pytest.approx(shares_of(without))
    entry = lived.tell("trip_not_driven", trip="2", why="dyno", note=None)["entry"]
    assert shares_of(lived) == pytest.approx(shares_of(without), rel=1e-9)
    assert life_of(lived).part("shaft_seal").miles == pytest.approx(life_of(without).part("shaft_seal").miles)
    stretches = [read_stretches(one.ledger, one.ledger.find_unit("SN-1")) for one in (lived, without)]
    assert [one.energy_uj for one in stretches[0]] == [one.energy_uj for one in stretches[1]]
    without.close()
    lived.tell("trip_undo", entry=entry)
    assert shares_of(lived)["shaft_seal"] > 1.2 * stretches_share(lived, "1")


def stretches_share(lived: Lived, key: str) -> float:
    costs = Lives(lived.ledger, TODAY).trip(key)
    return next(one.shares["shaft_seal"] for one in costs if one.unit.serial == "SN-1")


def test_a_service_stays_where_it_was(lived: Lived) -> None:
    """Told after 70 min of running; that half of them don't count any more must not move it."""
    drive_trip(lived, 0, 30)
    drive_trip(lived, 3, 40)
    lived.tell("service", unit="SN-1", replaced=["oil"], found={}, on=None, note=None)
    drive_trip(lived, 6, 20)
    since = shares_of(lived)["oil"]
    lived.tell("trip_not_driven", trip="1", why="transport", note=None)
    assert shares_of(lived)["oil"] == pytest.approx(since, rel=1e-9)
    lived.tell("service", unit="SN-1", replaced=["oil"], found={}, on=None, note="again")
    assert shares_of(lived)["oil"] == 0.0


def test_running_time_goes_on_to_all_that_was_counted(lived: Lived) -> None:
    """Also through the minute under way, which has no row yet."""
    drive_trip(lived, 0, 30)
    drive_trip(lived, 3, 40)
    for unit_id in lived.ids:
        lived.totals[unit_id].merge(Totals(energy_rebound_uj=10**9, measured_us=30_000_000, moving_us=30_000_000))
    lived.sequence += 1
    lived.ledger.commit(Commit(sequence=lived.sequence, engine="test", hot=dict(lived.totals)))
    lived.tell("trip_not_driven", trip="1", why="transport", note=None)
    assert life_of(lived).history.end_s[-1] == pytest.approx(70 * 60 + 30)


def test_a_trip_costs_what_its_parts_cost(lived: Lived) -> None:
    drive_trip(lived, 0, 30)
    drive_trip(lived, 3, 40)
    whole = stretches_share(lived, "2")
    lived.tell("trip_split", trip="2", at_s=600.0)
    parts = [stretches_share(lived, key) for key in ("2.1", "2.2")]
    assert sum(parts) == pytest.approx(whole, rel=1e-9)
    assert parts[1] > 2.0 * parts[0]
    lived.tell("trip_not_driven", trip="2.2", why="other", note=None)
    assert stretches_share(lived, "2.2") == 0.0
    assert stretches_share(lived, "2.1") == pytest.approx(parts[0], rel=0.05)


def test_the_distance_of_a_split_trip_is_that_of_the_parts_that_count(
    lived: Lived, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ten minutes at 15 m/s, the first four of them on the back of another vehicle."""

    def ask(*words: str) -> str:
        assert main(["life", "trip", "1", *words, "--data", str(tmp_path)]) == 0
        return capsys.readouterr().out

    drive_trip(lived, 0, 10)
    lived.tell("trip_split", trip="1", at_s=240.0)
    whole = json.loads(ask("--format", "json"))
    assert (whole["distance_m"], whole["left_out"]) == (9000.0, [])
    said = ask("--units", "metric")
    assert "trip 1: 9 km driven" in said
    assert "Without" not in said
    lived.tell("trip_not_driven", trip="1.1", why="transport", note=None)
    rest = json.loads(ask("--format", "json"))
    assert (rest["distance_m"], rest["left_out"], rest["not_driven"]) == (pytest.approx(5400.0), ["1.1"], None)
    assert rest["dampers"][0]["street_miles"] == pytest.approx(0.6 * whole["dampers"][0]["street_miles"], rel=0.05)
    said = ask("--units", "metric")
    assert "trip 1: 5 km driven" in said
    assert said.endswith("Without what was not driven: 1.1.\n")
    lived.tell("trip_not_driven", trip="1.2", why="transport", note=None)
    assert ask() == "trip 1: not driven (transport), so it took nothing of any damper\n"
