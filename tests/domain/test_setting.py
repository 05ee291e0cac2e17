"""Which setting of a damper's adjusters counts on a day."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Damper, Setting, Vehicle, setting_on
from dutylog.errors import InputError
from ledger.builders import make_vehicle

FIRST, SECOND = Setting(date(2026, 4, 1), "street", 4, 6), Setting(date(2026, 5, 31), "desert", 8, 10)


@pytest.mark.parametrize(
    ("day", "setting"),
    [
        (date(2026, 3, 31), None),
        (date(2026, 4, 1), FIRST),
        (date(2026, 5, 30), FIRST),
        (date(2026, 5, 31), SECOND),
        (date(2031, 1, 1), SECOND),
    ],
)
def test_the_newest_that_has_begun(day: date, setting: Setting | None) -> None:
    """A setting counts from its day on, that day included, until the next; nothing is known before the first."""
    assert setting_on(Damper("left", "left", "p", settings=(FIRST, SECOND)), day) == setting
    assert setting_on(Damper("left", "left", "p"), day) is None


@given(st.sets(st.integers(0, 400), max_size=12), st.integers(-5, 410))
def test_against_a_walk_through_the_days(starts: set[int], day: int) -> None:
    """Asked day by day from the beginning, the answer changes on the days of the settings alone."""
    zero = date(2026, 1, 1)
    settings = tuple(Setting(zero + timedelta(n), f"s{n}") for n in sorted(starts))
    current = None
    for at in range(-5, day + 1):
        current = f"s{at}" if at in starts else current
    found = setting_on(Damper("left", "left", "p", settings=settings), zero + timedelta(day))
    assert (found.name if found else None) == current


def test_the_same_adjusters_whatever_the_day() -> None:
    """A baseline may go on where only a date was put right; another name may mean an adjuster that has no clicks."""
    assert FIRST.has_same_adjusters(Setting(date(2025, 1, 1), "street", 4, 6))
    for other in (
        Setting(FIRST.from_day, "street 2", 4, 6),
        Setting(FIRST.from_day, "street", 5, 6),
        Setting(FIRST.from_day, "street", 4, None),
    ):
        assert not FIRST.has_same_adjusters(other)


@pytest.mark.parametrize(
    "change", [{"from_day": "31.5.2026"}, {"from_day": 5}, {"rebound_clicks": "8"}, {"compression_clicks": True}]
)
def test_garbled_settings_of_a_log_are_refused(change: dict[str, object]) -> None:
    """A log of another program's make must not turn into settings nobody chose."""
    data = make_vehicle().to_dict()
    data["dampers"][0]["settings"] = [FIRST.to_dict() | change]
    with pytest.raises(InputError, match="lacks or garbles"):
        Vehicle.from_dict(data)
