"""The sensors of a vehicle, as the vehicle file names them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class ChipPlace:
    """Where a chip sits: /dev/i2c-BUS, its address, and the multiplexer's address and branch where one is between."""

    bus: int
    address: int
    multiplexer: int | None = None
    branch: int | None = None


@dataclass(frozen=True, slots=True)
class ThermocoupleSettings:
    """A thermocouple converter. position: of the damper, '' for the air. kind: letter of the thermocouple's type."""

    position: str
    place: ChipPlace
    kind: str = "K"


@dataclass(frozen=True, slots=True)
class AdcInput:
    """An input of a converter, 0 to 3.

    quantity: `travel`, `reservoir_pressure`, `battery_voltage`, or `reference` for the supply of the
    potentiometers, which makes travel a share of it. position: of the damper, '' for the vehicle.
    scale: (volts, value in SI: Pa gauge or V) pairs, for pressure and battery; empty for travel.
    """

    number: int
    quantity: str
    position: str = ""
    scale: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class AdcSettings:
    """A converter. chip: 'ADS1115' or 'ADS1015'. range_v: its full scale, one of those it has."""

    place: ChipPlace
    chip: str
    range_v: float
    inputs: tuple[AdcInput, ...]


@dataclass(frozen=True, slots=True)
class BridgeSettings:
    """The sampling microcontroller. inputs: position on each of its inputs, '' for one not used.

    wheel_pulses_per_m: of a wheel-speed sensor on its pulse input, None without one.
    """

    port: str
    inputs: tuple[str, ...]
    rate_hz: int = 1000
    wheel_pulses_per_m: float | None = None


@dataclass(frozen=True, slots=True)
class GpsSettings:
    """A receiver that speaks NMEA 0183. baud: of its serial line. has_speed: False where a wheel sensor gives it."""

    port: str
    baud: int = 9600
    has_speed: bool = True


@dataclass(frozen=True, slots=True)
class SensorSettings:
    """All sensors; at least one is there."""

    bridge: BridgeSettings | None = None
    thermocouples: tuple[ThermocoupleSettings, ...] = ()
    adcs: tuple[AdcSettings, ...] = ()
    gps: GpsSettings | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return it in JSON types."""
        return asdict(self)

    @staticmethod
    def from_dict(data: Mapping[str, Any]) -> SensorSettings:
        """Take back what `to_dict` gave."""
        bridge, gps = data["bridge"], data["gps"]
        return SensorSettings(
            bridge=None if bridge is None else BridgeSettings(**{**bridge, "inputs": tuple(bridge["inputs"])}),
            thermocouples=tuple(
                ThermocoupleSettings(t["position"], ChipPlace(**t["place"]), t["kind"]) for t in data["thermocouples"]
            ),
            adcs=tuple(
                AdcSettings(
                    ChipPlace(**adc["place"]),
                    adc["chip"],
                    adc["range_v"],
                    tuple(
                        AdcInput(i["number"], i["quantity"], i["position"], tuple((v, x) for v, x in i["scale"]))
                        for i in adc["inputs"]
                    ),
                )
                for adc in data["adcs"]
            ),
            gps=None if gps is None else GpsSettings(**gps),
        )
