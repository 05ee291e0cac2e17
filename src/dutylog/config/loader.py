"""From a TOML file to `Settings`: read, check everything, convert to SI."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from pathlib import Path
from typing import Any

from dutylog.config.checks import check_document
from dutylog.config.columns import ColumnSource
from dutylog.config.limits import make_slug, one_line
from dutylog.config.report import Report
from dutylog.config.schema import (
    AdcTable,
    ChipTable,
    DamperTable,
    Document,
    InfluxdbTable,
    MqttTable,
    Points,
    ProfileTable,
    SourceTable,
)
from dutylog.config.sensor_checks import AIR
from dutylog.config.sensors import (
    AdcInput,
    AdcSettings,
    BridgeSettings,
    ChipPlace,
    GpsSettings,
    SensorSettings,
    ThermocoupleSettings,
)
from dutylog.config.settings import (
    InfluxSettings,
    LogSettings,
    MqttSettings,
    Settings,
    SourceSettings,
    TripSettings,
    WebSettings,
)
from dutylog.config.translate import read_document
from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Setting, Vehicle
from dutylog.errors import ConfigError
from dutylog.recording.block import RESERVOIR_PRESSURE
from dutylog.units import PA_PER_BAR, PA_PER_KPA, PA_PER_PSI

LARGEST_BYTES = 256 * 1024
"""Twenty times a vehicle with four long curves; more is another kind of file (judgement)."""

COUNTS = 32768
"""Counts of a converter's whole range. Source: data sheet SBAS444, table of input signal against ideal output code."""
_PA_PER = {"psi": PA_PER_PSI, "bar": PA_PER_BAR, "kPa": PA_PER_KPA}

TLS_PORT, PLAIN_PORT = 8883, 1883
"""Source: IANA service names secure-mqtt and mqtt."""


def load_settings(path: Path) -> Settings:
    """Read, check and convert a vehicle file; see `dutylog.config.load`."""
    return parse_settings(_read(path), path)


def parse_settings(data: bytes, path: Path) -> Settings:
    """Check and convert the bytes of a vehicle file.

    Args:
        data: UTF-8 TOML.
        path: the file's name for messages; relative paths in it start at its folder.
    Raises:
        ConfigError: with one line for each problem.
    """
    text, raw = _parsed(data, path)
    report = Report(path, text)
    document, rest = read_document(raw, report)
    check_document(raw, rest, report)
    if document is None or report.problems:
        raise ConfigError(report.problems)
    return Settings(
        vehicle=_vehicle(document),
        data_dir=None if document.data.dir is None else _resolve(document.data.dir, path),
        source=None if document.source is None else _source(document.source, path),
        web=WebSettings(document.web.listen, document.web.port, document.web.tls, tuple(document.web.names)),
        trip=TripSettings(grace_s=document.trip.grace_min * 60.0),
        path=path,
        text_hash=hashlib.sha256(data).hexdigest(),
        notes=report.notes,
        columns=_columns(document),
        log=LogSettings(document.log.keep_days * 86_400.0, round(document.log.keep_gb * 1e9)),
        mqtt=None if document.mqtt is None else mqtt_settings(document.mqtt, _vehicle(document).vehicle_id, path),
        influxdb=None if document.influxdb is None else _influxdb(document.influxdb, path),
        sensors=_sensors(document),
    )


def read_toml(path: Path) -> tuple[str, dict[str, Any]]:
    """Return text and content of a TOML file; ConfigError when it can't be read or is none."""
    return _parsed(_read(path), path)


def _parsed(data: bytes, path: Path) -> tuple[str, dict[str, Any]]:
    text = _decode(data, path)
    return text, _parse(text, path)


def _read(path: Path) -> bytes:
    name = one_line(str(path))
    try:
        if path.is_dir():
            raise ConfigError([f"{name}: is a folder; name the vehicle file in it"])
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise ConfigError([f"{name}: no such file; `dutylog config example` prints one to start from"]) from None
    except PermissionError:
        raise ConfigError([f"{name}: may not be read; check its permissions"]) from None
    except (OSError, ValueError) as err:
        reason = err.strerror if isinstance(err, OSError) else err
        raise ConfigError([f"{name}: can't be read: {one_line(str(reason))}"]) from err
    if len(data) > LARGEST_BYTES:
        limit = f"{LARGEST_BYTES // 1024} KiB"
        raise ConfigError([f"{name}: larger than {limit}, so no vehicle file; is it a recording?"])
    return data


def _decode(data: bytes, path: Path) -> str:
    try:
        # -sig: some editors put a byte-order mark first, which the TOML reader would refuse.
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = data.count(b"\n", 0, err.start) + 1
        seen = f"byte 0x{data[err.start]:02x}"
        raise ConfigError([f"{one_line(str(path))}:{line}: {seen} is not UTF-8; save the file as UTF-8 text"]) from None


def _parse(text: str, path: Path) -> dict[str, Any]:
    name = one_line(str(path))
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError([f"{name}: arrays or tables nested too deeply"]) from None
    except ValueError as err:  # TOMLDecodeError, and int() on thousands of digits
        reason = one_line(str(err))
    place = re.search(r" \(at line (\d+), column (\d+)\)$", reason)
    if place is None:
        raise ConfigError([f"{name}: not TOML: {reason}"])
    what = reason[: place.start()]
    raise ConfigError([f"{name}:{place[1]}: not TOML at column {place[2]} (line {place[1]}): {what}"])


def _resolve(text: str, path: Path) -> Path:
    return path.parent / os.path.expanduser(text)


def _source(table: SourceTable, path: Path) -> SourceSettings:
    file = None if table.file is None else _resolve(table.file, path)
    return SourceSettings(table.kind, table.pace, file, table.scenario, table.seed)


def mqtt_settings(table: MqttTable, vehicle_id: str, path: Path) -> MqttSettings:
    """Return [mqtt] with its defaults filled in; path: the file whose folder relative paths start at."""
    return MqttSettings(
        host=table.host,
        port=table.port or (TLS_PORT if table.tls else PLAIN_PORT),
        tls=table.tls,
        ca_file=_optional(table.ca_file, path),
        username=table.username,
        password_file=_optional(table.password_file, path),
        client_id=table.client_id or f"dutylog-{vehicle_id}",
    )


def _influxdb(table: InfluxdbTable, path: Path) -> InfluxSettings:
    return InfluxSettings(
        table.url, table.org, table.bucket, _resolve(table.token_file, path), _optional(table.ca_file, path)
    )


def _sensors(document: Document) -> SensorSettings | None:
    bridge, gps = document.bridge, document.gps
    if bridge is None and gps is None and not document.thermocouple and not document.adc:
        return None
    has_wheel = bridge is not None and bridge.wheel_pulses_per_m is not None
    return SensorSettings(
        bridge=None
        if bridge is None
        else BridgeSettings(bridge.device, tuple(bridge.inputs), bridge.rate_hz, bridge.wheel_pulses_per_m),
        thermocouples=tuple(
            ThermocoupleSettings("" if t.position == AIR else t.position, _place(t), t.type)
            for t in document.thermocouple
        ),
        adcs=tuple(_adc(adc) for adc in document.adc),
        gps=None if gps is None else GpsSettings(gps.device, gps.baud, has_speed=not has_wheel),
    )


def _place(table: ChipTable) -> ChipPlace:
    return ChipPlace(table.bus, table.address, table.multiplexer, table.branch)


def _adc(table: AdcTable) -> AdcSettings:
    inputs = []
    for entry in table.input:
        factor = _PA_PER[entry.unit or "psi"] if entry.measures == RESERVOIR_PRESSURE else 1.0
        per_reading_v = table.range_v / COUNTS if entry.reading == "counts" else 1.0
        scale = tuple((reading * per_reading_v, value * factor) for reading, value in _pairs(entry.points))
        inputs.append(AdcInput(entry.number, entry.measures, entry.position or "", scale))
    return AdcSettings(_place(table), table.chip, table.range_v, tuple(inputs))


def _optional(text: str | None, path: Path) -> Path | None:
    return None if text is None else _resolve(text, path)


def _columns(document: Document) -> tuple[ColumnSource, ...]:
    return tuple(
        ColumnSource(target, table.column, table.unit, table.scale, table.offset)
        for target, table in document.import_.columns.items()
    )


def _vehicle(document: Document) -> Vehicle:
    table = document.vehicle
    return Vehicle(
        vehicle_id=table.id or make_slug(table.name),
        name=table.name,
        dampers=tuple(_damper(d) for d in document.damper),
        profiles=tuple(_profile(name, p) for name, p in document.profile.items()),
    )


def _pairs(points: Points | None) -> tuple[tuple[float, float], ...]:
    return tuple((p[0], p[1]) for p in points or ())


def _damper(table: DamperTable) -> Damper:
    return Damper(
        position=table.position,
        wheel=table.wheel or table.position,
        profile=table.profile,
        serial=table.serial,
        travel_from=table.travel_from,
        travel_map=_pairs(table.travel_map),
        calibration=_pairs(table.calibration),
        settings=tuple(Setting(s.from_, s.name, s.compression_clicks, s.rebound_clicks) for s in table.setting),
        bump_stop_m=None if table.bump_stop_mm is None else _m(table.bump_stop_mm),
        strap_m=None if table.strap_mm is None else _m(table.strap_mm),
    )


def _m(value_mm: float) -> float:
    # Division gives the double nearest to the decimal figure (22.2 mm -> 0.0222 m); times 1e-3 doesn't.
    return value_mm / 1000.0


def _curve(points: Points) -> ForceCurve:
    return ForceCurve(tuple(p[0] for p in points), tuple(p[1] for p in points))


def _profile(name: str, table: ProfileTable) -> Profile:
    if table.force_curve is not None:
        force: tuple[ForceAt, ...] = (ForceAt(0.0, _curve(table.force_curve)),)
    else:
        force = tuple(ForceAt(_m(at.travel_mm), _curve(at.force_curve)) for at in table.force_at or ())
    return Profile(
        name=name,
        stroke_m=_m(table.stroke_mm),
        shaft_diameter_m=_m(table.shaft_diameter_mm),
        bore_diameter_m=_m(table.bore_diameter_mm),
        oil_mass_kg=table.oil_mass_kg,
        body_mass_kg=table.body_mass_kg,
        heat_capacity_j_per_k=table.heat_capacity_j_per_k,
        force=force,
        fade_per_k=table.fade_per_k,
        reference_c=table.reference_c,
        body_limit_c=table.body_limit_c,
        oil_limit_c=table.oil_limit_c,
        has_base_valve=table.base_valve,
        charge_pa=_charge_pa(table),
        gas_volume_m3=None if table.gas_volume_ml is None else table.gas_volume_ml / 1e6,
        construction=table.construction,
        reservoir=table.reservoir,
        joints=table.joints,
        is_rebuildable=table.rebuildable,
        lead_days=table.lead_days,
    )


def _charge_pa(table: ProfileTable) -> float | None:
    if table.charge_psi is not None:
        return table.charge_psi * PA_PER_PSI
    return None if table.charge_bar is None else table.charge_bar * PA_PER_BAR
