"""The driver of a bus: plans, grids, what is missing when, opening and closing."""

from __future__ import annotations

import errno
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.i2c.rig import FRONT, LEFT, LEFT_ADC, REAR, RIGHT, RIGHT_ADC, SLOW, THERMOCOUPLES, Rig
from dutylog.acquire.driver import Driver
from dutylog.acquire.i2c.driver import COUNTED, I2cDriver
from dutylog.acquire.i2c.slots import Slots
from dutylog.clock import ManualClock
from dutylog.config.sensors import AdcInput, AdcSettings, ChipPlace, ThermocoupleSettings
from dutylog.errors import InputError, SourceLost
from dutylog.recording.block import Channel


def test_plans_say_what_comes() -> None:
    """One of travel for each converter, so that one that fails leaves the other's; then temperatures, then the rest."""
    driver: Driver = Rig(adcs=(LEFT, RIGHT, SLOW)).driver
    assert (driver.name, driver.is_clocked) == ("i2c-1", False)
    assert [(plan.name, plan.dtype, plan.period_fs) for plan in driver.plans] == [
        ("travel_1", "i2", 8 * 10**12),
        ("travel_2", "i2", 8 * 10**12),
        ("temperatures", "f4", 10**14),
        ("slow", "f4", 10**14),
    ]
    assert driver.plans[2].channels == (
        Channel("front", "body_temperature", "c"),
        Channel("rear", "body_temperature", "c"),
        Channel("", "ambient_temperature", "c"),
    )
    assert driver.plans[3].channels == (
        Channel("front", "reservoir_pressure", "pa"),
        Channel("", "battery_voltage", "v"),
    )
    assert [(each.name, each.unit) for plan in driver.plans[:2] for each in plan.channels] == [
        ("front", "count"),
        ("rear", "count"),
    ]


def test_rows_lie_on_the_grid_counted_from_the_instant_given() -> None:
    """Row i is at t0 + i periods, whenever its run was handed on."""
    rig = Rig(adcs=(LEFT, RIGHT, SLOW)).start(3)
    for run in rig.runs:
        plan = rig.driver.plans[run.plan]
        assert run.t0_ns == rig.t0_ns + run.index * plan.period_fs // 1_000_000
        assert run.period_fs == plan.period_fs
        assert run.data.dtype == np.dtype(plan.dtype)
        assert run.data.shape[1] == len(plan.channels)
    for name in ("travel_1", "travel_2", "temperatures", "slow"):
        indices = rig.indices(name)
        assert indices == list(range(indices[0], indices[-1] + 1))


def test_travel_is_a_share_of_its_supply_or_of_the_range() -> None:
    """2 V of 5 V, and 1.024 V of 4.096 V in twelve bits."""
    rig = Rig(adcs=(LEFT, RIGHT)).start(1)
    assert rig.last("travel_1") == [pytest.approx(0.4 * 32767, abs=1)]
    assert rig.last("travel_2") == [8192]


def test_travel_is_sampled_when_its_channel_says() -> None:
    """offset_ns tells how far behind its slot a conversion is half done; a moving shaft shows whether that is so."""
    two = AdcSettings(LEFT_ADC, "ADS1115", 4.096, (AdcInput(0, "travel", "front"), AdcInput(1, "travel", "rear")))
    rig = Rig((), (two,))
    for number in (0, 1):
        rig.adc().volts[number] = lambda at_s: (at_s - 50) * 1.0
    rig.start(2)
    (plan,) = rig.driver.plans
    for run in rig.runs:
        for row in range(len(run.data)):
            for column, channel in enumerate(plan.channels):
                at_s = (run.t0_ns + row * run.period_fs // 10**6 + channel.offset_ns) / 1e9 - 50
                # 0.6 ms: the models have no kernel (0.1 ms a transfer is planned) and convert in the nominal time.
                assert run.data[row, column] / 32768 * 4.096 == pytest.approx(at_s, abs=0.6e-3)


def test_slots_that_were_missed_are_a_jump_and_never_come_bunched() -> None:
    """The program was held up for 0.35 s: those rows are gone, the next lie where they belong."""
    rig = Rig(adcs=(RIGHT,)).start(1)
    before = rig.indices("travel")[-1]
    rig.clock.advance(0.35)
    rig.runs.clear()
    rig.run(1)
    after = rig.indices("travel")
    rate_hz = rig.driver.budget.rate_hz
    assert after[0] - before == pytest.approx(0.35 * rate_hz, abs=2)
    assert after == list(range(after[0], after[-1] + 1))
    assert rig.runs[0].quality == 2
    assert rig.count("travel_slots_missed") == after[0] - before - 1
    assert rig.count("slow_slots_missed") >= 3


def test_slow_bus_leaves_rows_out_and_says_so() -> None:
    """At a tenth of the bus's speed travel can't be had, but temperatures still come."""
    rig = Rig(adcs=(LEFT,), bus_hz=10_000).start(5)
    assert rig.count("travel_slots_missed") > 100
    indices = rig.indices("travel")
    assert indices == sorted(set(indices))
    assert len(rig.indices("temperatures")) > 20
    assert np.isfinite(rig.column("temperatures", 0)[-20:]).sum() > 5


def test_one_converter_that_fails_leaves_the_travel_of_the_other() -> None:
    """A row is whole or missing; a value that wasn't measured is never repeated."""
    rig = Rig(adcs=(LEFT, RIGHT)).start(1)
    rig.fault(trouble="nack", address=0x48)
    rig.true_v["front", "travel"] = 4.0
    rig.runs.clear()
    rig.run(2)
    assert not [run for run in rig.runs if run.plan == 0]
    indices = rig.indices("travel_2")
    assert len(indices) == indices[-1] - indices[0] + 1 > 150
    assert rig.count("travel_rows_left_out") > 150
    rig.bus.faults.clear()
    rig.run(6)
    assert rig.last("travel_1") == [pytest.approx(0.8 * 32767, abs=1)]


def test_row_with_one_failed_input_is_left_out_whole() -> None:
    """Integers have no NaN."""
    two = AdcSettings(LEFT_ADC, "ADS1115", 4.096, (AdcInput(0, "travel", "front"), AdcInput(1, "travel", "rear")))
    rig = Rig((), (two,)).start(1)
    rows = len(rig.indices("travel"))
    first = rig.bus.transfers + 4  # in the middle of a row
    rig.fault(trouble="nack", address=0x48, first=first, last=first + 1)
    rig.run(1)
    indices = rig.indices("travel")
    missing = set(range(indices[0], indices[-1] + 1)) - set(indices)
    assert 1 <= len(missing) <= 30
    assert len(indices) > rows
    assert all(run.data.shape[1] == 2 for run in rig.runs)


def test_supply_that_was_not_read_for_long_gives_no_travel() -> None:
    """An old supply may be a wrong one."""
    rig = Rig((), (LEFT,)).start(1)
    before = len(rig.indices("travel"))
    adc = rig.driver.adcs[0]
    rig.driver._slow = [slow for slow in rig.driver._slow if slow.read != adc.read_reference]
    rig.run(3)
    assert (len(rig.indices("travel")) - before) / rig.driver.budget.rate_hz == pytest.approx(0.5, abs=0.15)


def test_reading_ends_about_when_asked_to() -> None:
    """The thread looks after its stop in between; a transfer under way is waited for."""
    rig = Rig(adcs=(LEFT, RIGHT, SLOW)).start()
    for limit_s in (0.0, 0.01, 0.1, 0.5):
        began_ns = rig.clock.mono_ns()
        rig.driver.read(limit_s)
        assert (rig.clock.mono_ns() - began_ns) / 1e9 == pytest.approx(limit_s, abs=0.02)


def test_open_again_goes_on_on_the_same_grid() -> None:
    """What lies between is missing, nothing is counted from zero."""
    rig = Rig(adcs=(RIGHT,)).start(2)
    rig.driver.close()
    rig.clock.advance(1.0)
    rig.runs.clear()
    rig.driver.open(rig.t0_ns)
    rig.run(2)
    first = rig.runs[0]
    assert first.index >= 3 * rig.driver.budget.rate_hz
    assert first.t0_ns == rig.t0_ns + first.index * first.period_fs // 10**6


def test_close_twice_and_read_when_closed() -> None:
    """`close` never raises; a read without a bus is a lost source."""
    rig = Rig().start(0.5)
    rig.driver.close()
    rig.driver.close()
    assert not rig.bus.is_open
    with pytest.raises(SourceLost, match="i2c-1 isn't open"):
        rig.driver.read(0.1)


def test_close_swallows_what_the_library_raises() -> None:
    """A device that is gone may fail to close."""
    rig = Rig().start(0.5)

    def fail() -> None:
        raise OSError(errno.EBADF, "gone")

    rig.bus.close = fail  # type: ignore[method-assign]
    rig.driver.close()


def test_rows_before_a_loss_are_handed_on_first() -> None:
    """They were measured."""
    rig = Rig(adcs=(RIGHT,)).start(1)
    rig.fault(trouble="held_low", from_s=rig.clock.mono_ns() / 1e9 + 0.05)
    rows = rig.driver.read(5.0)
    assert rows
    with pytest.raises(SourceLost, match="held low"):
        rig.driver.read(0.1)


def test_temperature_follows_the_truth() -> None:
    """A body that warms by 0.5 K/s is read with the lag of filter and conversion: under 0.3 s."""
    rig = Rig((THERMOCOUPLES[0],))
    rig.thermocouple().hot_c = lambda at_s: 60.0 + 0.5 * (at_s - 50)
    rig.start(20)
    value = rig.last("temperatures")[0]
    assert value == pytest.approx(60.0 + 0.5 * 20, abs=0.15 + 0.0625)


def test_real_jump_of_temperature_is_believed() -> None:
    """A probe dipped into boiling water changes by more than any body does, and stays there.

    Where a conversion ends just between the two looks, one reading is not believed; the next one is.
    """
    for later_ms in range(0, 80, 5):
        rig = Rig((THERMOCOUPLES[0],)).start(2)
        rig.clock.advance(later_ms / 1000)
        rig.true_c["front"] = 20.0
        rig.run(3)
        assert rig.last("temperatures") == [20.0]
        assert rig.count("bad_data") <= 1
        assert rig.channel("front").word == "working"


def test_branches_are_selected_anew_when_the_bus_is_opened() -> None:
    """The sensors' supply may have been off meanwhile."""
    rig = Rig((THERMOCOUPLES[1],)).start(1)
    rig.driver.close()
    rig.bus.lose_power()
    rig.driver.open(rig.t0_ns)
    rig.run(1)
    assert rig.last("temperatures") == [-12.5]
    assert rig.count("back_offs") == 0


def test_states_wait_until_something_came() -> None:
    """Before the first reading nothing is known."""
    rig = Rig(adcs=(LEFT,))
    assert {each.word for each in rig.driver.state().channels} == {"waiting"}
    assert rig.driver.state().word == "waiting"
    assert rig.driver.state().text == ""
    assert set(rig.driver.state().counters) == {"transfers", "refused", "timeouts", "retries", "stuck", *COUNTED}


def test_counters_go_on_over_a_new_start_of_the_bus() -> None:
    """They are totals of the program."""
    rig = Rig().start(1)
    before = rig.count("transfers")
    rig.driver.close()
    rig.driver.open(rig.t0_ns)
    rig.run(1)
    assert rig.count("transfers") > before + 50
    assert rig.count("set_ups") == 6


def test_one_refusal_is_tried_again_at_once() -> None:
    """The thermocouple converter stretches the clock and may refuse once; no row lacks a value for it."""
    rig = Rig().start(2)
    rig.runs.clear()
    first = rig.bus.transfers + 1
    for n in range(first, first + 60, 3):
        rig.fault(trouble="nack", first=n, last=n)
    rig.run(2)
    assert np.isfinite(rig.column("temperatures", 0)).all()
    assert rig.count("retries") == 20
    assert rig.count("back_offs") == 0


def test_two_multiplexers_with_the_same_address_behind_them() -> None:
    """Only one branch of all is connected at a time, or two chips would answer at once."""
    places = [ChipPlace(1, 0x60, multiplexer, branch) for multiplexer in (0x70, 0x71) for branch in (0, 7)]
    positions = ["a", "b", "c", "d"]
    truth = dict(zip(positions, (20.0, 30.0, 40.0, 50.0), strict=True))
    rig = Rig(tuple(ThermocoupleSettings(*pair) for pair in zip(positions, places, strict=True)), true_c=truth).start(2)
    assert rig.last("temperatures") == [20.0, 30.0, 40.0, 50.0]


def adc_with(*inputs: AdcInput, chip: str = "ADS1115", range_v: float = 4.096) -> tuple[AdcSettings, ...]:
    """Return one converter."""
    return (AdcSettings(LEFT_ADC, chip, range_v, inputs),)


def probes_at(*places: ChipPlace, kind: str = "K") -> tuple[ThermocoupleSettings, ...]:
    """Return thermocouples."""
    return tuple(ThermocoupleSettings(f"p{n}", place, kind) for n, place in enumerate(places))


@pytest.mark.parametrize(
    ("thermocouples", "adcs", "text"),
    [
        (probes_at(FRONT, FRONT), (), "more than one chip at 0x60"),
        (probes_at(ChipPlace(2, 0x60)), (), "isn't on I²C bus 1"),
        (probes_at(ChipPlace(1, 0x78)), (), "addresses are 0x08 to 0x77"),
        (probes_at(ChipPlace(1, 0x60, 0x70)), (), "go together"),
        (probes_at(ChipPlace(1, 0x60, 0x70, 8)), (), "go together"),
        (probes_at(REAR, ChipPlace(1, 0x70)), (), "address of a multiplexer"),
        (probes_at(REAR, ChipPlace(1, 0x67)), (), "the same address"),
        (probes_at(FRONT, kind="X"), (), "no type 'X'"),
        ((), adc_with(chip="ADS9999"), "no such converter, known are ADS1115, ADS1015"),
        ((), adc_with(range_v=5.0), "range 5.0 V"),
        ((), adc_with(AdcInput(4, "travel", "a")), "each of 0 to 3 may stand once"),
        ((), adc_with(AdcInput(0, "travel", "a"), AdcInput(0, "travel", "b")), "each of 0 to 3 may stand once"),
        ((), adc_with(AdcInput(0, "speed")), "can't read 'speed'"),
        ((), adc_with(AdcInput(0, "battery_voltage")), "needs a scale"),
        ((), adc_with(AdcInput(0, "battery_voltage", "", ((1.0, 0.0), (1.0, 2.0)))), "needs a scale"),
        ((), adc_with(AdcInput(0, "reference"), AdcInput(1, "reference")), "more than one input reads"),
    ],
)
def test_settings_that_can_not_be_meant_are_refused(
    thermocouples: tuple[ThermocoupleSettings, ...], adcs: tuple[AdcSettings, ...], text: str
) -> None:
    """The vehicle file is checked before; this is the last door."""
    with pytest.raises(InputError, match=text.replace("(", r"\(")):
        I2cDriver(1, thermocouples, adcs, ManualClock())


@settings(max_examples=60, deadline=None)
@given(stalls_s=st.lists(st.floats(0, 0.4), max_size=12))
def test_whatever_holds_the_program_up_rows_stay_on_their_grid(stalls_s: list[float]) -> None:
    """Indices only rise, times fit indices, and the value of a row was measured within a quarter of a slot of it."""
    rig = Rig((THERMOCOUPLES[0],), (RIGHT,))
    rig.adc(RIGHT_ADC).volts[1] = lambda at_s: (at_s - 50) * 0.1
    rig.start()
    for stall_s in stalls_s:
        rig.run(0.1)
        rig.clock.advance(stall_s)
    rig.run(0.3)
    for name in ("travel", "temperatures"):
        indices = rig.indices(name)
        assert all(b > a for a, b in pairwise(indices))
    period_s = 1 / rig.driver.budget.rate_hz
    for run in (run for run in rig.runs if run.plan == 0):
        at_s = (run.t0_ns / 1e9 - 50) + np.arange(len(run.data)) * period_s
        late_s = run.data[:, 0] / 32768 * 4.096 / 0.1 - at_s
        # A step of the converter is 2 mV, here 20 ms: what is left is the quarter of a slot and the conversion.
        assert late_s.min() > -0.011
        assert late_s.max() < 0.011 + period_s / 4 + 0.002


@settings(max_examples=200, deadline=None)
@given(
    period_ms=st.sampled_from([5, 8, 10, 20, 100]),
    late_ratio=st.sampled_from([0.25, 0.5]),
    steps_us=st.lists(st.integers(0, 300_000), min_size=1, max_size=40),
)
def test_slots_are_taken_once_and_counted(period_ms: int, late_ratio: float, steps_us: list[int]) -> None:
    """Taken and missed together are all there were."""
    period_fs = period_ms * 10**12
    now_ns = 7_000_000
    slots = Slots(0, period_fs, int(period_ms * 1e6 * late_ratio), now_ns)
    first = math.floor(now_ns / (period_ms * 1e6)) + 1
    taken = []
    for step_us in steps_us:
        now_ns += step_us * 1000
        while now_ns >= slots.due_ns():
            index = slots.take(now_ns)
            if index is not None:
                taken.append(index)
                assert 0 <= now_ns - slots.time_ns(index) <= period_ms * 1e6 * late_ratio
    assert taken == sorted(set(taken))
    seen = math.floor(now_ns / (period_ms * 1e6)) - first + 1
    assert len(taken) + slots.missed_count == max(0, seen)
