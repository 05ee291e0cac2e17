"""What a vehicle file says, as plain data in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from dutylog.config.columns import ColumnSource
from dutylog.config.sensors import SensorSettings
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import ConfigError

SENSORS = "sensors"
SIMULATED = "simulated"
RECORDING = "recording"


@dataclass(frozen=True, slots=True)
class SourceSettings:
    """Where samples come from.

    kind: SENSORS, SIMULATED or RECORDING. pace: 1 real time, 0 as fast as possible. file: the recording,
    None for the others. scenario: what the simulated vehicle drives, None for its own choice.
    """

    kind: str
    pace: float = 1.0
    file: Path | None = None
    scenario: str | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True)
class WebSettings:
    """Where the page listens; `listen` is an IP address in text. names: further host names people may type."""

    listen: str = "127.0.0.1"
    port: int = 8321
    tls: bool = False
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TripSettings:
    """grace_s: a trip ends when nothing moved for this long [s]."""

    grace_s: float = 600.0


@dataclass(frozen=True, slots=True)
class LogSettings:
    """How long [s] and how much raw log is kept: whichever is over first goes."""

    keep_s: float = 365 * 86_400.0
    keep_bytes: int = 8_000_000_000


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """Which broker is told, and how we show who we are; None: not needed. The password itself isn't here."""

    host: str
    port: int
    tls: bool
    ca_file: Path | None
    username: str | None
    password_file: Path | None
    client_id: str


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """Which database is told; ca_file: None for what the machine trusts. The token itself isn't here."""

    url: str
    org: str
    bucket: str
    token_file: Path
    ca_file: Path | None


@dataclass(frozen=True, slots=True)
class Settings:
    """A checked vehicle file.

    data_dir: folder of ledger and raw log, None when the file doesn't say. text_hash: SHA-256 of the
    file's bytes, hex. notes: one line for each thing that is odd but allowed. columns: where a
    recording has its columns under other names or in other units, in the order of the file. log: what of
    the raw log is kept. mqtt, influxdb: who is told, None for nobody. sensors: None where the file names none.
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
    log: LogSettings = field(default_factory=LogSettings)
    mqtt: MqttSettings | None = None
    influxdb: InfluxSettings | None = None
    sensors: SensorSettings | None = None

    def require_source(self) -> SourceSettings:
        """Return the source; ConfigError when the file has none."""
        if self.source is None:
            raise ConfigError(
                [f'{self.path}: source: missing; add [source] with kind = "{SENSORS}", "{SIMULATED}" or "{RECORDING}"']
            )
        return self.source

    def require_data_dir(self) -> Path:
        """Return the data folder; ConfigError when the file has none."""
        if self.data_dir is None:
            raise ConfigError([f'{self.path}: data.dir: missing; add [data] with dir = "FOLDER"'])
        return self.data_dir
