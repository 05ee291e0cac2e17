"""Charge, gas volume, base valve and pressure senders in the vehicle file: units, checks, notes."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from dutylog.config.loader import parse_settings
from dutylog.domain.vehicle import Vehicle
from dutylog.units import PA_PER_PSI

P = "profile.front."
ADC = """
[[adc]]
address = 0x48
chip = "ADS1115"
range_v = 6.144

[[adc.input]]
number = 0
measures = "reservoir_pressure"
position = "front_left"
"""


def with_gas(good: str, text: str) -> str:
    """Put lines into the front profile."""
    return good.replace("body_limit_c = 120.0\n", f"body_limit_c = 120.0\n{text}\n")


def profile_of(text: str):
    return parse_settings(text.encode(), Path("truck.toml")).vehicle.profiles[0]


def notes_of(text: str) -> list[str]:
    return [note for note in parse_settings(text.encode(), Path("truck.toml")).notes if P in note]


def test_what_isnt_said_is_unknown(good):
    front = profile_of(good)
    assert (front.has_base_valve, front.charge_pa, front.gas_volume_m3) == (None, None, None)


@pytest.mark.parametrize(
    ("line", "charge_pa"), [("charge_psi = 200", 200 * PA_PER_PSI), ("charge_bar = 13.8", 1_380_000.0)]
)
def test_charge_in_either_unit(good, line, charge_pa):
    front = profile_of(with_gas(good, f"{line}\nbase_valve = false\ngas_volume_ml = 250"))
    assert front.charge_pa == pytest.approx(charge_pa, rel=1e-15)
    assert (front.has_base_valve, front.gas_volume_m3) == (False, 250e-6)


def test_a_log_says_the_same_and_one_without_keeps_its_bytes(good):
    """The vehicle's dictionary form: keys only where they were given."""
    plain = parse_settings(good.encode(), Path("truck.toml")).vehicle
    assert not {"has_base_valve", "charge_pa", "gas_volume_m3"} & set(plain.to_dict()["profiles"][0])
    text = with_gas(good, "charge_psi = 200\nbase_valve = true\ngas_volume_ml = 250")
    full = parse_settings(text.encode(), Path("truck.toml")).vehicle
    for vehicle in (plain, full):
        assert Vehicle.from_dict(json.loads(json.dumps(vehicle.to_dict()))) == vehicle
    assert full.profiles[0].has_base_valve is True


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ("charge_psi = 14", P + "charge_psi: 14 is outside 30 to 600 psi; looks like bar; write 203.053"),
        ("charge_bar = 200", P + "charge_bar: 200 is outside 2 to 41 bar; looks like psi; write 13.7895"),
        ("charge_psi = 200\ncharge_bar = 14", P + "charge_bar: both charge_psi and charge_bar are given; keep one"),
        ("base_valve = 0", P + "base_valve: 0 is a number, expected true or false"),
        ("gas_volume_ml = 90", P + "gas_volume_ml: 90 ml is less than the shaft takes at full bump, 98 ml"),
        ("gas_volume_ml = 0.25", P + "gas_volume_ml: 0.25 is outside 20 to 5000 ml; looks like litres; write 250"),
    ],
)
def test_problems(good, problems_of, lines, problem):
    assert any(problem in line for line in problems_of(with_gas(good, lines)))


def test_no_base_valve_without_a_charge_is_noted(good):
    (note,) = notes_of(with_gas(good, "base_valve = false"))
    assert "no charge is given, so cavitation isn't judged" in note
    assert notes_of(with_gas(good, "base_valve = false\ncharge_psi = 200")) == []


def test_too_little_room_when_hot_is_noted(good):
    """1.31 kg of oil 100 K warmer grow by 105 ml, the shaft takes 98: of 280 ml 27 % are left, of 400 ml 49 %."""
    (note,) = notes_of(with_gas(good, "gas_volume_ml = 280"))
    assert "the gas keeps 27% of its room, less than 30%" in note
    assert notes_of(with_gas(good, "gas_volume_ml = 400")) == []


def scale_of(text: str):
    sensors = parse_settings(text.encode(), Path("truck.toml")).sensors
    assert sensors is not None
    return sensors.adcs[0].inputs[0].scale


@pytest.mark.parametrize(
    ("lines", "scale"),
    [
        ("points = [[0.5, 0.0], [4.5, 500.0]]", ((0.5, 0.0), (4.5, 500.0 * PA_PER_PSI))),
        ('unit = "bar"\npoints = [[0.5, 0.0], [4.5, 35.0]]', ((0.5, 0.0), (4.5, 3.5e6))),
        ('unit = "kPa"\npoints = [[0.5, 0.0], [4.5, 3500.0]]', ((0.5, 0.0), (4.5, 3.5e6))),
        ('reading = "counts"\nunit = "bar"\npoints = [[2667, 0], [24000, 35]]', ((0.5, 0.0), (4.5, 3.5e6))),
    ],
)
def test_scale_of_a_sender_as_people_write_it(good, lines, scale):
    """2667 of 32768 counts of 6.144 V are 0.50006 V."""
    found = scale_of(good + ADC + lines + "\n")
    assert [v for v, _ in found] == pytest.approx([v for v, _ in scale], rel=2e-4)
    assert [p for _, p in found] == pytest.approx([p for _, p in scale], rel=1e-12)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ('unit = "psi"', 'adc[1].input[1].unit: means nothing with measures = "battery_voltage"'),
        ('reading = "counts"', 'adc[1].input[1].reading: means nothing with measures = "battery_voltage"'),
    ],
)
def test_unit_and_reading_belong_to_a_pressure(good, problems_of, line, problem):
    adc = ADC.replace('"reservoir_pressure"\nposition = "front_left"', '"battery_voltage"')
    lines = problems_of(good + adc + "points = [[0, 0], [3, 15]]\n" + line + "\n")
    assert any(problem in one for one in lines)


def test_profile_stays_a_plain_frozen_value(good):
    front = profile_of(good)
    with pytest.raises(dataclasses.FrozenInstanceError):
        front.charge_pa = 1.0
