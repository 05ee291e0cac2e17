"""`dutylog config`: look at a vehicle file before it is used."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from dutylog.config import Settings, example_text, load
from dutylog.config.sensors import SensorSettings
from dutylog.config.settings import SENSORS
from dutylog.domain.vehicle import Damper, Profile
from dutylog.units import c_to_f

SHOWN_SPEED_MPS = 1.0
"""Shaft speed at which the table shows force: brisk driving, within most curves (judgement)."""


@click.group()
def config() -> None:
    """Check a vehicle file or print an example."""


@config.command()
@click.argument("file", type=click.Path(path_type=Path))
def check(file: Path) -> None:
    """Tell everything that is wrong with FILE, or show what it says."""
    settings = load(file)
    click.echo(f"{file} is good")
    click.echo("\n".join(describe(settings)))


@config.command()
def example() -> None:
    """Print a commented example to start from."""
    click.echo(example_text(), nl=False)


def describe(settings: Settings) -> list[str]:
    """Return what a vehicle file says, as lines for a terminal; notes come last."""
    vehicle = settings.vehicle
    lines = ["", f"vehicle  {vehicle.name} ({vehicle.vehicle_id})", ""]
    heads = ("position", "wheel", "serial", "profile", "stroke", "force at 1 m/s", "limits")
    rows = [_row(damper, vehicle.profile_of(damper)) for damper in vehicle.dampers]
    lines += _table([heads, *rows])
    lines += ["", f"data     {settings.data_dir or 'not said'}", f"source   {_source(settings)}"]
    lines += [
        f"page     {_address(settings)}",
        f"trip     ends after {settings.trip.grace_s / 60:g} min without motion",
    ]
    if settings.mqtt is not None:
        how = "encrypted" if settings.mqtt.tls else "open line"
        lines.append(f"broker   {settings.mqtt.host} port {settings.mqtt.port}, {how}")
    if settings.influxdb is not None:
        lines.append(f"database {settings.influxdb.url}, bucket {settings.influxdb.bucket}")
    if settings.notes:
        lines += ["", *(f"note: {note}" for note in settings.notes)]
    return lines


def _row(damper: Damper, profile: Profile) -> tuple[str, ...]:
    stroke_mm = profile.stroke_m * 1000.0
    return (
        damper.position,
        damper.wheel,
        damper.serial or "-",
        profile.name,
        f"{stroke_mm:g} mm ({stroke_mm / 25.4:.1f} in)",
        f"{_forces(profile, SHOWN_SPEED_MPS)} / {_forces(profile, -SHOWN_SPEED_MPS)} N",
        _limits(profile),
    )


def _forces(profile: Profile, speed_mps: float) -> str:
    """Return the force, or its span where it depends on travel."""
    forces = sorted((at.curve.compute_force_n(speed_mps) for at in profile.force), key=abs)
    low, high = f"{forces[0]:.0f}", f"{forces[-1]:.0f}"
    return low if low == high else f"{low}…{high}"


def _limits(profile: Profile) -> str:
    parts = [f"body {_temperature(profile.body_limit_c)}"]
    if profile.oil_limit_c is not None:
        parts.append(f"oil {_temperature(profile.oil_limit_c)}")
    return ", ".join(parts)


def _temperature(value_c: float) -> str:
    return f"{value_c:g} °C ({c_to_f(value_c):.0f} °F)"


def _source(settings: Settings) -> str:
    source = settings.source
    if source is None:
        return "none: good for `dutylog integrate`, not for `dutylog run`"
    if settings.sensors is not None and source.kind == SENSORS:
        return f"{source.kind}: {_sensors(settings.sensors)}"
    pace = "as fast as possible" if source.pace == 0 else f"{source.pace:g} times real time"
    what = str(source.file) if source.file is not None else f"scenario {source.scenario or '(default)'}"
    return f"{source.kind}, {what}, {pace}"


def _sensors(sensors: SensorSettings) -> str:
    parts = []
    if sensors.bridge is not None:
        parts.append(f"bridge at {sensors.bridge.port}, {sensors.bridge.rate_hz} Hz")
    count = len(sensors.thermocouples)
    parts += [f"{count} thermocouple{'s' if count > 1 else ''}"] if count else []
    parts += [f"{adc.chip} at 0x{adc.place.address:02x}" for adc in sensors.adcs]
    parts += [] if sensors.gps is None else [f"GPS receiver at {sensors.gps.port}"]
    return ", ".join(parts)


def _address(settings: Settings) -> str:
    listen = f"[{settings.web.listen}]" if ":" in settings.web.listen else settings.web.listen
    return f"http://{listen}:{settings.web.port}/"


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
