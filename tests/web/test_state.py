"""The word and line by which people judge a damper: thresholds and precedence."""

from __future__ import annotations

import math

import pytest

from dutylog.engine.state import STATE_TEXTS, STATES, damper_state


@pytest.mark.parametrize(
    ("body_c", "state"),
    [
        (-20.0, "ok"),
        (99.9, "ok"),
        (100.0, "warm"),
        (111.9, "warm"),
        (112.0, "hot"),
        (119.9, "hot"),
        (120.0, "over_limit"),
        (300.0, "over_limit"),
        (None, "no_temperature"),
        (math.nan, "no_temperature"),
        (math.inf, "no_temperature"),
    ],
)
def test_temperature_decides_the_state_of_a_healthy_damper(body_c: float | None, state: str) -> None:
    """A crew acts on these edges: 20 K and 8 K below the limit, and the limit itself."""
    assert damper_state(body_c, 120.0, (), has_data=True)[0] == state


@pytest.mark.parametrize("fault", ["travel_open", "travel_stuck"])
def test_heat_outranks_a_failed_travel_sensor(fault: str) -> None:
    """A damper that burns must not hide behind a broken sensor."""
    states = [damper_state(body_c, 120.0, (fault,), has_data=True)[0] for body_c in (50.0, 105.0, 115.0, 125.0)]
    assert states == ["no_travel", "no_travel", "hot", "over_limit"]


def test_an_open_thermocouple_is_not_believed() -> None:
    """An open input may read anything; it must neither alarm nor calm."""
    for body_c in (20.0, 500.0):
        assert damper_state(body_c, 120.0, ("thermocouple_open",), has_data=True)[0] == "no_temperature"


def test_no_data_is_waiting_until_a_fault_says_why() -> None:
    """At start nothing is wrong yet."""
    assert damper_state(None, 120.0, (), has_data=False)[0] == "waiting"
    assert damper_state(None, 120.0, ("gap",), has_data=False)[0] == "no_data"
    assert damper_state(150.0, 120.0, (), has_data=False)[0] == "waiting"


def test_other_faults_do_not_change_the_state() -> None:
    """Spikes and gaps are counted and shown beside it."""
    assert damper_state(50.0, 120.0, ("spike", "gap", "time_order"), has_data=True)[0] == "ok"


def test_every_state_has_one_line_and_none_speaks_to_the_driver() -> None:
    """The driver doesn't read screens."""
    assert set(STATE_TEXTS) == set(STATES)
    for text in STATE_TEXTS.values():
        assert text.strip()
        assert "\n" not in text
        assert "you" not in text.split()
