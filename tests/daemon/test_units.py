"""Which damper counts where: whatever was changed last, configuration or command."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dutylog.daemon.units import pending_events, settle_units
from dutylog.errors import LedgerError
from dutylog.ledger.ledger import Ledger
from dutylog.recording.state import LogState


@pytest.fixture
def vehicle(demo_settings):
    return demo_settings.vehicle


@pytest.fixture
def ledger(vehicle, tmp_path):
    with Ledger.open(tmp_path / "ledger.sqlite") as ledger:
        ledger.put_vehicle(vehicle)
        yield ledger


def with_serials(vehicle, **serials):
    dampers = tuple(replace(d, serial=serials.get(d.position, d.serial)) for d in vehicle.dampers)
    return replace(vehicle, dampers=dampers)


def labels(ledger):
    return {position: unit.label for position, unit in ledger.installed().items()}


def test_first_start_adds_and_installs_what_the_configuration_names(ledger, vehicle):
    notes = settle_units(ledger, vehicle, 1)
    assert labels(ledger) == {d.position: d.serial for d in vehicle.dampers}
    assert len(notes) == 4
    assert settle_units(ledger, vehicle, 2) == []


def test_damper_without_serial_gets_a_tag_of_our_own(ledger, vehicle):
    settle_units(ledger, with_serials(vehicle, rear_left=None), 1)
    unit = ledger.installed()["rear_left"]
    assert unit.serial is None
    assert unit.tag


def test_edited_serial_swaps_the_damper(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    edited = with_serials(vehicle, rear_left="NEW-1")
    ledger.put_vehicle(edited)
    settle_units(ledger, edited, 5)
    assert labels(ledger)["rear_left"] == "NEW-1"
    old = ledger.find_unit("DEMO-R1")
    assert ledger.installs_of(old.unit_id)[-1].to_sequence == 5


def test_two_dampers_exchanged_in_the_configuration_change_places(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    swapped = with_serials(vehicle, rear_left="DEMO-R2", rear_right="DEMO-R1")
    ledger.put_vehicle(swapped)
    settle_units(ledger, swapped, 5)
    assert (labels(ledger)["rear_left"], labels(ledger)["rear_right"]) == ("DEMO-R2", "DEMO-R1")


def test_command_since_the_last_start_outranks_an_unchanged_configuration(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    spare = ledger.add_unit("SPARE", ledger.installed()["rear_left"].profile)
    ledger.remove(ledger.installed()["rear_left"].unit_id)
    ledger.install(spare.unit_id, "rear_left")
    notes = settle_units(ledger, vehicle, 9)
    assert labels(ledger)["rear_left"] == "SPARE"
    assert len(notes) == 1
    assert "SPARE was installed since" in notes[0]


def test_removed_damper_stays_removed(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    ledger.remove(ledger.installed()["front_left"].unit_id)
    notes = settle_units(ledger, vehicle, 9)
    assert "front_left" not in labels(ledger)
    assert notes == ["front_left: no damper is installed; its duty is counted for nobody"]


def test_position_that_left_the_configuration_puts_its_damper_on_the_shelf(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    smaller = replace(vehicle, dampers=vehicle.dampers[:3])
    ledger.put_vehicle(smaller)
    notes = settle_units(ledger, smaller, 9)
    assert vehicle.dampers[3].position not in labels(ledger)
    assert "on the shelf" in notes[0]


def test_known_serial_with_another_profile_is_refused(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    front = next(d.profile for d in vehicle.dampers if d.position == "front_left")
    rear = next(d.profile for d in vehicle.dampers if d.position == "rear_left")
    assert front != rear
    ledger.remove(ledger.find_unit("DEMO-F1").unit_id)
    wrong = with_serials(vehicle, rear_left="DEMO-F1")
    with pytest.raises(LedgerError, match="profile"):
        settle_units(ledger, wrong, 9)


def test_events_make_the_log_agree_with_the_ledger(ledger, vehicle):
    settle_units(ledger, vehicle, 1)
    state = LogState()
    events = pending_events(ledger, state)
    assert [kind for kind, _ in events] == ["install"] * 4
    state.installs = {str(data["position"]): dict(data) for _, data in events}
    assert pending_events(ledger, state) == []
    ledger.remove(ledger.installed()["rear_left"].unit_id)
    assert pending_events(ledger, state) == [
        ("remove", {"position": "rear_left", "unit_id": state.installs["rear_left"]["unit_id"]})
    ]
