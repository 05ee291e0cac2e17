"""What a vehicle file says, as plain data in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog.config.columns import ColumnSource
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import ConfigError

SIMULATED = "simulated"
RECORDING = "recording"


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """Where samples come from.

    kind: SIMULATED or RECORDING. pace: 1 real time, 0 as fast as possible. file: the recording,
    None for the simulated vehicle. scenario: what the simulated vehicle drives, None for its own choice.
    """

    kind: str
    pace: float = 1.0
    file: Path | None = None
    scenario: str | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True)
class WebSettings:
    """Where the page listens; `listen` is an IP address in text."""

    listen: str = "127.0.0.1"
    port: int = 8321


@dataclass(frozen=True, slots=True)
class TripSettings:
    """grace_s: a trip ends when nothing moved for this long [s]."""

    grace_s: float = 600.0


@dataclass(frozen=True, slots=True)
class Settings:
    """A checked vehicle file.

    data_dir: folder of ledger and raw log, None when the file doesn't say. text_hash: SHA-256 of the
    file's bytes, hex. notes: one line for each thing that is odd but allowed. columns: where a
    recording has its columns under other names or in other units, in the order of the file.
    """

    vehicle: Vehicle
    data_dir: Path | None
    source: SourceSettings | None
    web: WebSettings
    trip: TripSettings
    path: Path
    text_hash: str
    notes: tuple[str, ...] = ()
    columns: tuple[ColumnSource, ...] = ()

    def require_source(self) -> SourceSettings:
        """Return the source; ConfigError when the file has none."""
        if self.source is None:
            raise ConfigError(
                [f'{self.path}: source: missing; add [source] with kind = "{SIMULATED}" or kind = "{RECORDING}"']
            )
        return self.source

    def require_data_dir(self) -> Path:
        """Return the data folder; ConfigError when the file has none."""
        if self.data_dir is None:
            raise ConfigError([f'{self.path}: data.dir: missing; add [data] with dir = "FOLDER"'])
        return self.data_dir
