"""What is published to brokers: topics and JSON objects, field by field (shared/TOPICS.md, shared/asyncapi.yaml)."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from dutylog import ENGINE
from dutylog.ledger.rows import UnitDuty
from dutylog.publish.alerts import Alert
from dutylog.publish.duty_fields import life_fields
from dutylog.publish.outbox import Counts
from dutylog.publish.snapshot import DamperNow, Snapshot

ROOT = "dutylog/v1"
SCHEMA = 1
ONLINE = "online"
OFFLINE = "offline"
FOR_CALIBRATION = ("body_raw_c", "travel_raw", "travel_raw_noise")
"""Fields of a snapshot's dampers that only whoever calibrates wants."""
_LEVEL = re.compile(r"[A-Za-z0-9_-]{1,64}")
"""What may stand in a topic: positions and ids are slugs and UUIDs, so wildcards and / never get in."""


def status_topic(vehicle_id: str) -> str:
    return f"{ROOT}/{vehicle_id}/status"


def alert_topic(vehicle_id: str) -> str:
    return f"{ROOT}/{vehicle_id}/alert"


def vehicle_topic(vehicle_id: str) -> str:
    return f"{ROOT}/{vehicle_id}/vehicle"


def live_topic(vehicle_id: str, position: str) -> str | None:
    """Return the topic of a position, None where its name can't stand in one."""
    return f"{ROOT}/{vehicle_id}/live/{position}" if _LEVEL.fullmatch(position) else None


def live_pattern(vehicle_id: str) -> str:
    """Return what to subscribe to for all positions of a vehicle."""
    return f"{ROOT}/{vehicle_id}/live/+"


def duty_topic(vehicle_id: str, unit_id: str) -> str | None:
    """Return the topic of a damper, None where its id can't stand in one."""
    return f"{ROOT}/{vehicle_id}/duty/{unit_id}" if _LEVEL.fullmatch(unit_id) else None


@dataclass(frozen=True, slots=True)
class StatusNow:
    """How vehicle and publishing are; None: unknown. link: to core, `live`, `stale` or `waiting`."""

    state: str
    utc_ns: int | None = None
    utc_trusted: bool | None = None
    link: str | None = None
    source_state: str | None = None
    source_text: str | None = None
    source_state_text: str | None = None
    standing_s: float | None = None
    not_storing_s: float | None = None
    not_stored_s: float | None = None
    unsaved_s: float | None = None


def status_object(vehicle_id: str, now: StatusNow, counts: Mapping[str, Counts]) -> dict[str, Any]:
    """Return the status; counts: of each output, by its name."""
    outputs = {
        name: {"waiting_count": c.waiting_count, "dropped_count": c.dropped_count, "rejected_count": c.rejected}
        for name, c in counts.items()
    }
    return _object(vehicle_id=vehicle_id, **asdict(now), outputs=outputs)


def live_object(snapshot: Snapshot, damper: DamperNow, utc_ns: int | None) -> dict[str, Any]:
    """Return one damper of a snapshot, under the snapshot's own names."""
    told = {name: value for name, value in asdict(damper).items() if name not in FOR_CALIBRATION}
    return _object(boot_id=snapshot.boot_id, seq=snapshot.seq, mono_s=snapshot.mono_s, utc_ns=utc_ns, **told)


def told_as_live(vehicle_id: str, snapshot: Snapshot) -> list[tuple[str, DamperNow]]:
    """Return (topic, damper) of those that get a message: which unit sits there is known, and its name can be told."""
    found = ((live_topic(vehicle_id, damper.position), damper) for damper in snapshot.dampers)
    return [(topic, damper) for topic, damper in found if topic is not None and damper.unit_id]


def vehicle_object(snapshot: Snapshot, positions: Sequence[str], sent_mono_s: float) -> dict[str, Any]:
    """Return all of a snapshot but its dampers, under the snapshot's own names.

    positions: whose `live` belongs to it, in order. sent_mono_s: our monotonic time when it came [s], for differences.
    """
    told = asdict(replace(snapshot, dampers=()))
    for name in ("schema", "engine", "dampers"):
        del told[name]
    for device in told["devices"]:
        del device["counters"]  # half of it, each second, and no page shows them
    told["utc_ns"] = snapshot.utc_ns if snapshot.utc_trusted else None
    return _object(**told, positions=list(positions), sent_mono_s=sent_mono_s)


def duty_object(unit: UnitDuty) -> dict[str, Any]:
    """Return a damper's totals; readers keep the highest (revision, seq)."""
    return _object(
        unit_id=unit.unit_id,
        serial=unit.serial,
        label=unit.label,
        position=unit.position,
        revision=unit.revision,
        seq=unit.sequence,
        **life_fields(unit.totals),
    )


def alert_object(alert: Alert) -> dict[str, Any]:
    """Return an alert; readers know a repeated one by its id."""
    return _object(**asdict(alert))


def encode(value: Mapping[str, Any]) -> bytes:
    """Return an object as UTF-8 JSON; a number that isn't finite becomes null."""
    return json.dumps(_plain(value), allow_nan=False, separators=(",", ":"), ensure_ascii=False).encode("utf-8")


def _object(**fields: Any) -> dict[str, Any]:
    return {"schema": SCHEMA, "engine": ENGINE, **fields}


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value
