"""A damper that came back revalved: counted by its new curve from the record on, whatever the vehicle file says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from daemon.processes import demo_settings, start_core, wait_until
from dutylog.daemon.units import settle_units, vehicle_in_force
from dutylog.domain.vehicle import ForceAt, ForceCurve, Vehicle
from dutylog.errors import LedgerError
from dutylog.ledger.client import run_command
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.unit_profiles import profile_to_dict
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from faults.conftest import FAST, Said
from faults.live_reader import LiveReader

__all__ = ["demo_settings", "start_core"]

FACTOR = 3.0


def stiffer(vehicle, position="front_left", name="stiff"):
    """Return that damper's profile with so many times the force."""
    damper = next(one for one in vehicle.dampers if one.position == position)
    old = vehicle.profile_of(damper)
    force = tuple(
        ForceAt(at.travel_m, ForceCurve(at.curve.speeds_mps, tuple(FACTOR * f for f in at.curve.forces_n)))
        for at in old.force
    )
    return replace(old, name=name, force=force)


def record(unit, profile, **changes):
    return {
        "command": "service_record", "unit": unit, "by": "Bo", "done_by": "Ada", "checked_by": "Cleo",
        "on": datetime.now(tz=UTC).date().isoformat(), "note": None, "replaced": ["oil"], "found": {}, "gas": None,
        "profile": profile_to_dict(profile), "bench_id": "bench-1", "bench": "Dune Bench", "key_id": "4f2a91c077de0b13",
        "accept_key": None, "digest": "a" * 64, "sequence": 1, "previous": None, "job": 7,
        "visit": "7" * 64, **changes,
    }  # fmt: skip


@pytest.fixture
def vehicle(demo_settings):
    return demo_settings.vehicle


@pytest.fixture
def ledger(vehicle, tmp_path):
    with Ledger.open(tmp_path / "ledger.sqlite") as opened:
        opened.put_vehicle(vehicle)
        settle_units(opened, vehicle, 1)
        yield opened


def take(ledger, position, profile, **changes):
    unit = ledger.installed()[position]
    reply = apply_command(ledger, {"schema": 1, **record(unit.label, profile, **changes)}).reply
    assert reply["ok"], reply
    return unit


def named(vehicle):
    return {one.position: one.profile for one in vehicle.dampers}


def test_a_file_that_names_the_old_profile_counts_with_the_new_one(ledger, vehicle):
    """And is told what to write; places of other dampers stay."""
    assert vehicle_in_force(vehicle, ledger) == (vehicle, [])
    take(ledger, "front_left", stiffer(vehicle))
    found, notes = vehicle_in_force(vehicle, ledger)
    assert named(found) == named(vehicle) | {"front_left": "stiff"}
    assert found.profile_of(found.dampers[0]) == stiffer(vehicle)
    (note,) = notes
    assert 'Write profile = "stiff" at front_left in the vehicle file' in note
    settle_units(ledger, vehicle, 2)


def test_a_file_that_names_the_new_one_is_taken_as_it_is(ledger, vehicle):
    """Nothing to say."""
    take(ledger, "front_left", stiffer(vehicle))
    dampers = tuple(replace(d, profile="stiff") if d.position == "front_left" else d for d in vehicle.dampers)
    written = replace(vehicle, dampers=dampers, profiles=(*vehicle.profiles, stiffer(vehicle)))
    assert vehicle_in_force(written, ledger) == (written, [])
    settle_units(ledger, written, 2)


def test_a_file_with_a_third_profile_counts_and_is_told(ledger, vehicle):
    """Somebody wrote it on purpose."""
    take(ledger, "front_left", stiffer(vehicle))
    third = replace(stiffer(vehicle), name="third")
    dampers = tuple(replace(d, profile="third") if d.position == "front_left" else d for d in vehicle.dampers)
    written = replace(vehicle, dampers=dampers, profiles=(*vehicle.profiles, third))
    found, notes = vehicle_in_force(written, ledger)
    assert found == written
    assert "the vehicle file gives it third; that counts" in notes[0]


def test_a_revalved_damper_is_known_by_the_file_under_either_name(ledger, vehicle):
    """A file that brings it back to a place by its serial starts with the old profile or the new one, with no other."""
    unit = take(ledger, "front_left", stiffer(vehicle))
    ledger.remove(unit.unit_id)
    ledger.put_config_serials({})
    settle_units(ledger, vehicle, 3)
    assert ledger.installed()["front_left"].unit_id == unit.unit_id
    assert named(vehicle_in_force(vehicle, ledger)[0])["front_left"] == "stiff"
    ledger.remove(unit.unit_id)
    ledger.put_config_serials({})
    dampers = tuple(replace(d, profile="third") if d.position == "front_left" else d for d in vehicle.dampers)
    third = replace(vehicle, dampers=dampers, profiles=(*vehicle.profiles, replace(stiffer(vehicle), name="third")))
    with pytest.raises(LedgerError, match="known with profile stiff, the configuration gives third"):
        settle_units(ledger, third, 4)


def energies(data_dir):
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as opened:
        totals = opened.all_counted()
        return {place: totals[unit.unit_id].energy_uj for place, unit in opened.installed().items()}


def configs(data_dir):
    """Return what each config frame of the log says of the front left damper."""
    frames = [one for one in LogReader(data_dir / "log").frames() if one.type is FrameType.CONFIG]
    return [named(Vehicle.from_dict(one.data))["front_left"] for one in frames]


def end(child, said):
    child.process.terminate()
    status, _, errors = said.finish()
    assert status == 0, errors


def test_core_counts_with_the_new_curve_at_once_and_after_a_start(demo_settings, start_core, tmp_path):
    """The whole way: driving, the record comes, driving on; a start with the old file; totals whole all along."""
    settings, side = replace(demo_settings, pace=40.0), tmp_path / "side.log"
    data_dir = settings.data_dir
    child = start_core(settings, side, **FAST)
    said = Said(child)
    with LiveReader(data_dir) as live:
        wait_until(lambda: live.newest and (live.newest["trip"] or {}).get("duration_s", 0.0) > 15.0, "a drive")
        unit = next(one for one in settings.vehicle.dampers if one.position == "front_left").serial
        reply = run_command(data_dir, record(unit, stiffer(settings.vehicle)))
        assert "profile stiff from" in reply["text"]
        at = energies(data_dir)
        wait_until(lambda: energies(data_dir)["front_right"] > 2 * at["front_right"], "much more of the drive")
    end(child, said)
    after = energies(data_dir)
    gained = {place: after[place] - at[place] for place in ("front_left", "front_right")}
    before = at["front_left"] / at["front_right"]
    # The last seconds before the record may be counted behind it: totals go to the ledger each five.
    assert gained["front_left"] / gained["front_right"] == pytest.approx(FACTOR * before, rel=0.25)
    assert (configs(data_dir)[0], configs(data_dir)[-1]) == ("front", "stiff")

    again = start_core(settings, side, **FAST)
    said = Said(again)
    with LiveReader(data_dir) as live:
        wait_until(lambda: said.with_word('Write profile = "stiff" at front_left'), "what to write is said")
        wait_until(lambda: energies(data_dir)["front_right"] > 1.2 * after["front_right"], "driving on")
    end(again, said)
    last = energies(data_dir)
    gained = {place: last[place] - after[place] for place in ("front_left", "front_right")}
    assert gained["front_left"] / gained["front_right"] == pytest.approx(FACTOR * before, rel=0.25)
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as opened:
        assert opened.verify_chain() is None
        assert opened.entries_of("replay_differs") == []
