"""Dampers as things and where they sat: one place for one damper, and nothing forgotten."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dutylog.duty.totals import Totals
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit
from ledger.builders import POSITIONS, make_profile, make_vehicle, totals_at


def test_damper_without_serial_gets_a_tag_of_its_own(ledger: Ledger) -> None:
    """Many dampers have no readable serial; people still need something short to call each by."""
    ledger.add_unit("D2", "desert")
    first, second = ledger.add_unit(None, "desert"), ledger.add_unit(None, "desert")
    assert (first.serial, first.tag, second.tag) == (None, "D3", "D4")
    assert ledger.find_unit("D3") == first
    assert ledger.find_unit(first.unit_id) == first
    assert ledger.unit_by_serial("D3") is None
    with pytest.raises(LedgerError, match="serial D3 is in the ledger already"):
        ledger.add_unit("D3", "desert")
    assert [u.label for u in ledger.units()] == ["D2", "D3", "D4"]
    assert ledger.totals(first.unit_id) == Totals()


def test_unit_id_from_elsewhere_is_kept(ledger: Ledger) -> None:
    """A damper that comes with its duty from another vehicle keeps its identity."""
    given_id = "3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c"
    assert ledger.add_unit("SN-1", "desert", unit_id=given_id.upper()).unit_id == given_id
    assert ledger.unit(given_id) == ledger.unit_by_serial("SN-1")
    with pytest.raises(InputError, match="is no UUID"):
        ledger.add_unit("SN-2", "desert", unit_id="SN-2")


@pytest.mark.parametrize("serial", ["", " SN", "SN ", "a\nb", "x" * 65, "\x1b[31m", "\ud800"])
def test_unfit_serial_is_refused(ledger: Ledger, serial: str) -> None:
    """A serial is printed on terminals and pages: no control characters, no invisible ends."""
    with pytest.raises(InputError, match="serial"):
        ledger.add_unit(serial, "desert")
    assert ledger.units() == []


def test_unknown_label_names_the_nearest(ledger: Ledger, unit_ids: list[str]) -> None:
    with pytest.raises(LedgerError, match=r"no damper SN4 in ledger .*; the nearest known is SN-4$"):
        ledger.find_unit("SN4")


def test_stay_is_kept_with_both_its_ends(ledger: Ledger, unit_ids: list[str]) -> None:
    """Which damper did which trip must be answerable years later."""
    ledger.commit(Commit(sequence=40, engine="1", hot={unit_ids[0]: totals_at(40)}))
    ended = ledger.remove(unit_ids[0])
    assert (ended.position, ended.from_sequence, ended.to_sequence, ended.to_utc_trusted) == ("front_left", 0, 40, True)
    again = ledger.install(unit_ids[0], "front_left", sequence=44)
    assert (again.wheel, again.from_sequence, again.to_sequence) == ("front_left", 44, None)
    assert ledger.installs_of(unit_ids[0]) == [ended, again]
    # a caller whose sequence lies before the beginning can't make a stay of negative length
    assert ledger.remove(unit_ids[0], sequence=41).to_sequence == 44
    assert list(ledger.installed("truck")) == sorted(POSITIONS[1:])
    assert ledger.installed("other") == {}


def test_refused_installs_change_nothing(ledger: Ledger, unit_ids: list[str]) -> None:
    spare = ledger.add_unit("SN-5", "desert").unit_id
    foreign = ledger.add_unit("SN-6", "dessert").unit_id
    ledger.remove(unit_ids[3])
    before = (ledger.entries(), ledger.installed())
    for unit_id, position, words in (
        (spare, "front_left", "position front_left holds damper SN-1; remove that one first"),
        (unit_ids[0], "rear_right", "damper SN-1 is installed at front_left; remove it first"),
        (spare, "rear_rite", "has no position rear_rite; the nearest known is rear_right"),
        (foreign, "rear_right", "has no profile dessert; the nearest known is desert"),
    ):
        with pytest.raises(LedgerError, match=words):
            ledger.install(unit_id, position)
    with pytest.raises(LedgerError, match="damper SN-4 is on the shelf already"):
        ledger.remove(unit_ids[3])
    with pytest.raises(InputError, match="unit nobody is not in the ledger"):
        ledger.install("nobody", "rear_right")
    assert (ledger.entries(), ledger.installed()) == before


def test_install_needs_a_vehicle_and_takes_its_wheel(ledger: Ledger) -> None:
    unit = ledger.add_unit("SN-1", "desert")
    with pytest.raises(LedgerError, match="doesn't know its vehicle yet"):
        ledger.install(unit.unit_id, "front_left")
    vehicle = make_vehicle()
    bypass = replace(vehicle.dampers[0], position="front_left_bypass", wheel="front_left")
    ledger.put_vehicle(replace(vehicle, dampers=(*vehicle.dampers, bypass), profiles=(make_profile(),)))
    assert ledger.install(unit.unit_id, "front_left_bypass").wheel == "front_left"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from((*POSITIONS, None))), max_size=15))
def test_any_order_of_moves_keeps_one_place_for_one_damper(
    tmp_path_factory: pytest.TempPathFactory, moves: list[tuple[int, str | None]]
) -> None:
    """The ledger agrees with a plain dictionary, whatever is asked of it."""
    from ledger.builders import fill, open_ledger

    with open_ledger(tmp_path_factory.mktemp("moves")) as ledger:
        ids = fill(ledger)
        model: dict[str, str] = dict(zip(POSITIONS, ids, strict=True))
        for number, position in moves:
            unit_id = ids[number]
            is_placed = unit_id in model.values()
            fits = is_placed if position is None else not is_placed and position not in model
            try:
                if position is None:
                    ledger.remove(unit_id)
                else:
                    ledger.install(unit_id, position)
            except LedgerError:
                assert not fits
                continue
            assert fits
            model = {p: u for p, u in model.items() if u != unit_id}
            if position is not None:
                model[position] = unit_id
        assert {p: u.unit_id for p, u in ledger.installed().items()} == model
        assert ledger.verify_chain() is None
