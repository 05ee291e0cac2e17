"""What chips must do under the code that drives them, whoever plays them: models, the kernel's stub, real ones.

Plain functions of a class, without pytest, because the stub's small machine has none. Each takes a `Bench`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from dutylog.acquire.i2c.ads1x15 import KINDS, LOW_THRESHOLD, MARK, Ads1x15
from dutylog.acquire.i2c.bus import Bus, TransferFailed
from dutylog.acquire.i2c.mcp960x import DEVICE_CONFIG, SENSOR_CONFIG, Mcp960x
from dutylog.acquire.i2c.tca9548a import ChipLine, Multiplexers
from dutylog.clock import Clock
from dutylog.config.sensors import ChipPlace


@dataclass(frozen=True, slots=True)
class Bench:
    """An open bus with chips; None for one that isn't there. empty: an address where nobody sits."""

    bus: Bus
    clock: Clock
    thermocouple: ChipPlace | None
    adc: ChipPlace | None
    adc_kind: str
    range_v: float
    multiplexer: int | None
    empty: int

    def line(self, place: ChipPlace) -> ChipLine:
        """Return the way to a chip."""
        ways = Multiplexers(self.bus, [] if place.multiplexer is None else [place.multiplexer])
        return ChipLine(self.bus, ways, place, "chip")


class ChipContract:
    """Checks; each raises AssertionError with what it saw. A check of a chip that isn't there returns False."""

    def check_thermocouple_is_set_up_and_keeps_it(self, bench: Bench) -> bool:
        """Identity is known; type, filter and resolution can be read back."""
        if bench.thermocouple is None:
            return False
        line = bench.line(bench.thermocouple)
        chip = Mcp960x(line, "T", Counter())
        chip.set_up()
        assert chip.part in ("MCP9600", "MCP9601"), chip.part
        assert line.read8(SENSOR_CONFIG) == 0x22, line.read8(SENSOR_CONFIG)
        assert line.read8(DEVICE_CONFIG) == 0x20, line.read8(DEVICE_CONFIG)
        return True

    def check_thermocouple_reads_a_temperature(self, bench: Bench) -> bool:
        """Within two seconds a new conversion comes, warmer than dry ice and colder than a red-hot pipe."""
        if bench.thermocouple is None:
            return False
        chip = Mcp960x(bench.line(bench.thermocouple), "K", Counter())
        chip.set_up()
        hot_c, cold_c = None, None
        for _ in range(20):
            bench.clock.sleep(0.1)
            reading = chip.read()
            hot_c = reading.hot_c if reading.hot_c is not None else hot_c
            cold_c = reading.cold_c if reading.cold_c is not None else cold_c
        assert hot_c is not None, "no conversion in two seconds"
        assert -79 < hot_c < 600, hot_c
        assert cold_c is not None, "no cold junction in two seconds"
        assert -40 <= cold_c <= 125, cold_c
        return True

    def check_converter_is_set_up_and_marked(self, bench: Bench) -> bool:
        """The configuration is kept and the mark stands in the low threshold."""
        if bench.adc is None:
            return False
        line = bench.line(bench.adc)
        chip = Ads1x15(line, KINDS[bench.adc_kind], bench.range_v, bench.clock, Counter())
        chip.set_up()
        chip.check_mark()
        assert line.read16(LOW_THRESHOLD) & 0xFFF0 == MARK, hex(line.read16(LOW_THRESHOLD))
        return True

    def check_converter_converts_every_input(self, bench: Bench) -> bool:
        """Four inputs one after the other, each a number in range with the unused bits at zero."""
        if bench.adc is None:
            return False
        kind = KINDS[bench.adc_kind]
        chip = Ads1x15(bench.line(bench.adc), kind, bench.range_v, bench.clock, Counter())
        chip.set_up()
        for number in range(4):
            chip.start(number)
            counts = chip.finish()
            assert -32768 <= counts <= 32767, counts
            assert counts & kind.unused_bits == 0, counts
        return True

    def check_multiplexer_keeps_its_branch(self, bench: Bench) -> bool:
        """Every branch can be selected: `select` reads back and refuses what isn't kept."""
        if bench.multiplexer is None:
            return False
        ways = Multiplexers(bench.bus, [bench.multiplexer])
        for branch in range(8):
            ways.select(bench.multiplexer, branch)
        ways.set_mask(bench.multiplexer, 0)
        return True

    def check_an_empty_address_is_refused_at_once(self, bench: Bench) -> bool:
        """Whatever the number of the error, it is a refusal and no time-out."""
        refused, slow = bench.bus.counters["refused"], bench.bus.counters["timeouts"]
        reason = "answered"
        try:
            bench.bus.read16(bench.empty, 0)
        except TransferFailed as err:
            reason = err.reason
        assert reason == "refused", reason
        assert bench.bus.counters["refused"] == refused + 2, bench.bus.counters
        assert bench.bus.counters["timeouts"] == slow, bench.bus.counters
        return True

    def checks(self) -> list[str]:
        """Return the names of all checks."""
        return sorted(name for name in dir(self) if name.startswith("check_"))
