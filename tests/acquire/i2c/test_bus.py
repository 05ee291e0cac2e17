"""The line to a bus: what its errors mean, in words, whatever their number."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable

import pytest

from dutylog.acquire.i2c.bus import Bus, Smbus, TransferFailed, explain, open_system_smbus
from dutylog.acquire.i2c.chip_models import ModelForeign
from dutylog.acquire.i2c.models import Fault, ModelBus
from dutylog.acquire.i2c.tca9548a import ChipLine, Multiplexers, describe
from dutylog.clock import ManualClock
from dutylog.config.sensors import ChipPlace
from dutylog.errors import SourceLost, WrongDevice


def failing_to_open(number: int) -> Callable[[int], Smbus]:
    """Return an opener that fails as the kernel would."""

    def open_it(bus: int) -> Smbus:
        raise OSError(number, os.strerror(number), f"/dev/i2c-{bus}")

    return open_it


@pytest.fixture
def model() -> ModelBus:
    model = ModelBus(ManualClock(10**9))
    model.attach(ChipPlace(1, 0x48), ModelForeign(0x1234))
    return model


@pytest.fixture
def bus(model: ModelBus) -> Bus:
    bus = Bus(1, model._clock, model.open)
    bus.open()
    return bus


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (errno.ENOENT, "I²C bus 3: /dev/i2c-3 isn't there; enable I²C in /boot/firmware/config.txt: "
                       "dtparam=i2c_arm=on, then restart, and check the bus number"),
        (errno.EACCES, "I²C bus 3: /dev/i2c-3 may not be opened (errno 13, Permission denied); add the user that runs "
                       "dutylog to the group i2c"),
        (errno.ENXIO, "I²C bus 3: /dev/i2c-3 can't be opened (errno 6, No such device or address); enable I²C in "
                      "/boot/firmware/config.txt: dtparam=i2c_arm=on, and check whether the adapter is plugged in"),
    ],
)  # fmt: skip
def test_bus_that_can_not_be_opened_says_what_to_do(number: int, text: str) -> None:
    """It is the first thing that goes wrong on a new board."""
    with pytest.raises(SourceLost) as caught:
        Bus(3, ManualClock(), failing_to_open(number)).open()
    assert str(caught.value) == text


def test_real_opener_finds_no_bus_99() -> None:
    """The library's own error has the shape that is expected of it."""
    with pytest.raises(SourceLost, match=r"/dev/i2c-99 isn't there; enable I²C"):
        Bus(99, ManualClock(), open_system_smbus).open()


def test_closed_bus_is_lost() -> None:
    """Nobody reads from a bus by mistake."""
    with pytest.raises(SourceLost, match="I²C bus 1 isn't open"):
        Bus(1, ManualClock(), failing_to_open(errno.ENOENT)).read_byte(0x48)


def test_words_are_turned(bus: Bus) -> None:
    """SMBus words come low byte first, these chips send the high one first."""
    assert bus.read16(0x48, 0) == 0x1234
    bus.write16(0x48, 1, 0xC3E3)
    assert bus._smbus.history[-1].written == b"\x01\xc3\xe3"  # type: ignore[union-attr]


@pytest.mark.parametrize("number", [errno.ENXIO, errno.EREMOTEIO, errno.ENODEV, errno.EIO, errno.EOPNOTSUPP, 9999])
def test_refusal_is_a_refusal_whatever_its_number(bus: Bus, model: ModelBus, number: int) -> None:
    """Tried twice, counted, told with the number for those who look it up."""
    model.faults.append(Fault("nack", 0x48, number=number))
    with pytest.raises(TransferFailed) as caught:
        bus.read16(0x48, 0)
    assert caught.value.reason == "refused"
    assert str(caught.value) == f"0x48 on I²C bus 1 doesn't answer (errno {int(number)}, {os.strerror(number)})"
    assert (bus.counters["transfers"], bus.counters["refused"], bus.counters["retries"]) == (2, 2, 1)


@pytest.mark.parametrize("number", [errno.ETIMEDOUT, errno.EAGAIN])
def test_time_out_is_one_by_its_kind(bus: Bus, number: int) -> None:
    """Lost arbitration counts as one: another driver on the line, or a line that won't rise."""

    def fail(*_: int) -> int:
        raise OSError(number, os.strerror(number))

    bus._smbus.read_word_data = fail  # type: ignore[union-attr,method-assign]
    with pytest.raises(TransferFailed) as caught:
        bus.read16(0x48, 0)
    assert caught.value.reason == "slow"
    assert (bus.counters["timeouts"], bus.counters["retries"]) == (1, 0)


@pytest.mark.parametrize("number", [errno.EIO, errno.EREMOTEIO, errno.ENXIO])
def test_time_out_is_one_by_how_long_it_took(bus: Bus, model: ModelBus, number: int) -> None:
    """Some adapters report a line that hangs by the number of a missing chip, but only after waiting."""

    def fail(*_: int) -> int:
        model._clock.sleep(0.03)
        raise OSError(number, os.strerror(number))

    bus._smbus.read_word_data = fail  # type: ignore[union-attr,method-assign]
    for _ in range(2):
        with pytest.raises(TransferFailed, match="ran into a time-out"):
            bus.read16(0x48, 0)
    with pytest.raises(SourceLost, match="is stuck: 3 transfers in a row"):
        bus.read16(0x48, 0)


def test_a_refusal_between_time_outs_proves_that_the_lines_move(bus: Bus, model: ModelBus) -> None:
    """Then it is the chips, not the bus."""
    model.faults.append(Fault("timeout", 0x48))
    for _ in range(5):
        with pytest.raises(TransferFailed):
            bus.read16(0x48, 0)
        with pytest.raises(TransferFailed):
            bus.read16(0x50, 0)
    assert bus.counters["stuck"] == 0


def test_zeros_from_free_addresses_show_a_low_line(bus: Bus, model: ModelBus) -> None:
    """One that answers something else, or nobody, shows none."""
    assert not bus.is_held_low([0x48])
    model.faults.append(Fault("held_low"))
    assert bus.is_held_low([0x48])
    assert bus.is_held_low(range(0x10, 0x78))


def test_error_without_a_number_is_told_by_its_text() -> None:
    """Libraries raise such too."""
    assert explain(OSError("odd")) == "odd"
    assert explain(OSError()) == "OSError"


def test_multiplexer_that_keeps_something_else_is_another_chip(bus: Bus, model: ModelBus) -> None:
    """A wrong branch would be another damper's temperature."""
    model.attach(ChipPlace(1, 0x70), ModelForeign(0x0800))
    ways = Multiplexers(bus, [0x70])
    with pytest.raises(WrongDevice) as caught:
        ways.select(0x70, 1)
    assert str(caught.value) == (
        "multiplexer at 0x70 on I²C bus 1 reads 0x08 after 0x02 was written; is it a TCA9548A? check its address "
        "straps and supply"
    )


def test_branch_is_selected_once_and_others_are_cut_off(bus: Bus, model: ModelBus) -> None:
    """40 bits each time it changes, none while it doesn't."""
    for multiplexer in (0x70, 0x71):
        model.attach(ChipPlace(1, 0x60, multiplexer, 3), ModelForeign(multiplexer))
    ways = Multiplexers(bus, [0x70, 0x71])
    lines = [ChipLine(bus, ways, ChipPlace(1, 0x60, multiplexer, 3), "chip") for multiplexer in (0x70, 0x71)]
    assert [lines[0].read16(0), lines[0].read16(0)] == [0x70, 0x70]
    counted = bus.counters["transfers"]
    assert counted == 1 + 2 + 2  # the other cut off, this one written and read back, two words
    assert lines[1].read16(0) == 0x71
    assert (model.multiplexers[0x70].mask, model.multiplexers[0x71].mask) == (0, 8)
    assert bus.counters["transfers"] == counted + 4


def test_place_is_told_for_people() -> None:
    """Address, bus, and the way through the multiplexer."""
    assert describe(ChipPlace(1, 0x67)) == "0x67 on I²C bus 1"
    assert describe(ChipPlace(3, 0x08, 0x71, 0)) == "0x08 on I²C bus 3, branch 0 of multiplexer 0x71"
