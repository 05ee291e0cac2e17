"""What was published, read back by whoever follows a vehicle over a broker (shared/TOPICS.md, Followers)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dutylog.errors import FrameError
from dutylog.publish.snapshot import DamperNow, Snapshot, parse_damper, parse_snapshot
from dutylog.publish.topics import OFFLINE, ONLINE, live_topic

MAX_BYTES = 64 * 1024
"""Longest message; that of a vehicle with 16 lines of sensors has about 20 KiB."""
MOST_POSITIONS = 64
"""As many as a snapshot has places for."""

Reading = tuple[str, float]
"""One start of core and the time of its readings [s]: messages of one moment carry the same."""


@dataclass(frozen=True, slots=True)
class VehicleTold:
    """A message of `vehicle`: a snapshot without dampers, and whose `live` belongs to it, in order.

    sent_mono_s: clock of the machine that publishes [s]; only differences mean anything here.
    """

    snapshot: Snapshot
    positions: tuple[str, ...]
    sent_mono_s: float

    @property
    def reading(self) -> Reading:
        """Return the moment that `live` has to be of."""
        return self.snapshot.boot_id, self.snapshot.mono_s


@dataclass(frozen=True, slots=True)
class DamperTold:
    """A message of `live`."""

    reading: Reading
    seq: int
    damper: DamperNow


def parse_vehicle(payload: bytes, vehicle_id: str) -> VehicleTold:
    """Read a message of `vehicle` that nobody has to trust.

    Raises:
        FrameError: too long, no JSON object of schema 1, of another vehicle, or a field missing, of the wrong
            type or out of range.
    """
    told = _object(payload)
    positions = told.get("positions")
    if not isinstance(positions, list) or len(positions) > MOST_POSITIONS or len(positions) != len(_texts(positions)):
        raise FrameError(f"vehicle positions: no list of at most {MOST_POSITIONS} different names")
    sent_mono_s = told.get("sent_mono_s")
    if isinstance(sent_mono_s, bool) or not isinstance(sent_mono_s, int | float) or not 0 <= sent_mono_s <= 1e11:
        raise FrameError("vehicle sent_mono_s: no number from 0 to 1e11")
    devices = told.get("devices")
    told["devices"] = [
        device | {"counters": {}} if isinstance(device, dict) else device
        for device in (devices if isinstance(devices, list) else [])
    ]
    utc_ns = told.get("utc_ns")
    snapshot = parse_snapshot(_line(told | {"dampers": [], "utc_ns": 0 if utc_ns is None else utc_ns}))
    if snapshot.vehicle.id != vehicle_id:
        raise FrameError(f"vehicle {snapshot.vehicle.id[:40]!r} isn't the one whose topic this is")
    return VehicleTold(snapshot, tuple(positions), float(sent_mono_s))


def parse_live(payload: bytes, vehicle_id: str, topic: str) -> DamperTold:
    """Read a message of `live`; errors as those of `parse_vehicle`, also where the topic is another position's."""
    told = _object(payload)
    damper = parse_damper(_line(told))
    if live_topic(vehicle_id, damper.position) != topic:
        raise FrameError(f"live position {damper.position[:40]!r} isn't the one whose topic this is")
    boot_id, mono_s, seq = told.get("boot_id"), told.get("mono_s"), told.get("seq")
    if not isinstance(boot_id, str) or isinstance(mono_s, bool) or not isinstance(mono_s, int | float):
        raise FrameError("live boot_id, mono_s: no text and number")
    if isinstance(seq, bool) or not isinstance(seq, int):
        raise FrameError("live seq: no whole number")
    return DamperTold((boot_id, float(mono_s)), seq, damper)


def parse_status(payload: bytes) -> bool:
    """Return whether a message of `status` says that the vehicle publishes; errors as those of `parse_vehicle`."""
    state = _object(payload).get("state")
    if state not in (ONLINE, OFFLINE):
        raise FrameError(f"status state: neither {ONLINE} nor {OFFLINE}")
    return bool(state == ONLINE)


def _object(payload: bytes) -> dict[str, Any]:
    if len(payload) > MAX_BYTES:
        raise FrameError(f"message of {len(payload)} bytes, at most {MAX_BYTES}")
    try:
        told = json.loads(payload, parse_constant=_refuse)
    except (ValueError, RecursionError) as err:
        raise FrameError(f"message is no JSON ({type(err).__name__})") from err
    if not isinstance(told, dict) or isinstance(told.get("schema"), bool) or told.get("schema") != 1:
        raise FrameError("message is no object of schema 1")
    return told


def _line(told: Mapping[str, Any]) -> bytes:
    try:
        return json.dumps(told, allow_nan=False).encode()
    except (ValueError, RecursionError) as err:
        raise FrameError(
            f"message has a number that isn't finite, or is nested too deeply ({type(err).__name__})"
        ) from err


def _texts(values: list[Any]) -> set[str]:
    return {value for value in values if isinstance(value, str) and value}


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no JSON")
