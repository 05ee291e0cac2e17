"""The contract of chips, played by the models."""

from __future__ import annotations

import pytest

from acquire.i2c.contract import Bench, ChipContract
from dutylog.acquire.i2c.bus import Bus
from dutylog.acquire.i2c.chip_models import ModelAds1x15, ModelMcp960x
from dutylog.acquire.i2c.models import ModelBus
from dutylog.clock import ManualClock
from dutylog.config.sensors import ChipPlace


@pytest.mark.parametrize("behind", [False, True], ids=["direct", "behind multiplexer"])
@pytest.mark.parametrize(("kind", "identity"), [("ADS1115", 0x40), ("ADS1015", 0x41)])
@pytest.mark.parametrize("check", ChipContract().checks())
def test_models_keep_the_contract(check: str, kind: str, identity: int, behind: bool) -> None:
    """The same checks run over the kernel's stub and over real chips, so what the models promise can be compared."""
    clock = ManualClock(10**9)
    model = ModelBus(clock)
    way = (0x70, 5) if behind else (None, None)
    thermocouple, adc = ChipPlace(1, 0x67, *way), ChipPlace(1, 0x48, *way)
    model.attach(thermocouple, ModelMcp960x(clock, lambda _: 45.0, identity=identity))
    model.attach(adc, ModelAds1x15(clock, {0: lambda _: 1.0, 3: lambda _: -0.01}, kind))
    bus = Bus(1, clock, model.open)
    bus.open()
    bench = Bench(bus, clock, thermocouple, adc, kind, 4.096, 0x70 if behind else None, 0x0B)
    assert getattr(ChipContract(), check)(bench) is (behind or "multiplexer" not in check)
