"""Words and bytes of the chips against every example of the reference, and there and back."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.acquire.i2c import ads1x15, mcp960x
from dutylog.acquire.i2c.chip_models import encode_conversion, encode_temperature
from dutylog.acquire.i2c.tca9548a import encode_mask
from dutylog.errors import InputError

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "data" / "reference" / "10_i2c_devices.json").read_text(encoding="utf-8")
)
ADS, MCP, TCA = REFERENCE["ads1115"], REFERENCE["mcp960x"], REFERENCE["tca9548a"]
ADS1115, ADS1015 = ads1x15.KINDS["ADS1115"], ads1x15.KINDS["ADS1015"]
MUX_CODES = {name: int(code) for code, name in ADS["config_bits"]["value"][1]["codes"].items()}


def test_reference_holds_what_the_tests_below_rely_on() -> None:
    """An empty list of examples would let everything pass."""
    counts = [len(ADS[name]) for name in ("config_examples", "conversion_examples", "single_shot_timing_s")]
    assert counts == [8, 10, 8]
    counts = [len(MCP[f"{name}_examples"]) for name in ("temperature", "sensor_config", "device_config", "status")]
    assert counts == [11, 5, 5, 6]
    assert len(TCA["examples"]) == 7


@pytest.mark.parametrize("row", ADS["config_examples"], ids=lambda row: row["config_hex"])
def test_configuration_word_is_the_one_of_the_reference(row: dict[str, Any]) -> None:
    """A wrong bit reads another input or range and looks plausible."""
    word = ads1x15.encode_config(
        ADS1115, MUX_CODES[row["mux"]], row["pga_fs_v"], row["data_rate"],
        is_start=bool(row["os"]), is_single=row["mode"] == "single", queue=row["comp_que"],
    )  # fmt: skip
    assert word == int(row["config_hex"], 16)


@pytest.mark.parametrize("row", ADS["conversion_examples"], ids=lambda row: row["raw_hex"])
def test_conversion_is_decoded_as_in_the_reference(row: dict[str, Any]) -> None:
    """Negative ones too: a small offset below zero must not become full scale."""
    counts = ads1x15.decode_counts(int(row["raw_hex"], 16))
    assert counts == row["signed"]
    assert ads1x15.compute_volts(counts, row["full_scale_v"]) == row["volts"]


def test_addresses_registers_ranges_rates_and_times_are_those_of_the_reference() -> None:
    """Numbers that stand in the code stand there too."""
    registers = {name: int(text.split()[0], 16) for name, text in ADS["registers"]["value"].items()}
    assert registers == {
        "conversion": ads1x15.CONVERSION,
        "config": ads1x15.CONFIG,
        "lo_thresh": ads1x15.LOW_THRESHOLD,
        "hi_thresh": ads1x15.HIGH_THRESHOLD,
    }
    resets = ADS["reset_values"]["value"]
    assert int(resets["config"], 16) == ads1x15.RESET_CONFIG
    assert (int(resets["lo_thresh"], 16), int(resets["hi_thresh"], 16)) == (ads1x15.RESET_LOW, ads1x15.RESET_HIGH)
    assert tuple(row["full_scale_v"] for row in ADS["full_scale"]["value"][:6]) == ads1x15.RANGES_V
    assert tuple(ADS["data_rates"]["value"]) == ADS1115.rates_hz
    for rate, times in ADS["single_shot_timing_s"].items():
        assert ads1x15.longest_conversion_s(int(rate)) == pytest.approx(times["worst_with_10_percent"], rel=1e-12)


def test_converter_refuses_what_it_does_not_have() -> None:
    """A range or rate of the other kind would be another code in silence."""
    for mux, range_v, rate_hz in ((8, 4.096, 860), (4, 5.0, 860), (4, 4.096, 3300), (-1, 4.096, 860)):
        with pytest.raises(InputError, match="ADS1115 has no"):
            ads1x15.encode_config(ADS1115, mux, range_v, rate_hz)


def test_twelve_bits_stand_left_aligned() -> None:
    """The same voltage is the same counts in both kinds, to a step of the coarser one."""
    assert encode_conversion(2.048, 4.096, ADS1015) == 0x4000 == encode_conversion(2.048, 4.096, ADS1115)
    assert encode_conversion(9.0, 4.096, ADS1015) == 0x7FF0
    assert encode_conversion(-9.0, 4.096, ADS1015) == 0x8000
    assert ads1x15.encode_config(ADS1015, 4, 4.096, 3300) == 0xC3C3


@given(
    volts=st.floats(-7, 7),
    range_v=st.sampled_from(ads1x15.RANGES_V),
    kind=st.sampled_from(list(ads1x15.KINDS.values())),
)
def test_voltage_comes_back_to_half_a_step(volts: float, range_v: float, kind: ads1x15.Kind) -> None:
    """Both signs, all ranges, held at the ends."""
    raw = encode_conversion(volts, range_v, kind)
    assert 0 <= raw <= 0xFFFF
    assert raw & kind.unused_bits == 0
    step_v = range_v / 32768 * (kind.unused_bits + 1)
    held_v = max(-range_v, min(range_v - step_v, volts))
    assert ads1x15.compute_volts(ads1x15.decode_counts(raw), range_v) == pytest.approx(held_v, abs=step_v * 0.5000001)


@given(raw=st.integers(0, 0xFFFF))
def test_every_word_is_a_signed_number_and_back(raw: int) -> None:
    """65536 words, 65536 numbers."""
    counts = ads1x15.decode_counts(raw)
    assert -32768 <= counts <= 32767
    assert counts & 0xFFFF == raw


@pytest.mark.parametrize("row", MCP["temperature_examples"], ids=lambda row: row["raw_hex"])
def test_temperature_is_decoded_as_in_the_reference(row: dict[str, Any]) -> None:
    """Below zero too: open drivers got that wrong (reference: known_traps)."""
    raw = int(row["raw_hex"], 16)
    assert mcp960x.decode_temperature_c(raw) == row["temp_c"]
    assert encode_temperature(row["temp_c"]) == raw


@given(value_c=st.floats(-200, 1800))
def test_temperature_comes_back_to_half_a_step(value_c: float) -> None:
    """1/32 K over the whole range of the chip."""
    raw = encode_temperature(value_c)
    assert 0 <= raw <= 0xFFFF
    assert mcp960x.decode_temperature_c(raw) == pytest.approx(value_c, abs=1 / 32)
    assert encode_temperature(mcp960x.decode_temperature_c(raw)) == raw


@pytest.mark.parametrize("row", MCP["sensor_config_examples"], ids=lambda row: row["hex"])
def test_type_and_filter_are_those_of_the_reference(row: dict[str, Any]) -> None:
    """A wrong type reads plausible temperatures that are wrong."""
    assert mcp960x.encode_sensor_config(row["type"], row["filter"]) == int(row["hex"], 16)


@pytest.mark.parametrize("row", MCP["device_config_examples"], ids=lambda row: row["hex"])
def test_device_configuration_is_that_of_the_reference(row: dict[str, Any]) -> None:
    """Resolution, cold junction's step, burst and mode."""
    byte = mcp960x.encode_device_config(row["adc_bits"], row["cold_res_c"], row["burst"], row["mode"])
    assert byte == int(row["hex"], 16)


@pytest.mark.parametrize("row", MCP["status_examples"], ids=lambda row: f"{row['part']} {row['status_hex']}")
def test_status_is_decoded_as_in_the_reference(row: dict[str, Any]) -> None:
    """Bit 4 means another thing in each part."""
    status = mcp960x.decode_status(int(row["status_hex"], 16), row["part"])
    assert status == mcp960x.Status(
        row["burst"], row["updated"], row["short"], row["open"], row["input_range"], tuple(row["alerts"])
    )


def test_types_identities_and_registers_are_those_of_the_reference() -> None:
    """Numbers that stand in the code stand there too."""
    assert MCP["sensor_config"]["value"]["type_codes"] == mcp960x.TYPE_CODES
    assert {name: int(text, 16) for name, text in MCP["device_id"]["value"].items()} == {
        part: identity for identity, part in mcp960x.IDENTITIES.items()
    }
    registers = {
        name: int(text.split()[0], 16) for name, text in MCP["registers"]["value"].items() if "alert" not in name
    }
    names = ("hot_junction", "cold_junction", "status", "sensor_config", "device_config", "device_id")
    assert [registers[name] for name in names] == [
        mcp960x.HOT, mcp960x.COLD, mcp960x.STATUS, mcp960x.SENSOR_CONFIG, mcp960x.DEVICE_CONFIG, mcp960x.DEVICE_ID,
    ]  # fmt: skip
    masks = MCP["status_bits"]["value"]["mask"] if "mask" in MCP["status_bits"]["value"] else MCP["status_bits"]["mask"]
    assert [int(masks[name], 16) for name in ("open_or_range", "short", "update")] == [
        mcp960x.OPEN_OR_RANGE, mcp960x.SHORT, mcp960x.UPDATED,
    ]  # fmt: skip


def test_thermocouple_converter_refuses_what_it_does_not_have() -> None:
    """They are mistakes of the caller."""
    for kind, code in (("X", 0), ("K", 8), ("K", -1)):
        with pytest.raises(InputError, match="MCP960x has no type"):
            mcp960x.encode_sensor_config(kind, code)
    for adc_bits, step_c, burst, mode in ((17, 0.0625, 1, 0), (18, 0.5, 1, 0), (18, 0.0625, 3, 0), (18, 0.0625, 1, 3)):
        with pytest.raises(InputError, match="MCP960x has no"):
            mcp960x.encode_device_config(adc_bits, step_c, burst, mode)


@pytest.mark.parametrize("row", TCA["examples"], ids=lambda row: row["byte_hex"])
def test_branches_make_the_byte_of_the_reference(row: dict[str, Any]) -> None:
    """A wrong bit reads another damper's chip."""
    assert encode_mask(row["channels"]) == int(row["byte_hex"], 16)


def test_share_of_the_supply_is_exact_at_its_ends() -> None:
    """Full scale of the potentiometer is 32767 whatever the supply."""
    from dutylog.acquire.i2c.adc_channels import compute_travel_count, scale_volts

    assert [compute_travel_count(26400, 26400), compute_travel_count(0, 26400)] == [32767, 0]
    assert [compute_travel_count(-5, 26400), compute_travel_count(27000, 26400)] == [0, 32767]
    assert [compute_travel_count(-5, None), compute_travel_count(1234, None)] == [0, 1234]
    assert compute_travel_count(13200, 26400) == math.floor(32767 / 2 + 0.5)
    scale = ((0.5, 0.0), (2.5, 1.0e6), (4.5, 3.0e6))
    assert [scale_volts(volts, scale) for volts in (0.5, 1.5, 2.5, 3.5, 4.5)] == [0.0, 0.5e6, 1.0e6, 2.0e6, 3.0e6]
    assert scale_volts(0.4, scale) == pytest.approx(-0.05e6)
    assert scale_volts(4.6, scale) == pytest.approx(3.1e6)
    assert math.isnan(scale_volts(0.2, scale))
    assert math.isnan(scale_volts(4.8, scale))
