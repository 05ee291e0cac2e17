"""Every fault of wiring, chips and thermocouples: what is read meanwhile, and the line a person reads."""

from __future__ import annotations

import errno
from itertools import pairwise

import numpy as np
import pytest

from acquire.i2c.rig import AIR, FRONT, LEFT, LEFT_ADC, NAN, REAR, RIGHT, RIGHT_ADC, SLOW, THERMOCOUPLES, Rig, is_same
from dutylog.acquire.driver import ChannelState
from dutylog.acquire.i2c.chip_models import ModelForeign, ModelMcp960x
from dutylog.config.sensors import AdcInput, AdcSettings, ThermocoupleSettings


def test_all_well_reads_every_temperature() -> None:
    """Below zero and behind a multiplexer too."""
    rig = Rig().start(2)
    assert rig.last("temperatures") == [80.0, -12.5, 21.0]
    assert {each.word for each in rig.driver.state().channels} == {"working"}
    assert rig.driver.state().text == ""


def test_open_thermocouple_is_told_and_has_no_reading() -> None:
    """The others go on; plugged in again it is back."""
    rig = Rig().start(2)
    rig.thermocouple().is_open = True
    rig.run(1)
    assert is_same(rig.last("temperatures"), [NAN, -12.5, 21.0])
    assert rig.channel("front") == ChannelState(
        "front", "body_temperature", "wrong",
        "thermocouple of front is open (MCP9601 at 0x60 on I²C bus 1); check its plug and wire, let hot parts cool "
        "before touching them",
    )  # fmt: skip
    rig.thermocouple().is_open = False
    rig.run(2)
    assert rig.last("temperatures") == [80.0, -12.5, 21.0]
    assert rig.channel("front").text == ""
    assert rig.count("thermocouple_faults") == 1


def test_shorted_thermocouple_is_told_and_has_no_reading() -> None:
    """It would read the box's temperature, which is plausible and wrong."""
    rig = Rig().start(2)
    rig.thermocouple(AIR).is_short = True
    rig.run(1)
    assert is_same(rig.last("temperatures"), [80.0, -12.5, NAN])
    assert rig.channel("", "ambient_temperature").text == (
        "thermocouple of the air is shorted (MCP9601 at 0x67 on I²C bus 1, branch 2 of multiplexer 0x70); look for "
        "a chafed or crushed wire, let hot parts cool first"
    )


def test_older_part_tells_an_open_wire_as_out_of_range() -> None:
    """The MCP9600 has one bit for both."""
    rig = Rig()
    chip = ModelMcp960x(rig.clock, lambda _: 80.0, identity=0x40)
    rig.bus.chips[FRONT] = chip
    rig.start(2)
    assert rig.last("temperatures")[0] == 80.0
    chip.is_open = True
    rig.run(1)
    assert np.isnan(rig.last("temperatures")[0])
    assert rig.channel("front").text == (
        "thermocouple of front is out of range (MCP9600 at 0x60 on I²C bus 1 can't tell an open wire from that); "
        "check its plug and wire, and that it is of type K"
    )


def test_temperature_outside_its_type_is_no_reading() -> None:
    """A type T ends at 400 °C; a converter may well hand out more."""
    rig = Rig((ThermocoupleSettings("rear", REAR, "T"),)).start(2)
    chip = rig.thermocouple(REAR)
    chip._seen_c = lambda hot_c, cold_c: (hot_c, True)  # type: ignore[method-assign]
    rig.true_c["rear"] = 450.0
    rig.run(3)
    assert np.isnan(rig.last("temperatures")[0])
    assert rig.channel("rear").text == (
        "thermocouple of rear reads 450.0 °C, out of range -200 to 400 °C of type T (MCP9601 at 0x67 on I²C bus 1, "
        "branch 1 of multiplexer 0x70); check its plug and wire, and its type"
    )


def test_hot_box_is_told() -> None:
    """Beyond 125 °C the cold junction, and with it the reading, is worth nothing."""
    rig = Rig().start(2)
    rig.thermocouple().cold_c = lambda _: 130.0
    rig.run(1)
    assert np.isnan(rig.last("temperatures")[0])
    assert rig.channel("front").text == (
        "cold junction of the thermocouple of front reads 130.0 °C, out of range -40 to 125 °C (MCP9601 at 0x60 on "
        "I²C bus 1); move the box to a cooler place"
    )


def test_converter_that_stopped_is_told() -> None:
    """Its register would hold the last temperature for ever."""
    rig = Rig().start(2)
    rig.thermocouple().is_stalled = True
    rig.run(0.5)
    assert rig.last("temperatures")[0] == 80.0
    rig.run(1)
    assert np.isnan(rig.last("temperatures")[0])
    assert rig.channel("front").text == (
        "thermocouple of front has no new reading for 1 s (MCP9601 at 0x60 on I²C bus 1 stopped); switch sensor "
        "supply off and on"
    )


@pytest.mark.parametrize("number", [errno.EREMOTEIO, errno.ENXIO, errno.ENODEV, errno.EIO, errno.EINVAL])
def test_missing_chip_is_told_whatever_the_number(number: int) -> None:
    """Adapters differ in the number; a refusal is a refusal. The others go on, and plugged in again it is back."""
    rig = Rig().start(2)
    fault = rig.fault(trouble="nack", address=0x60, number=number)
    rig.run(1)
    assert is_same(rig.last("temperatures"), [NAN, -12.5, 21.0])
    state = rig.channel("front")
    assert (state.word, state.text.split("; ")[1]) == ("lost", "check its supply, SDA, SCL and address straps")
    assert state.text.startswith(f"thermocouple converter at 0x60 on I²C bus 1 doesn't answer (errno {int(number)}, ")
    assert rig.driver.state().word == "working"
    assert rig.driver.state().text.startswith("1 of 3 channels without readings: thermocouple converter at 0x60")
    rig.bus.faults.remove(fault)
    rig.run(6)
    assert rig.last("temperatures") == [80.0, -12.5, 21.0]
    assert rig.channel("front").word == "working"
    assert rig.count("resumed") == 1


def test_missing_multiplexer_is_named() -> None:
    """Two chips seem gone, one plug is off."""
    rig = Rig().start(2)
    rig.fault(trouble="nack", address=0x70)
    rig.run(1)
    assert is_same(rig.last("temperatures"), [80.0, NAN, NAN])
    assert rig.channel("rear").text == (
        "multiplexer at 0x70 on I²C bus 1 doesn't answer (errno 121, Remote I/O error); check its supply, SDA, SCL "
        "and address straps"
    )


def test_missing_chip_is_asked_less_and_less_often() -> None:
    """0.1, 0.2, 0.4 … 5 s: an unplugged box costs the bus nothing."""
    rig = Rig().start(2)
    rig.take_out(FRONT)
    rig.run(60)
    asked = [each.at_ns for each in rig.bus.history if each.address == 0x60 and each.error is not None]
    gaps_s = [round((b - a) / 1e9, 1) for a, b in pairwise(asked) if b - a > 5e7]
    assert gaps_s[:6] == [0.1, 0.2, 0.4, 0.8, 1.6, 3.2]
    assert set(gaps_s[7:]) <= {5.0, 5.1}
    assert len(gaps_s) < 20


def test_wrong_chip_stops_that_channel_only() -> None:
    """Something else at the address, with an identity that isn't ours."""
    rig = Rig().start(2)
    right = rig.take_out(FRONT)
    rig.bus.attach(FRONT, ModelForeign(0x5A21))
    rig.run(1)
    assert is_same(rig.last("temperatures"), [NAN, -12.5, 21.0])
    assert rig.channel("front") == ChannelState(
        "front", "body_temperature", "wrong",
        "the chip at 0x60 on I²C bus 1 is no MCP9600 or MCP9601: identity 0x5A, expected 0x40 or 0x41; check the "
        "address straps and which chip is fitted",
    )  # fmt: skip
    assert rig.count("wrong_chips") == 1
    rig.bus.attach(FRONT, right)
    rig.run(6)
    assert rig.last("temperatures") == [80.0, -12.5, 21.0]


def test_wrong_chip_that_answers_zeros_is_not_taken_for_a_stuck_bus() -> None:
    """Free addresses stay silent, so the data line isn't low."""
    rig = Rig()
    rig.bus.attach(FRONT, ModelForeign(0x0000))
    rig.start(2)
    assert is_same(rig.last("temperatures"), [NAN, -12.5, 21.0])
    assert "identity 0x00, expected 0x40 or 0x41" in rig.channel("front").text


@pytest.mark.parametrize("word", [0x0000, 0xFFFF, 0x1234])
def test_other_chip_in_the_place_of_an_analogue_converter_is_told(word: int) -> None:
    """It has no identity register, but it doesn't keep what is written to it."""
    rig = Rig(adcs=(LEFT, RIGHT))
    rig.bus.attach(LEFT_ADC, ModelForeign(word))
    rig.start(2)
    assert rig.channel("front", "travel") == ChannelState(
        "front", "travel", "wrong",
        f"the chip at 0x48 on I²C bus 1 is no ADS1115: it reads 0x{word:04X} after 0x41E3 was written to its "
        f"configuration; check the address straps and which chip is fitted",
    )  # fmt: skip
    assert rig.channel("rear", "travel").word == "working"
    assert len(rig.indices("travel_2")) > 100


def test_sixteen_bits_where_twelve_were_meant_are_told() -> None:
    """An ADS1115 in the place of an ADS1015 has something in the last four bits."""
    rig = Rig((), (RIGHT,))
    from dutylog.acquire.i2c.chip_models import ModelAds1x15

    rig.bus.attach(RIGHT_ADC, ModelAds1x15(rig.clock, {1: lambda _: 1.0241}, "ADS1115", speed=4.0))
    rig.start(1)
    assert rig.channel("rear", "travel").text == (
        "the chip at 0x49 on I²C bus 1 is no ADS1015: it hands out 0x2001, an ADS1015 has zeros in the last four "
        "bits; check the address straps and which chip is fitted"
    )


def test_thermocouple_converter_that_lost_its_supply_is_set_up_again() -> None:
    """After power-on it would read a type T as a type K: plausible and wrong."""
    rig = Rig().start(2)
    rig.thermocouple(REAR).lose_power()
    rig.run(3)
    assert rig.last("temperatures") == [80.0, -12.5, 21.0]
    assert rig.bus.chips[REAR].registers[0x05] == 0x22
    assert (rig.count("power_losses"), rig.count("set_ups"), rig.count("wrong_chips")) == (1, 4, 0)


def test_lost_supply_is_told_while_it_lasts() -> None:
    """A plug that rattles."""
    rig = Rig().start(2)
    rig.thermocouple(REAR).lose_power()
    texts = set()
    for _ in range(6):
        rig.run(0.05)
        texts.add(rig.channel("rear").text)
    assert (
        "MCP9601 at 0x67 on I²C bus 1, branch 1 of multiplexer 0x70 started anew: its registers are as after power-on; "
        "check its supply and plugs"
    ) in texts


def test_reading_after_a_lost_supply_never_uses_the_wrong_type() -> None:
    """A chip just powered on converts once in 320 ms, and within three readings it is found out."""
    for later_s in np.arange(0.0, 0.3, 0.02):
        rig = Rig().start(2 + float(later_s))
        rig.runs.clear()
        rig.thermocouple(REAR).lose_power()
        rig.run(3)
        values = rig.column("temperatures", 1)
        assert set(values[np.isfinite(values)]) == {-12.5}


def test_converter_that_lost_its_supply_is_noticed_and_counted() -> None:
    """Its mark is gone."""
    rig = Rig((), (LEFT, RIGHT)).start(1)
    rig.adc().lose_power()
    texts = set()
    for _ in range(15):
        rig.driver.read(0.02)
        texts.add(rig.channel("front", "travel").text)
    assert texts == {
        "",
        "ADS1115 at 0x48 on I²C bus 1 started anew: its registers are as after power-on; check its supply and plugs",
    }
    rig.run(1)
    assert rig.channel("front", "travel").word == "working"
    assert (rig.count("power_losses"), rig.count("set_ups")) == (1, 3)


def test_missing_supply_of_potentiometers_is_told_and_gives_no_travel() -> None:
    """A share of nothing would be any number."""
    rig = Rig((), (LEFT, RIGHT)).start(1)
    rig.true_v["", "reference"] = 0.01
    rig.run(0.5)
    rig.runs.clear()
    rig.run(1)
    assert {run.plan for run in rig.runs} == {1}
    assert rig.channel("front", "travel").text == (
        "supply of the potentiometers reads 0.010 V at input 3 of ADS1115 at 0x48 on I²C bus 1; check its fuse, plug "
        "and wire"
    )
    rig.true_v["", "reference"] = 5.0
    rig.run(1)
    assert rig.channel("front", "travel").word == "working"


def test_supply_beyond_the_range_is_told() -> None:
    """5 V at 4.096 V full scale would make every travel a fifth too long."""
    adc = AdcSettings(LEFT_ADC, "ADS1115", 4.096, LEFT.inputs)
    rig = Rig((), (adc,)).start(1)
    assert not rig.runs
    assert rig.channel("front", "travel").text == (
        "supply of the potentiometers at input 3 of ADS1115 at 0x48 on I²C bus 1 is out of range (4.096 V); choose a "
        "larger range_v"
    )


@pytest.mark.parametrize(
    ("volts", "text"),
    [
        (5.2, "input 0 of ADS1115 at 0x48 on I²C bus 1 reads 5.200 V, the end of its range; check the potentiometer's "
              "ground wire, plug and range_v"),
        (-0.3, "input 0 of ADS1115 at 0x48 on I²C bus 1 reads -0.300 V, below ground; check the ground wire"),
    ],
)  # fmt: skip
def test_travel_beyond_its_ends_is_told_and_held_there(volts: float, text: str) -> None:
    """Counts go on: the engine knows calibration and judges an open wiper."""
    rig = Rig((), (LEFT,))
    rig.true_v["front", "travel"] = volts
    rig.start(1)
    assert (rig.channel("front", "travel").word, rig.channel("front", "travel").text) == ("wrong", text)
    assert rig.last("travel") == [32767.0 if volts > 0 else 0.0]


def test_pressure_sensor_without_supply_is_told_and_has_no_reading() -> None:
    """0 V lies outside 0.5 to 4.5 V."""
    rig = Rig((), (SLOW,)).start(1)
    assert rig.last("slow") == pytest.approx([1.0e6, 12.6], rel=1e-3)
    rig.true_v["front", "reservoir_pressure"] = 0.02
    rig.run(1)
    assert np.isnan(rig.last("slow")[0])
    assert rig.last("slow")[1] == pytest.approx(12.6, rel=1e-3)
    assert rig.channel("front", "reservoir_pressure").text == (
        "input 0 of ADS1115 at 0x4A on I²C bus 1 reads 0.020 V, out of range 0.5 to 4.5 V; check the sensor's supply, "
        "plug and wire"
    )
    assert rig.channel("", "battery_voltage").word == "working"


def test_converter_that_never_finishes_is_told() -> None:
    """Its oscillator stopped."""
    rig = Rig((), (RIGHT,)).start(1)
    rig.adc(RIGHT_ADC)._speed = 1e-6
    rig.run(0.5)
    assert rig.channel("rear", "travel").text == (
        "ADS1015 at 0x49 on I²C bus 1 never finishes a conversion; check its supply"
    )


def test_wrong_type_of_thermocouple_can_not_be_seen() -> None:
    """A limit, stated: a type J wire on a converter set to K reads too high by a quarter of its rise above the box."""
    rig = Rig((ThermocoupleSettings("front", FRONT),)).start(2)
    rig.thermocouple().wire = "J"
    rig.run(3)
    assert (rig.last("temperatures")[0] - 25) / (80 - 25) == pytest.approx(1.28, abs=0.03)
    assert rig.channel("front").word == "working"


def test_inputs_of_one_converter_fail_together() -> None:
    """All of its channels name the same cause."""
    both = AdcSettings(LEFT_ADC, "ADS1115", 6.144, (AdcInput(0, "travel", "front"), AdcInput(1, "travel", "rear")))
    rig = Rig((), (both,)).start(1)
    rig.take_out(LEFT_ADC)
    rig.run(1)
    texts = {rig.channel(position, "travel").text for position in ("front", "rear")}
    assert texts == {
        "ADS1115 at 0x48 on I²C bus 1 doesn't answer (errno 121, Remote I/O error); check its supply, SDA, SCL and "
        "address straps"
    }


def test_multiplexer_that_lost_its_supply_alone_is_selected_again() -> None:
    """It starts with no branch connected, so the chip behind it seems gone until the branch is written anew."""
    rig = Rig((THERMOCOUPLES[1],)).start(2)
    rig.bus.multiplexers[0x70].lose_power()
    rig.run(2)
    assert rig.last("temperatures") == [-12.5]
    assert rig.count("back_offs") == 1


def test_open_thermocouple_stays_open_between_two_conversions() -> None:
    """Even on a chip that forgets the bit when its status is cleared and converts slower than it is asked."""

    class Forgetful(ModelMcp960x):
        def write(self, data: bytes) -> None:
            super().write(data)
            if data[0] == 0x04 and len(data) > 1:
                self.registers[0x04] = 0

        def _conversion_ns(self) -> int:
            return 330_000_000

    rig = Rig((THERMOCOUPLES[0],))
    chip = Forgetful(rig.clock, lambda _: 80.0)
    rig.bus.chips[FRONT] = chip
    rig.start(2)
    assert rig.last("temperatures") == [80.0]
    chip.is_open = True
    rig.run(1)
    rig.runs.clear()
    rig.run(2)
    assert np.isnan(rig.column("temperatures", 0)).all()
    assert rig.count("thermocouple_faults") == 1
