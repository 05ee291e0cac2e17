"""A vehicle's bus of chip models under a clock that tests move: settings, driver, what came of it."""

from __future__ import annotations

import math

import numpy as np

from dutylog.acquire.driver import ChannelState, Rows
from dutylog.acquire.i2c.chip_models import ChipModel, ModelAds1x15, ModelMcp960x
from dutylog.acquire.i2c.driver import I2cDriver
from dutylog.acquire.i2c.models import Fault, build_model_bus
from dutylog.clock import ManualClock
from dutylog.config.sensors import AdcInput, AdcSettings, ChipPlace, ThermocoupleSettings

START_S = 50
FRONT, REAR, AIR = ChipPlace(1, 0x60), ChipPlace(1, 0x67, 0x70, 1), ChipPlace(1, 0x67, 0x70, 2)
LEFT_ADC, RIGHT_ADC = ChipPlace(1, 0x48), ChipPlace(1, 0x49)
THERMOCOUPLES = (
    ThermocoupleSettings("front", FRONT),
    ThermocoupleSettings("rear", REAR, "T"),
    ThermocoupleSettings("", AIR),
)
LEFT = AdcSettings(LEFT_ADC, "ADS1115", 6.144, (AdcInput(0, "travel", "front"), AdcInput(3, "reference")))
RIGHT = AdcSettings(RIGHT_ADC, "ADS1015", 4.096, (AdcInput(1, "travel", "rear"),))
SLOW = AdcSettings(
    ChipPlace(1, 0x4A),
    "ADS1115",
    6.144,
    (
        AdcInput(0, "reservoir_pressure", "front", ((0.5, 0.0), (4.5, 2.0e6))),
        AdcInput(1, "battery_voltage", "", ((0.0, 0.0), (3.0, 18.0))),
    ),
)
TRUE_C = {"front": 80.0, "rear": -12.5, "": 21.0}
TRUE_V = {
    ("front", "travel"): 2.0,
    ("rear", "travel"): 1.024,
    ("", "reference"): 5.0,
    ("front", "reservoir_pressure"): 2.5,
    ("", "battery_voltage"): 2.1,
}


class Rig:
    """A driver over models. `faults` of the bus and `chip` of a place are there to be played with."""

    def __init__(
        self,
        thermocouples: tuple[ThermocoupleSettings, ...] = THERMOCOUPLES,
        adcs: tuple[AdcSettings, ...] = (),
        bus_hz: int = 100_000,
        true_c: dict[str, float] | None = None,
    ) -> None:
        self.clock = ManualClock(START_S * 1_000_000_000)
        self.true_c, self.true_v = {**TRUE_C, **(true_c or {})}, dict(TRUE_V)
        self.bus = build_model_bus(
            self.clock, 1, thermocouples, adcs,
            lambda position, _: self.true_c[position],
            lambda position, quantity, _: self.true_v[position, quantity],
        )  # fmt: skip
        self.bus.bus_hz = bus_hz
        self.driver = I2cDriver(1, thermocouples, adcs, self.clock, self.bus.open)
        self.t0_ns = self.clock.mono_ns()
        self.runs: list[Rows] = []

    def start(self, seconds: float = 0.0) -> Rig:
        """Open the driver and read for some time."""
        self.driver.open(self.t0_ns)
        self.run(seconds)
        return self

    def run(self, seconds: float) -> list[Rows]:
        """Read for some time; return the runs of it."""
        end_ns = self.clock.mono_ns() + round(seconds * 1e9)
        came: list[Rows] = []
        while self.clock.mono_ns() < end_ns:
            came += self.driver.read(0.1)
        self.runs += came
        return came

    def last(self, name: str) -> list[float]:
        """Return the last row of a plan."""
        return [float(value) for value in self._runs_of(name)[-1].data[-1]]

    def indices(self, name: str) -> list[int]:
        """Return the index of every row of a plan."""
        return [run.index + i for run in self._runs_of(name) for i in range(len(run.data))]

    def column(self, name: str, column: int) -> np.ndarray:
        """Return all values of one channel."""
        return np.concatenate([run.data[:, column] for run in self._runs_of(name)])

    def channel(self, position: str, quantity: str = "body_temperature") -> ChannelState:
        """Return how a channel is."""
        (found,) = [
            each for each in self.driver.state().channels if (each.position, each.quantity) == (position, quantity)
        ]
        return found

    def count(self, name: str) -> int:
        """Return a counter."""
        return self.driver.state().counters[name]

    def thermocouple(self, place: ChipPlace = FRONT) -> ModelMcp960x:
        """Return the model at a place."""
        chip = self.bus.chips[place]
        assert isinstance(chip, ModelMcp960x)
        return chip

    def adc(self, place: ChipPlace = LEFT_ADC) -> ModelAds1x15:
        """Return the model at a place."""
        chip = self.bus.chips[place]
        assert isinstance(chip, ModelAds1x15)
        return chip

    def take_out(self, place: ChipPlace) -> ChipModel:
        """Pull a chip's plug."""
        return self.bus.chips.pop(place)

    def fault(self, **of: object) -> Fault:
        """Begin a fault; `self.bus.faults.clear()` ends it."""
        fault = Fault(**of)  # type: ignore[arg-type]
        self.bus.faults.append(fault)
        return fault

    def _runs_of(self, name: str) -> list[Rows]:
        (number,) = [number for number, plan in enumerate(self.driver.plans) if plan.name == name]
        return [run for run in self.runs if run.plan == number]


def is_same(row: list[float], expected: list[float]) -> bool:
    """Compare rows where NaN stands for no reading."""
    return len(row) == len(expected) and all(
        a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(row, expected, strict=True)
    )


NAN = math.nan
