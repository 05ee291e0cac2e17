"""The contract of chips over real ones.

HARDWARE_I2C_BUS=1 names the bus; HARDWARE_I2C_THERMOCOUPLE=0x67, HARDWARE_I2C_ADC=0x48 and
HARDWARE_I2C_MULTIPLEXER=0x70 what is on it, chips directly on the bus; HARDWARE_I2C_ADC_KIND=ADS1015 where it isn't
an ADS1115. The chips are set up anew, so stop dutylog before. Two runs on one bus are kept apart by a lock.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.i2c.contract import Bench, ChipContract
from dutylog.acquire.i2c.bus import Bus
from dutylog.acquire.i2c.driver import I2cDriver
from dutylog.clock import SystemClock
from dutylog.config.sensors import AdcInput, AdcSettings, ChipPlace, ThermocoupleSettings

BUS = os.environ.get("HARDWARE_I2C_BUS", "")
pytestmark = [
    pytest.mark.hardware,
    pytest.mark.skipif(not BUS, reason="HARDWARE_I2C_BUS names no bus"),
]


def address_in(name: str) -> int | None:
    """Return the address that a variable of the environment names."""
    text = os.environ.get(f"HARDWARE_I2C_{name}", "")
    return int(text, 0) if text else None


@pytest.fixture
def bench() -> Iterator[Bench]:
    clock, number = SystemClock(), int(BUS)
    with (Path(tempfile.gettempdir()) / f"dutylog-i2c-{number}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        bus = Bus(number, clock)
        bus.open()
        try:
            thermocouple, adc = address_in("THERMOCOUPLE"), address_in("ADC")
            yield Bench(
                bus,
                clock,
                None if thermocouple is None else ChipPlace(number, thermocouple),
                None if adc is None else ChipPlace(number, adc),
                os.environ.get("HARDWARE_I2C_ADC_KIND", "ADS1115"),
                4.096,
                address_in("MULTIPLEXER"),
                0x0B,
            )
        finally:
            bus.close()


@pytest.mark.parametrize("check", ChipContract().checks())
def test_real_chips_keep_the_contract(bench: Bench, check: str) -> None:
    """Where this fails and the models pass, the models are wrong."""
    if not getattr(ChipContract(), check)(bench):
        pytest.skip("no such chip is named")


def test_driver_reads_and_finds_no_failure(bench: Bench) -> None:
    """Ten seconds of readings, then a look as `dutylog check` does it; printed for the person at the bench."""
    if bench.thermocouple is None and bench.adc is None:
        pytest.skip("no chip is named")
    bench.bus.close()
    thermocouples = () if bench.thermocouple is None else (ThermocoupleSettings("front", bench.thermocouple),)
    inputs = (AdcInput(0, "travel", "front"),)
    adcs = () if bench.adc is None else (AdcSettings(bench.adc, bench.adc_kind, bench.range_v, inputs),)
    clock = SystemClock()
    driver = I2cDriver(int(BUS), thermocouples, adcs, clock)
    driver.open(clock.mono_ns())
    try:
        rows = [0] * len(driver.plans)
        for _ in range(100):
            for run in driver.read(0.1):
                rows[run.plan] += len(run.data)
        findings = driver.probe()
    finally:
        driver.close()
    print(rows, driver.budget, driver.state(), *findings, sep="\n")
    assert all(count >= 0.95 * 10 * 1e15 / plan.period_fs for count, plan in zip(rows, driver.plans, strict=True))
    assert not [each for each in findings if each.verdict == "fail"]
