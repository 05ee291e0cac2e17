"""`dutylog life settings`: what each damper did at each setting of its adjusters."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from dutylog.cli.duty_text import (
    UNKNOWN,
    distance_head,
    distance_text,
    energy_head,
    energy_text,
    hours_text,
    json_text,
    table_text,
)
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.domain.vehicle import Setting
from dutylog.ledger.rows import Unit
from dutylog.life.by_setting import Stretch, read_stretches

DATE_UNKNOWN = "date unknown"
NOT_TOLD = "not told"
KNOWN_ENOUGH = 0.995


@click.command()
@click.argument("unit", required=False)
@with_data
@with_format
def settings(place: DataPlace, unit: str | None, form: str, units: str) -> None:
    """Show what every damper, or damper UNIT, did at each setting of its adjusters and in each place.

    Settings stand in the vehicle file as [[damper.setting]]; core takes them up when it starts.
    """
    with place.reading() as opened, opened.reading():
        wanted = opened.units() if unit is None else [opened.find_unit(unit)]
        found = [(one, read_stretches(opened, one)) for one in wanted]
        engine = opened.cursor().engine
    if form == "json":
        click.echo(json_text(engine, {"dampers": [_to_json(one, stretches) for one, stretches in found]}))
        return
    rows = [_row(one, stretch, units) for one, stretches in found for stretch in stretches]
    if not rows:
        click.echo("no minute of a damper is kept yet; drive first")
        return
    heads = ["damper", "from", "until", "position", "setting", "hours moving", distance_head("distance", units)]
    heads += [energy_head(units), "heat W", distance_head("shaft travel", units)]
    click.echo(table_text(heads, rows, left=5))
    click.echo("heat W: mean while moving and measured. Days are UTC. ≥: speed was known for a part of it only.")


def setting_text(setting: Setting | None) -> str:
    """Return what adjusters stand on in words."""
    if setting is None:
        return NOT_TOLD
    clicks = (("compression", setting.compression_clicks), ("rebound", setting.rebound_clicks))
    told = [f"{what} {count}" for what, count in clicks if count is not None]
    return f"{setting.name} ({', '.join(told)})" if told else setting.name


def _row(unit: Unit, stretch: Stretch, units: str) -> list[str]:
    is_dated = stretch.first_day is not None
    return [
        unit.label,
        str(stretch.first_day) if is_dated else DATE_UNKNOWN,
        str(stretch.last_day) if is_dated else UNKNOWN,
        stretch.position,
        setting_text(stretch.setting) if is_dated else UNKNOWN,
        hours_text(stretch.moving_us),
        _distance(stretch, units),
        energy_text(stretch.energy_uj, units),
        UNKNOWN if stretch.heat_w is None else f"{stretch.heat_w:.0f}",
        distance_text(stretch.shaft_travel_um * 1e-6, units),
    ]


def _distance(stretch: Stretch, units: str) -> str:
    text = distance_text(stretch.distance_m, units)
    is_part = stretch.known_ratio is not None and stretch.known_ratio < KNOWN_ENOUGH
    return f"≥ {text}" if stretch.distance_m is not None and is_part else text


def _to_json(unit: Unit, stretches: Sequence[Stretch]) -> dict[str, Any]:
    return {
        "unit_id": unit.unit_id,
        "serial": unit.serial,
        "unit": unit.label,
        "stretches": [_stretch_to_json(stretch) for stretch in stretches],
    }


def _stretch_to_json(stretch: Stretch) -> dict[str, Any]:
    first, last = (None if day is None else day.isoformat() for day in (stretch.first_day, stretch.last_day))
    return {
        "from_day": first,
        "until_day": last,
        "position": stretch.position,
        "setting": None if stretch.setting is None else stretch.setting.to_dict(),
        "minutes_count": stretch.minutes_count,
        "moving_s": stretch.moving_us / 1e6,
        "distance_m": stretch.distance_m,
        "distance_known_ratio": stretch.known_ratio,
        "energy_j": stretch.energy_uj / 1e6,
        "heat_w": stretch.heat_w,
        "shaft_travel_m": stretch.shaft_travel_um / 1e6,
    }
