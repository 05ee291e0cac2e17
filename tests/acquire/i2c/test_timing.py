"""The budget of a bus: bits of transfers, the rate of travel it reaches, what is refused."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from acquire.i2c.rig import LEFT, RIGHT, SLOW, THERMOCOUPLES, Rig
from dutylog.acquire.i2c import timing
from dutylog.config.sensors import AdcInput, AdcSettings, ChipPlace, ThermocoupleSettings
from dutylog.errors import InputError


def test_transfers_have_the_bits_of_their_bytes() -> None:
    """Nine a byte, a start, a stop, and a second start where a register is read."""
    assert (timing.WRITE16, timing.READ16, timing.WRITE8, timing.READ8) == (38, 48, 29, 39)
    assert (timing.WRITE_BYTE, timing.READ_BYTE) == (20, 20)


@pytest.mark.parametrize(
    ("inputs", "thermocouples", "rate_hz"),
    [(1, 0, 200), (1, 4, 125), (2, 0, 125), (2, 4, 100), (3, 4, 50), (4, 8, 50)],
)
def test_rate_of_travel_is_what_the_bus_has_time_for(inputs: int, thermocouples: int, rate_hz: int) -> None:
    """One ADS1115 and thermocouples on the trunk. The table of shared/I2C.md."""
    travel = tuple(AdcInput(n, "travel", f"p{n}") for n in range(inputs))
    probes = tuple(ThermocoupleSettings("front", ChipPlace(1, 0x60 + n)) for n in range(thermocouples))
    rig = Rig(probes, (AdcSettings(ChipPlace(1, 0x48), "ADS1115", 4.096, travel),))
    assert rig.driver.budget.rate_hz == rate_hz
    assert rig.driver.budget.busy_ratio < 0.6


def test_planned_round_is_at_least_as_long_as_the_models_take() -> None:
    """Models have no kernel and a converter as fast as its data sheet: the plan has both on top, and no more."""
    rig = Rig(adcs=(LEFT, RIGHT)).start(1)
    began_ns = rig.clock.mono_ns()
    for _ in range(20):
        rig.driver._take_round()
    took_s = (rig.clock.mono_ns() - began_ns) / 1e9 / 20
    assert took_s <= rig.driver.budget.round_s <= took_s + 0.0015


def test_planned_load_is_what_the_wires_carry() -> None:
    """Counted on the models: bits sent against bits planned, to a twentieth."""
    rig = Rig(adcs=(LEFT, SLOW)).start(2)
    kinds = {(1, False): 20, (2, False): 29, (3, False): 38, (0, True): 20, (1, True): 39}
    rig.bus.history.clear()
    rig.run(10)
    bits = 0
    for each in rig.bus.history:
        if each.answer is None:
            bits += kinds[len(each.written), False]
        else:
            bits += 48 if len(each.answer) == 2 else kinds[len(each.written), True]
    assert bits / 100_000 / 10 == pytest.approx(rig.driver.budget.busy_ratio, rel=0.05)


def test_models_reach_the_planned_rate_without_a_missed_slot() -> None:
    """Four dampers' travel, four thermocouples behind a multiplexer, a supply, a pressure and the battery."""
    rig = Rig(THERMOCOUPLES, (LEFT, RIGHT, SLOW)).start(1)
    rig.run(30)
    assert rig.count("travel_slots_missed") == 0
    assert rig.count("slow_slots_missed") == 0
    assert rig.count("slow_readings_late") == 0


def test_more_than_a_bus_has_time_for_is_refused_with_what_to_do() -> None:
    """Sixteen inputs and twenty thermocouples."""
    travel = tuple(AdcInput(n, "travel", f"p{n}") for n in range(4))
    adcs = tuple(AdcSettings(ChipPlace(1, 0x48 + n), "ADS1115", 4.096, travel) for n in range(4))
    many = tuple(ThermocoupleSettings("front", ChipPlace(1, 0x60, 0x70, n)) for n in range(8))
    many += tuple(ThermocoupleSettings("front", ChipPlace(1, 0x61, 0x70, n)) for n in range(8))
    with pytest.raises(InputError) as caught:
        Rig(many, adcs)
    assert str(caught.value) == (
        "16 travel inputs and 20 slow readings are more than one I²C bus at 100 kHz has time for; use a second bus, "
        "or the bridge for travel"
    )


def test_bus_without_travel_has_no_rate() -> None:
    """Temperatures alone: eight of them keep the wires busy for a sixth of the time."""
    rig = Rig(tuple(ThermocoupleSettings("front", ChipPlace(1, 0x60 + n)) for n in range(8)))
    assert rig.driver.budget.rate_hz == 0
    assert 0.1 < rig.driver.budget.busy_ratio < 0.25


PAGE = Path(__file__).parents[3] / "shared" / "I2C.md"
ROW = re.compile(r"^\| (\d) travel(, reference)? \| (\d) \| (\d+) Hz \| (\d+) % \|$", re.MULTILINE)


def test_table_of_rates_in_the_page_is_what_the_code_plans() -> None:
    """People choose their wiring by it."""
    rows = ROW.findall(PAGE.read_text(encoding="utf-8"))
    assert len(rows) == 7
    for inputs, reference, thermocouples, rate_hz, busy in rows:
        travel = tuple(AdcInput(n, "travel", f"p{n}") for n in range(int(inputs)))
        travel += (AdcInput(3, "reference"),) if reference else ()
        probes = tuple(ThermocoupleSettings("front", ChipPlace(1, 0x60 + n)) for n in range(int(thermocouples)))
        budget = Rig(probes, (AdcSettings(ChipPlace(1, 0x48), "ADS1115", 4.096, travel),)).driver.budget
        assert (budget.rate_hz, round(budget.busy_ratio * 100)) == (int(rate_hz), int(busy))


def test_page_names_every_counter() -> None:
    """A number nobody explains helps nobody."""
    text = PAGE.read_text(encoding="utf-8")
    assert [name for name in Rig().driver.state().counters if f"`{name}`" not in text] == []
