"""The models themselves: they are believed by every other test here."""

from __future__ import annotations

import errno
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.acquire.i2c import ads1x15, mcp960x
from dutylog.acquire.i2c.chip_models import ModelAds1x15, ModelForeign, ModelMcp960x
from dutylog.acquire.i2c.models import Fault, ModelBus
from dutylog.acquire.thermocouple import compute_emf_mv, compute_hot_c
from dutylog.clock import ManualClock
from dutylog.config.sensors import ChipPlace


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(10**9)


@pytest.fixture
def bus(clock: ManualClock) -> ModelBus:
    return ModelBus(clock).open(1)


def word(bus: ModelBus, address: int, register: int) -> int:
    return int.from_bytes(bytes(bus.read_i2c_block_data(address, register, 2)), "big")


def test_transfers_take_the_time_of_their_bits(bus: ModelBus, clock: ManualClock) -> None:
    """At 100 kHz a word read is 0.48 ms."""
    bus.attach(ChipPlace(1, 0x48), ModelForeign(0xABCD))
    times = []
    for call in (
        lambda: bus.read_word_data(0x48, 0), lambda: bus.write_word_data(0x48, 0, 1),
        lambda: bus.read_byte_data(0x48, 0), lambda: bus.write_byte_data(0x48, 0, 1),
        lambda: bus.read_byte(0x48), lambda: bus.write_byte(0x48, 1),
        lambda: bus.read_i2c_block_data(0x48, 0, 2), lambda: bus.write_i2c_block_data(0x48, 0, [1, 2]),
    ):  # fmt: skip
        began_ns = clock.mono_ns()
        call()
        times.append((clock.mono_ns() - began_ns) // 1000)
    assert times == [480, 380, 390, 290, 200, 200, 480, 380]


def test_words_come_low_byte_first_and_blocks_in_order(bus: ModelBus) -> None:
    """As smbus2 does it."""
    bus.attach(ChipPlace(1, 0x48), ModelForeign(0xABCD))
    assert bus.read_word_data(0x48, 0) == 0xCDAB
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0xAB, 0xCD]


def test_nobody_acknowledges_an_empty_address(bus: ModelBus) -> None:
    """With the number a Raspberry Pi gives."""
    with pytest.raises(OSError, match="Remote I/O error") as caught:
        bus.read_byte(0x48)
    assert caught.value.errno == errno.EREMOTEIO
    assert bus.history[-1].error == errno.EREMOTEIO


def test_bus_that_is_closed_or_gone_fails() -> None:
    """As a file that was closed."""
    bus = ModelBus(ManualClock())
    with pytest.raises(OSError, match="No such device"):
        bus.read_byte(0x48)
    with pytest.raises(FileNotFoundError):
        bus.open(2)


def test_chips_are_heard_through_their_branch_only(bus: ModelBus) -> None:
    """Two branches connected at once: a zero wins, bit by bit."""
    bus.attach(ChipPlace(1, 0x60, 0x70, 0), ModelForeign(0x0F0F))
    bus.attach(ChipPlace(1, 0x60, 0x70, 3), ModelForeign(0x33FF))
    assert bus.read_byte(0x70) == 0
    with pytest.raises(OSError, match="Remote"):
        bus.read_byte(0x60)
    seen = []
    for mask in (0x01, 0x08, 0x09):
        bus.write_byte(0x70, mask)
        assert bus.read_byte(0x70) == mask
        seen.append(word(bus, 0x60, 0))
    assert seen == [0x0F0F, 0x33FF, 0x030F]
    bus.lose_power()
    assert bus.read_byte(0x70) == 0


def test_faults_come_and_go_by_number_and_by_time(bus: ModelBus, clock: ManualClock) -> None:
    """The script of a fault is exact."""
    bus.attach(ChipPlace(1, 0x48), ModelForeign(0xABCD))
    bus.faults += [
        Fault("nack", 0x48, first=2, last=2),
        Fault("flip", 0x48, first=3, last=3, bit=15),
        Fault("held_low", from_s=2.0, to_s=2.1),
        Fault("timeout", 0x48, from_s=3.0, to_s=3.1),
    ]
    assert word(bus, 0x48, 0) == 0xABCD
    with pytest.raises(OSError, match="Remote"):
        word(bus, 0x48, 0)
    assert word(bus, 0x48, 0) == 0x2BCD
    clock.advance(1.0)
    assert word(bus, 0x48, 0) == 0x0000
    assert bus.read_byte(0x11) == 0
    clock.advance(1.0)
    began_ns = clock.mono_ns()
    with pytest.raises(TimeoutError):
        word(bus, 0x48, 0)
    assert clock.mono_ns() - began_ns == 10**9
    assert word(bus, 0x48, 0) == 0xABCD
    assert [each.error for each in bus.history] == [None, errno.EREMOTEIO, None, None, None, errno.ETIMEDOUT, None]


def test_things_happen_at_a_transfer_or_at_a_time(bus: ModelBus, clock: ManualClock) -> None:
    """Chips swapped, pulled, switched off, by script; each once."""
    place = ChipPlace(1, 0x48)
    bus.attach(place, ModelForeign(1))
    bus.schedule(lambda: bus.attach(place, ModelForeign(2)), at_transfer=2)
    bus.schedule(lambda: bus.attach(place, ModelForeign(3)), at_s=1.5)
    assert [word(bus, 0x48, 0), word(bus, 0x48, 0), word(bus, 0x48, 0)] == [1, 2, 2]
    clock.advance(0.5)
    assert [word(bus, 0x48, 0), word(bus, 0x48, 0)] == [3, 3]


def test_analogue_converter_needs_its_time(bus: ModelBus, clock: ManualClock) -> None:
    """Busy for 1/860 s, the old result until then; the voltage is that of the middle."""
    bus.attach(ChipPlace(1, 0x48), ModelAds1x15(clock, {0: lambda at_s: (at_s - 1.0) * 100}))
    assert [word(bus, 0x48, n) for n in range(4)] == [0, 0x8583, 0x8000, 0x7FFF]
    bus.write_word_data(0x48, 1, 0xE3C3)  # 0xC3E3: input 0, 4.096 V, 860 a second
    began_s = clock.mono_ns() / 1e9
    assert word(bus, 0x48, 1) == 0x43E3
    assert word(bus, 0x48, 0) == 0
    clock.advance(0.001)
    assert word(bus, 0x48, 1) == 0xC3E3
    volts = ads1x15.compute_volts(ads1x15.decode_counts(word(bus, 0x48, 0)), 4.096)
    assert volts == pytest.approx((began_s - 1.0 + 0.5 / 860) * 100, abs=1.3e-4)


def test_analogue_converter_measures_differences_and_goes_on_by_itself(bus: ModelBus, clock: ManualClock) -> None:
    """Input pairs, and continuous mode."""
    bus.attach(ChipPlace(1, 0x48), ModelAds1x15(clock, {0: lambda _: 1.0, 1: lambda _: 1.5, 3: lambda at_s: at_s / 10}))
    bus.write_i2c_block_data(0x48, 1, [0x83, 0xE3])  # AIN0 - AIN1, 4.096 V
    clock.advance(0.01)
    assert ads1x15.decode_counts(word(bus, 0x48, 0)) == -4000
    bus.write_i2c_block_data(0x48, 1, [0x72, 0xE3])  # AIN3 against ground, continuous
    first = word(bus, 0x48, 0)
    clock.advance(1.0)
    assert word(bus, 0x48, 0) - first == pytest.approx(0.1 / 4.096 * 32768, abs=3)


def test_thermocouple_converter_converts_filters_and_says_so(bus: ModelBus, clock: ManualClock) -> None:
    """Set to 16 bits a conversion takes 80 ms; filter 2 closes two fifths of a step each."""
    truth = {"c": 100.0}
    bus.attach(ChipPlace(1, 0x60), ModelMcp960x(clock, lambda _: truth["c"], lambda _: -5.0))
    assert word(bus, 0x60, mcp960x.DEVICE_ID) >> 8 == 0x41
    bus.write_byte_data(0x60, mcp960x.SENSOR_CONFIG, 0x02)
    bus.write_byte_data(0x60, mcp960x.DEVICE_CONFIG, 0x20)
    assert bus.read_byte_data(0x60, mcp960x.STATUS) == 0
    clock.advance(0.08)
    assert bus.read_byte_data(0x60, mcp960x.STATUS) == mcp960x.UPDATED
    bus.write_byte_data(0x60, mcp960x.STATUS, 0)
    assert bus.read_byte_data(0x60, mcp960x.STATUS) == 0
    assert mcp960x.decode_temperature_c(word(bus, 0x60, mcp960x.HOT)) == 100.0
    assert mcp960x.decode_temperature_c(word(bus, 0x60, mcp960x.COLD)) == -5.0
    truth["c"] = 200.0
    seen = []
    for _ in range(3):
        clock.advance(0.08)
        seen.append(mcp960x.decode_temperature_c(word(bus, 0x60, mcp960x.HOT)))
    assert seen == [140.0, 164.0, pytest.approx(178.4, abs=1 / 32)]


def test_open_and_shorted_thermocouples_set_their_bits(bus: ModelBus, clock: ManualClock) -> None:
    """Both read the cold junction; only the newer part tells them apart."""
    chips = [ModelMcp960x(clock, lambda _: 100.0, identity=identity) for identity in (0x40, 0x41)]
    for address, chip in zip((0x60, 0x61), chips, strict=True):
        bus.attach(ChipPlace(1, address), chip)
    seen = []
    for is_open, is_short in ((False, False), (True, False), (False, True)):
        for chip in chips:
            chip.is_open, chip.is_short = is_open, is_short
        clock.advance(1.0)
        seen += [bus.read_byte_data(address, mcp960x.STATUS) for address in (0x60, 0x61)]
    assert seen == [0x40, 0x40, 0x50, 0x50, 0x40, 0x60]
    assert mcp960x.decode_temperature_c(word(bus, 0x60, mcp960x.HOT)) == 25.0


@given(hot_c=st.floats(-40, 350), cold_c=st.floats(-20, 60), wire=st.sampled_from("KTJNE"), to=st.sampled_from("KTJNE"))
def test_converter_set_to_another_type_reads_what_physics_says(hot_c: float, cold_c: float, wire: str, to: str) -> None:
    """Its voltage is the wire's, its answer the set type's."""
    clock = ManualClock()
    chip = ModelMcp960x(clock, lambda _: hot_c, lambda _: cold_c, wire=wire)
    chip.write(bytes([mcp960x.SENSOR_CONFIG, mcp960x.encode_sensor_config(to, 0)]))
    clock.advance(1.0)
    chip.write(bytes([mcp960x.HOT]))
    seen_c = mcp960x.decode_temperature_c(int.from_bytes(chip.read(2), "big"))
    emf_mv = compute_emf_mv(wire, hot_c) - compute_emf_mv(wire, cold_c)
    expected_c = float(compute_hot_c(to, emf_mv, cold_c))
    if not math.isnan(expected_c):
        assert seen_c == pytest.approx(expected_c, abs=1 / 32 + 1e-6)
    else:
        assert seen_c == pytest.approx(cold_c, abs=1 / 32 + 1e-6)


@given(config=st.integers(0, 0xFFFF), low=st.integers(0, 0xFFFF), high=st.integers(0, 0xFFFF))
def test_registers_keep_what_is_written(config: int, low: int, high: int) -> None:
    """All but the bit that starts; the 12-bit chip fixes the last four of its thresholds."""
    for kind, mask in (("ADS1115", 0xFFFF), ("ADS1015", 0xFFF0)):
        clock = ManualClock(10**9)
        chip = ModelAds1x15(clock, {}, kind)
        for register, value in ((1, config), (2, low), (3, high)):
            chip.write(bytes([register]) + value.to_bytes(2, "big"))
        seen = []
        for register in (1, 2, 3):
            chip.write(bytes([register]))
            seen.append(int.from_bytes(chip.read(2), "big"))
        assert seen[0] & 0x7FFF == config & 0x7FFF
        assert [seen[1] & mask, seen[2] & mask] == [low & mask, high & mask]
        chip.lose_power()
        chip.write(bytes([1]))
        assert int.from_bytes(chip.read(2), "big") == 0x8583
