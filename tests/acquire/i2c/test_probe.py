"""What `dutylog check` finds on a bus."""

from __future__ import annotations

import pytest

from acquire.i2c.rig import AIR, FRONT, LEFT, LEFT_ADC, RIGHT, SLOW, Rig
from dutylog.acquire.driver import Finding
from dutylog.acquire.i2c.chip_models import ModelForeign
from dutylog.config.sensors import ChipPlace

COLD = {"front": 24.0, "rear": 25.5, "": 26.0}


def probe(rig: Rig) -> dict[str, Finding]:
    """Return the findings by subject; a subject must not come twice."""
    rig.driver.open(rig.t0_ns)
    findings = rig.driver.probe()
    assert len({each.subject for each in findings}) == len(findings)
    return {each.subject: each for each in findings}


def test_vehicle_in_order_passes_all() -> None:
    """Every chip, agreement, rate, noise, pressure, battery."""
    findings = probe(Rig(adcs=(LEFT, RIGHT, SLOW), true_c=COLD))
    assert {each.verdict for each in findings.values()} == {"pass"}
    assert findings["body_temperature front"].text == "MCP9601 answers, 24.0 °C, its cold junction 25.0 °C"
    assert findings["travel rear"].text == "ADS1015 at 0x49 on I²C bus 1 answers and keeps what is written to it"
    assert findings["temperatures"].text == "6 readings within 2.0 K: front 24.0 °C to air 26.0 °C"
    assert findings["noise of travel front"].text == "13107 counts, noise 0.0"
    assert findings["pressure of front"].text == "1000 kPa"
    assert findings["battery"].text == "12.60 V"
    assert findings["travel rate"].text.startswith("a round takes ")


def test_missing_and_wrong_chips_fail_with_their_remedy() -> None:
    """The rest of the bus is looked at all the same."""
    rig = Rig(adcs=(LEFT,), true_c=COLD)
    rig.take_out(FRONT)
    rig.bus.attach(LEFT_ADC, ModelForeign(0x7777))
    findings = probe(rig)
    assert findings["body_temperature front"] == Finding(
        "body_temperature front", "fail",
        "thermocouple converter at 0x60 on I²C bus 1 doesn't answer (errno 121, Remote I/O error)",
        "check its supply, SDA, SCL and address straps",
    )  # fmt: skip
    assert findings["travel front"].verdict == "fail"
    assert "is no ADS1115" in findings["travel front"].text
    assert findings["body_temperature rear"].verdict == "pass"


@pytest.mark.parametrize("fault", ["open", "short"])
def test_faulty_thermocouple_fails(fault: str) -> None:
    """Before the trip, not after."""
    rig = Rig(true_c=COLD)
    setattr(rig.thermocouple(AIR), f"is_{fault}", True)
    finding = probe(rig)["ambient_temperature"]
    assert (finding.verdict, fault in finding.text) == ("fail", True)
    assert finding.remedy


def test_chips_nobody_expects_are_told_with_their_branch() -> None:
    """A converter whose straps are off by one sits there unread."""
    rig = Rig(true_c=COLD)
    rig.bus.attach(ChipPlace(1, 0x62), ModelForeign(0x4010))
    rig.bus.attach(ChipPlace(1, 0x48, 0x70, 6), ModelForeign(0))
    rig.driver.open(rig.t0_ns)
    strangers = [each for each in rig.driver.probe() if each.subject == "I²C bus 1"]
    assert [each.text for each in strangers] == [
        "something answers at 0x62 on I²C bus 1 that isn't in the vehicle file",
        "something answers at 0x48 on I²C bus 1, branch 6 of multiplexer 0x70 that isn't in the vehicle file",
    ]
    assert {(each.verdict, each.remedy) for each in strangers} == {("look", "check address straps, or add it")}


def test_looking_for_strangers_leaves_the_counters_alone() -> None:
    """Hundreds of refusals that mean nothing."""
    rig = Rig(true_c=COLD)
    probe(rig)
    rig.run(0.2)
    assert rig.count("refused") == 0
    assert rig.last("temperatures") == [24.0, 25.5, 26.0]


def test_temperatures_that_do_not_agree_are_worth_a_look() -> None:
    """Warm dampers are no fault, so it is no failure."""
    finding = probe(Rig(true_c={**COLD, "rear": 61.0}))["temperatures"]
    assert finding.verdict == "look"
    assert finding.text == "6 readings within 37.0 K: front 24.0 °C to rear 61.0 °C"
    assert "with everything cold they should agree to 3 K" in finding.remedy


def test_noisy_travel_and_a_flat_battery_are_worth_a_look() -> None:
    """Noise becomes energy that never was."""
    rig = Rig(adcs=(LEFT, SLOW), true_c=COLD)
    rig.adc().volts[0] = lambda at_s: 2.0 + 0.02 * ((at_s * 1e6) % 2 - 1)
    rig.true_v["", "battery_voltage"] = 1.7
    findings = probe(rig)
    assert findings["noise of travel front"].verdict == "look"
    assert findings["noise of travel front"].remedy.startswith("with the vehicle standing still")
    assert (findings["battery"].verdict, findings["battery"].text) == ("look", "10.20 V is unusual")


def test_bus_that_is_too_slow_is_worth_a_look() -> None:
    """A baud rate left at 10 kHz."""
    finding = probe(Rig(adcs=(LEFT,), true_c=COLD, bus_hz=10_000))["travel rate"]
    assert finding.verdict == "look"
    assert "dtparam=i2c_arm_baudrate" in finding.remedy
