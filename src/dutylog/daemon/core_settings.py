"""What the supervisor tells core, as one JSON line: core itself reads no configuration file."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

from dutylog.config.columns import ColumnSource
from dutylog.config.sensors import SensorSettings
from dutylog.config.settings import LogSettings
from dutylog.domain.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class CoreSettings:
    """A checked configuration as core needs it.

    source_kind: 'sensors', 'recording' (file) or 'simulated' (scenario, seed). pace: 1 real time, 0 as fast as
    possible. block_rows: rows a recording hands on at once. exit_at_end: stop when the source ends.
    columns: where a recording has our columns under other names or in other units. keep: how much of
    the raw log stays. sensors: what 'sensors' reads.
    """

    vehicle: Vehicle
    data_dir: Path
    source_kind: str
    file: Path | None = None
    scenario: str | None = None
    seed: int = 1
    pace: float = 1.0
    grace_s: float = 600.0
    block_rows: int | None = 100
    exit_at_end: bool = False
    columns: tuple[ColumnSource, ...] = ()
    keep: LogSettings = field(default_factory=LogSettings)
    sensors: SensorSettings | None = None

    def to_json(self) -> str:
        """Return the one line."""
        return json.dumps(
            {
                "vehicle": self.vehicle.to_dict(),
                "data_dir": str(self.data_dir),
                "source_kind": self.source_kind,
                "file": None if self.file is None else str(self.file),
                "scenario": self.scenario,
                "seed": self.seed,
                "pace": self.pace,
                "grace_s": self.grace_s,
                "block_rows": self.block_rows,
                "exit_at_end": self.exit_at_end,
                "keep": [self.keep.keep_s, self.keep.keep_bytes],
                "sensors": None if self.sensors is None else self.sensors.to_dict(),
                "columns": [[c.target, c.column, c.unit, c.scale, c.offset] for c in self.columns],
            },
            allow_nan=False,
        )

    @staticmethod
    def from_json(line: str) -> CoreSettings:
        """Read the one line."""
        data = json.loads(line)
        return CoreSettings(
            vehicle=Vehicle.from_dict(data["vehicle"]),
            data_dir=Path(data["data_dir"]),
            source_kind=data["source_kind"],
            file=None if data["file"] is None else Path(data["file"]),
            scenario=data["scenario"],
            seed=data["seed"],
            pace=data["pace"],
            grace_s=data["grace_s"],
            block_rows=data["block_rows"],
            exit_at_end=data["exit_at_end"],
            keep=LogSettings(*data["keep"]),
            sensors=None if data["sensors"] is None else SensorSettings.from_dict(data["sensors"]),
            columns=tuple(ColumnSource(*column) for column in data["columns"]),
        )
