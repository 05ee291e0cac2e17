"""What `dutylog follow` is told: a vehicle's id and [mqtt], from a small file, the vehicle file or options."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from dutylog.config.checks import check_outputs
from dutylog.config.limits import make_slug
from dutylog.config.loader import mqtt_settings, read_toml
from dutylog.config.report import Report
from dutylog.config.schema import MqttTable, Slug, Table, Text
from dutylog.config.settings import MqttSettings
from dutylog.config.translate import read_as
from dutylog.errors import ConfigError

OPTIONS = Path("options")
"""What stands in messages for a file where there is none."""


@dataclass(frozen=True, slots=True)
class FollowSettings:
    """Whom to follow over which broker. notes: one line for each thing that is odd but allowed."""

    vehicle_id: str
    mqtt: MqttSettings
    notes: tuple[str, ...] = ()


class FollowVehicleTable(Table):
    """[vehicle]; the name alone is enough, as in a vehicle file."""

    name: Text | None = Field(default=None, description="what people call the vehicle")
    id: Slug | None = Field(default=None, description="the vehicle's id, used in topics and paths")


class FollowDocument(BaseModel):
    """Two tables; others are the vehicle's own affair, so that its file serves too."""

    model_config = ConfigDict(strict=True, extra="ignore", frozen=True)
    vehicle: FollowVehicleTable = Field(description="[vehicle]")
    mqtt: MqttTable = Field(description="[mqtt]")


def load_follow(path: Path | None, vehicle_id: str | None, mqtt: Mapping[str, Any]) -> FollowSettings:
    """Read a file and lay options over it.

    Args:
        path: the file, None where options say all.
        vehicle_id: instead of the file's. mqtt: keys of [mqtt] instead of the file's.
    Raises:
        ConfigError: one line for each problem.
    """
    text, raw = ("", {}) if path is None else read_toml(path)
    where = path or OPTIONS
    if vehicle_id is not None:
        raw["vehicle"] = {"id": vehicle_id}
    if mqtt and isinstance(raw.setdefault("mqtt", {}), dict):
        raw["mqtt"] |= mqtt
    report = Report(where, text)
    document, rest = read_as(FollowDocument, raw, report)
    raw_mqtt = raw.get("mqtt")
    check_outputs(raw_mqtt if isinstance(raw_mqtt, dict) else {}, {"mqtt": rest.get("mqtt")}, report)
    if document is not None:
        found = document.vehicle.id or make_slug(document.vehicle.name or "")
        if found and not report.problems:
            return FollowSettings(found, mqtt_settings(document.mqtt, found, where), report.notes)
        if not found:
            report.problem(("vehicle", "id"), "missing; the vehicle's id, used in topics and paths")
    raise ConfigError(report.problems)
