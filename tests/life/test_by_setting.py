"""Duty by setting: nothing is lost or doubled by the cuts, and each minute stands under what was turned in then."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Setting, Vehicle, setting_on
from dutylog.ledger.use_rows import UseRow
from dutylog.life.by_setting import Stretch, cut_by_setting, read_stretches
from ledger.builders import POSITIONS, make_vehicle
from life.lived import START, Lived, noon_ns

STREET, DESERT = Setting(date(2026, 1, 20), "street", 4, 6), Setting(date(2026, 3, 1), "desert", 8, 10)
SUMS = ("moving_us", "moving_measured_us", "energy_uj", "shaft_travel_um")


def vehicle_with(*settings: Setting) -> Vehicle:
    """Return a vehicle with these settings at the front left, and the rear left on the second alone."""
    plain = make_vehicle()
    places = {POSITIONS[0]: settings, POSITIONS[2]: settings[1:]}
    dampers = tuple(replace(damper, settings=places.get(damper.position, ())) for damper in plain.dampers)
    return replace(plain, dampers=dampers)


def a_row(**fields: object) -> UseRow:
    plain = UseRow(1, 0, 60_000_000, noon_ns(START), 12_000_000_000, 180, 72_000_000, 60_000_000, 0, 60_000_000,
                   60_000_000, 75.0, 25.0, 15.0, POSITIONS[0])  # fmt: skip
    return plain._replace(**fields)  # type: ignore[arg-type]


AMOUNTS = st.integers(0, 10**12)
ROWS = st.lists(
    st.builds(
        a_row,
        epoch=st.integers(1, 4),
        start_ns=st.integers(0, 10**13),
        utc_ns=st.none()
        | st.integers(0, 120).map(lambda day: noon_ns(START) + day * 86_400 * 10**9)
        | st.integers(0, 10**17),
        energy_uj=AMOUNTS,
        shaft_travel_um=AMOUNTS,
        moving_us=st.integers(0, 60_000_000),
        moving_measured_us=st.integers(0, 60_000_000),
        speed_mean_mps=st.none() | st.floats(0.0, 40.0),
        position=st.sampled_from((*POSITIONS, "gone")),
    ),
    max_size=40,
)


@given(ROWS)
def test_sums_over_stretches_are_the_unit_s_minutes(rows: list[UseRow]) -> None:
    """Whoever compares settings must be able to add them up to what the damper did."""
    stretches = cut_by_setting(vehicle_with(STREET, DESERT), rows)
    for name in SUMS:
        assert sum(getattr(one, name) for one in stretches) == sum(getattr(row, name) for row in rows)
    assert sum(one.minutes_count for one in stretches) == len(rows)
    driven_m = sum(row.speed_mean_mps * 60.0 for row in rows if row.speed_mean_mps is not None)
    assert sum(one.distance_m or 0.0 for one in stretches) == pytest.approx(driven_m, rel=1e-12, abs=1e-9)


@given(ROWS)
def test_stretches_follow_each_other_and_hold_what_was_in_force(rows: list[UseRow]) -> None:
    """A minute under the wrong setting would be worse than none; two neighbours alike would be one cut too many."""
    vehicle = vehicle_with(STREET, DESERT)
    stretches = cut_by_setting(vehicle, rows)
    dated = [one for one in stretches if one.first_day is not None]
    assert stretches[: len(dated)] == dated, "what has no date stands at the end"
    for one in dated:
        damper = next((d for d in vehicle.dampers if d.position == one.position), None)
        for day in (one.first_day, one.last_day):
            assert day is not None
            assert one.setting == (None if damper is None else setting_on(damper, day))
    for before, after in itertools.pairwise(dated):
        assert before.last_day is not None
        assert after.first_day is not None
        assert before.last_day <= after.first_day
        assert (before.position, before.setting) != (after.position, after.setting)
    undated = [one.position for one in stretches[len(dated) :]]
    assert len(undated) == len(set(undated)), "one for each place"


def test_a_life_in_the_ledger_is_cut_at_its_days(tmp_path: Path) -> None:
    """From the vehicle file to the table: before anything was told, street, desert."""
    lived = Lived(tmp_path)
    lived.ledger.put_vehicle(vehicle_with(STREET, DESERT))
    for day, minutes in ((START, 3), (STREET.from_day, 5), (DESERT.from_day - timedelta(1), 2), (DESERT.from_day, 7)):
        lived.drive(day, minutes)
    front, rear = (read_stretches(lived.ledger, lived.ledger.find_unit(label)) for label in ("SN-1", "SN-3"))
    lived.close()
    assert [(one.setting, one.minutes_count) for one in front] == [(None, 3), (STREET, 7), (DESERT, 7)]
    assert [(one.setting, one.minutes_count) for one in rear] == [(None, 10), (DESERT, 7)]
    assert (front[1].first_day, front[1].last_day) == (STREET.from_day, DESERT.from_day - timedelta(1))
    assert front[1].heat_w == 200.0
    assert front[1].distance_m == 7 * 60 * 15.0
    assert (front[1].known_ratio, front[1].shaft_travel_um) == (1.0, 7 * 72_000_000)


def test_a_unit_that_moves_is_cut_at_the_move() -> None:
    """The same clicks do other work at another corner."""
    rows = [a_row(position=POSITIONS[0]), a_row(start_ns=60 * 10**9, position=POSITIONS[1])]
    assert [one.position for one in cut_by_setting(make_vehicle(), rows)] == list(POSITIONS[:2])


def test_minutes_of_a_clock_never_set_have_no_date() -> None:
    """A board without a battery begins in 1970; that isn't before the first setting, it is unknown."""
    of_1970 = round(datetime(1970, 1, 2, tzinfo=UTC).timestamp()) * 10**9
    rows = [a_row(utc_ns=None), a_row(utc_ns=of_1970), a_row(utc_ns=noon_ns(DESERT.from_day))]
    dated, undated = cut_by_setting(vehicle_with(STREET, DESERT), rows)
    assert (dated.setting, dated.minutes_count) == (DESERT, 1)
    assert (undated.first_day, undated.last_day, undated.setting, undated.minutes_count) == (None, None, None, 2)


def test_what_isnt_known_stays_unknown() -> None:
    """No speed sensor: no distance rather than none driven; half of it: that is said."""
    (blind,) = cut_by_setting(None, [a_row(speed_mean_mps=None, moving_measured_us=0)])
    assert (blind.distance_m, blind.heat_w, blind.known_ratio) == (None, None, 0.0)
    half: Stretch = cut_by_setting(None, [a_row(speed_mean_mps=None), a_row(start_ns=60 * 10**9)])[0]
    assert (half.distance_m, half.known_ratio) == (900.0, 0.5)
