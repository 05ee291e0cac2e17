"""What the publish process is told at its start, as one line; secrets stay in their files."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from dutylog.config.settings import InfluxSettings, MqttSettings, Settings


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """Whose data, from which folder, to whom; None: not told."""

    vehicle_id: str
    data_dir: Path
    mqtt: MqttSettings | None
    influxdb: InfluxSettings | None

    @staticmethod
    def of(settings: Settings, data_dir: Path) -> PublishSettings | None:
        """Return what a vehicle file says, None when nobody is to be told."""
        if settings.mqtt is None and settings.influxdb is None:
            return None
        return PublishSettings(settings.vehicle.vehicle_id, data_dir, settings.mqtt, settings.influxdb)

    @property
    def told_to(self) -> str:
        """Return whose points go to which database, as a text that differs for another vehicle or database."""
        place = self.influxdb
        return "" if place is None else json.dumps([self.vehicle_id, place.url, place.org, place.bucket])

    def to_json(self) -> str:
        """Return the line."""
        return json.dumps(asdict(self), default=str)

    @staticmethod
    def from_json(line: str) -> PublishSettings:
        """Read the line."""
        data = json.loads(line)
        mqtt, influxdb = data["mqtt"], data["influxdb"]
        return PublishSettings(
            data["vehicle_id"],
            Path(data["data_dir"]),
            None if mqtt is None else MqttSettings(**_paths(mqtt, "ca_file", "password_file")),
            None if influxdb is None else InfluxSettings(**_paths(influxdb, "ca_file", "token_file")),
        )


def _paths(table: dict[str, Any], *names: str) -> dict[str, Any]:
    return table | {name: None if table[name] is None else Path(table[name]) for name in names}
