"""The snapshot that core pushes to the pages: its form, and the check of every line (shared/SNAPSHOT.md)."""

from __future__ import annotations

import functools
import json
import unicodedata
from dataclasses import asdict, dataclass, field
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Le, Len
from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic_core import CoreConfig, SchemaValidator

from dutylog.errors import FrameError
from dutylog.units import NS_PER_S

SCHEMA = 1
MAX_LINE_BYTES = 256 * 1024
"""Longest line; a vehicle of 8 dampers needs about 5 KiB."""

Text = Annotated[str, Len(0, 300)]
Name = Annotated[str, Len(1, 100)]
Positive = Annotated[float, Ge(0.0), Le(1e15)]
Signed = Annotated[float, Ge(-1e9), Le(1e9)]
Ratio = Annotated[float, Ge(0.0), Le(1.0)]
Count = Annotated[int, Ge(0), Le(2**53 - 1)]  # beyond it a browser's number isn't exact
MonoS = Annotated[float, Ge(0.0), Le(1e11)]
UtcNs = Annotated[int, Ge(-(2**63)), Le(2**63 - 1)]
State = Literal["ok", "warm", "hot", "over_limit", "no_temperature", "no_travel", "no_data", "waiting"]
DeviceState = Literal["working", "waiting", "lost", "wrong"]

_STRICT = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class VehicleName:
    """Which vehicle speaks."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    id: Name
    name: Text


@dataclass(frozen=True, slots=True)
class SourceNow:
    """Where the samples come from and how that goes; state_text is one line for people."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    kind: Name
    text: Text
    state: Literal["running", "ended", "lost"]
    state_text: Text = ""


@dataclass(frozen=True, slots=True)
class TripNow:
    """The open trip; number is None until the ledger gave it one."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    number: Count | None
    started_mono_s: MonoS
    duration_s: Positive
    distance_m: Positive | None


@dataclass(frozen=True, slots=True)
class DamperNow:
    """One damper; meaning, unit and null of each field stand in shared/SNAPSHOT.md."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    position: Name
    wheel: Name
    unit_id: Text
    serial: Text | None
    body_c: Signed | None
    body_limit_c: Signed
    heat_w: Positive | None
    energy_total_j: Positive
    strokes_total_count: Count
    trip_energy_j: Positive | None
    trip_strokes_count: Count | None
    trip_peak_body_c: Signed | None
    travel_mm: Signed | None
    stroke_mm: Positive
    speed_rms_mps: Positive | None
    measured_ratio: Ratio | None
    faults: Annotated[tuple[Name, ...], Len(0, 32)]
    state: State
    state_text: Text
    body_raw_c: Signed | None = None
    travel_raw: Signed | None = None
    travel_raw_noise: Positive | None = None
    oil_c: Signed | None = None
    oil_sd_k: Positive | None = None
    oil_limit_c: Signed | None = None
    body_trend_k_per_s: Signed | None = None
    heat_room_w: Signed | None = None
    heat_room_low_w: Signed | None = None
    heat_room_high_w: Signed | None = None
    heat_room_ratio: Signed | None = None
    forecast_kind: Literal["holds", "reaches", "near_limit", "over", "no_limit"] | None = None
    forecast_node: Literal["body", "oil"] | None = None
    plateau_c: Signed | None = None
    plateau_low_c: Signed | None = None
    plateau_high_c: Signed | None = None
    to_limit_s: Positive | None = None
    to_limit_low_s: Positive | None = None
    to_limit_high_s: Positive | None = None
    pace_mps: Positive | None = None
    pace_low_mps: Positive | None = None
    pace_high_mps: Positive | None = None
    stop_peak_c: Signed | None = None
    stop_peak_s: Positive | None = None
    stop_handle_s: Positive | None = None
    forecast_text: Text | None = None
    heat_room_text: Text | None = None
    pace_text: Text | None = None
    stop_text: Text | None = None
    damping_ratio: Positive | None = None
    damping_sd: Positive | None = None
    damping_state: Literal["learning", "steady", "lost", "unknown"] | None = None
    damping_text: Text | None = None
    witness_state: Literal["lost", "suspect", "sound", "unknown"] | None = None
    witness_text: Text | None = None
    gas_pa: Signed | None = None
    gas_20c_pa: Signed | None = None
    gas_leaking: bool | None = None
    gas_text: Text | None = None
    cavitation_s: Positive | None = None


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """One channel of a device; text is one line for people, empty while it is working."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    position: Text
    quantity: Name
    state: DeviceState
    text: Text = ""


@dataclass(frozen=True, slots=True)
class DeviceNow:
    """One line to sensors and what it counted since the start of core."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    name: Name
    state: DeviceState
    text: Text
    counters: Annotated[dict[Name, Count], Len(0, 64)]
    channels: Annotated[tuple[ChannelNow, ...], Len(0, 128)] = ()


@dataclass(frozen=True, slots=True)
class AlertNow:
    """Something people are told of, open or just over; state, level and texts: shared/ALERTS.md."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    id: Name
    kind: Name
    position: Name | None
    subject: Name | None
    state: Literal["raised", "cleared"]
    level: Literal["advice", "act_now"]
    text: Text
    remedy: Text
    raised_mono_s: MonoS
    acknowledged_by: Name | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The vehicle at one moment."""

    __pydantic_config__: ClassVar[ConfigDict] = _STRICT
    schema: Literal[1]
    engine: Name
    seq: Count
    vehicle: VehicleName
    boot_id: Name
    mono_s: MonoS
    utc_ns: UtcNs
    utc_trusted: bool
    source: SourceNow
    moving: bool
    speed_mps: Positive | None
    ambient_c: Signed | None
    trip: TripNow | None
    dampers: Annotated[tuple[DamperNow, ...], Len(0, 64)]
    drops: Annotated[dict[Name, Count], Len(0, 64)] = field(default_factory=dict)
    standing_s: Positive = 0.0
    not_storing_s: Positive = 0.0
    not_stored_s: Positive = 0.0
    unsaved_s: Positive = 0.0
    devices: Annotated[tuple[DeviceNow, ...], Len(0, 16)] = ()
    alerts: Annotated[tuple[AlertNow, ...], Len(0, 20)] = ()


@functools.cache
def _whole() -> SchemaValidator:
    return _make_validator(Snapshot)


@functools.cache
def _damper() -> SchemaValidator:
    return _make_validator(DamperNow)


def _make_validator(kind: type) -> SchemaValidator:
    """Return what checks a kind of message, values of texts not remembered.

    As it comes the library keeps each text it meets, up to 16 384 of them: 1.5 MB by the tenth hour, since forecasts
    seldom say the same twice. A dataclass can't ask for that itself. Source: pydantic, cache_strings; measured.
    """
    return SchemaValidator(TypeAdapter(kind).core_schema, CoreConfig(cache_strings="keys"))


def parse_snapshot(line: bytes) -> Snapshot:
    """Read one line of the socket.

    Args:
        line: the bytes without the line feed, from a process we don't have to trust.
    Returns:
        A checked snapshot; fields this version doesn't know are left out.
    Raises:
        FrameError: no JSON object of schema 1, a field missing, of the wrong type or out of range,
            a number that isn't finite, text with control characters, or a position twice.
    """
    snapshot: Snapshot = _parse(line, _whole())
    positions = [damper.position for damper in snapshot.dampers]
    if len(set(positions)) != len(positions):
        raise FrameError("snapshot dampers: a position appears twice")
    return snapshot


def parse_damper(line: bytes) -> DamperNow:
    """Read one damper of a snapshot that came by itself; errors as those of `parse_snapshot`."""
    damper: DamperNow = _parse(line, _damper())
    return damper


def _parse(line: bytes, validator: SchemaValidator) -> Any:
    if len(line) > MAX_LINE_BYTES:
        raise FrameError(f"snapshot line of {len(line)} bytes, at most {MAX_LINE_BYTES}")
    try:
        part = validator.validate_json(line)
    except ValidationError as err:
        first = err.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "line"
        raise FrameError(f"snapshot {where}: {first['msg']}") from err
    _check_texts(part)
    return part


def encode_snapshot(snapshot: Snapshot) -> bytes:
    """Return the line for the socket, line feed included; ValueError when a number isn't finite."""
    return json.dumps(asdict(snapshot), allow_nan=False, separators=(",", ":")).encode("utf-8") + b"\n"


def _check_texts(part: Snapshot | DamperNow) -> None:
    for text in _texts(asdict(part)):
        # Cc would break lines of /health; Cs can't be sent as UTF-8
        if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in text):
            raise FrameError(f"snapshot text with control characters: {text[:40]!r}")


def _texts(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for pair in value.items() for part in pair for text in _texts(part)]
    if isinstance(value, list | tuple):
        return [text for part in value for text in _texts(part)]
    return []


def utc_s(snapshot: Snapshot) -> float | None:
    """Return wall time [s since 1970], None while the vehicle's clock isn't to be trusted."""
    return snapshot.utc_ns / NS_PER_S if snapshot.utc_trusted else None
