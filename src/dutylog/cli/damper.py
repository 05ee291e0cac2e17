"""`dutylog damper`: what each damper is, where it sits and what it has done."""

from __future__ import annotations

from typing import Any

import click

from dutylog.cli.duty_text import (
    compute_coverage,
    compute_measured_share,
    distance_head,
    distance_text,
    energy_head,
    energy_text,
    hours_text,
    json_text,
    percent_text,
    speed_head,
    speed_text,
    table_text,
    temperature_head,
    temperature_text,
    totals_to_json,
    utc_text,
)
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.duty.totals import Totals
from dutylog.ledger.rows import Install, Unit

ON_THE_SHELF = "on the shelf"


@click.group()
def damper() -> None:
    """Show dampers, add them, install and remove them."""


@damper.command("list")
@with_data
@with_format
def list_dampers(place: DataPlace, form: str, units: str) -> None:
    """Show every damper with its life totals."""
    with place.reading() as opened:
        engine = opened.cursor().engine
        positions = {unit.unit_id: position for position, unit in opened.installed().items()}
        totals = opened.all_totals()
        known = [unit for unit in opened.units() if unit.unit_id in totals]
    if form == "json":
        found = [
            _unit_to_json(u, positions.get(u.unit_id)) | totals_to_json(totals[u.unit_id], is_lifetime=True)
            for u in known
        ]
        click.echo(json_text(engine, {"dampers": found}))
        return
    if not known:
        click.echo("no dampers yet; add one with: dutylog damper add SERIAL --profile NAME")
        return
    heads = ["serial", "position", energy_head(units), "strokes", distance_head("shaft travel", units)]
    heads += ["hours measured", "coverage %", temperature_head(units)]
    rows = [_list_row(u, positions.get(u.unit_id), totals[u.unit_id], units) for u in known]
    click.echo(table_text(heads, rows, left=2))


@damper.command()
@click.argument("serial")
@with_data
@with_format
def show(place: DataPlace, serial: str, form: str, units: str) -> None:
    """Show all of one damper: its totals and where it sat over time."""
    with place.reading() as opened:
        unit = opened.find_unit(serial)
        totals, stays, engine = opened.totals(unit.unit_id), opened.installs_of(unit.unit_id), opened.cursor().engine
    position = next((stay.position for stay in stays if stay.to_sequence is None), None)
    if form == "json":
        content = _unit_to_json(unit, position) | {"totals": totals_to_json(totals, is_lifetime=True)}
        click.echo(json_text(engine, content | {"installs": [_stay_to_json(stay) for stay in stays]}))
        return
    click.echo("\n".join([*_unit_lines(unit, position), "", *_totals_lines(totals, units), "", *_stay_lines(stays)]))


@damper.command()
@click.argument("serial", required=False)
@click.option("--profile", required=True, help="Name of its profile in the vehicle file.")
@click.option("--note", help="Anything worth keeping.")
@with_data
def add(place: DataPlace, serial: str | None, profile: str, note: str | None) -> None:
    """Add a damper; without SERIAL it gets a tag of ours."""
    place.do({"command": "add", "serial": serial, "profile": profile, "note": note})


@damper.command()
@click.argument("serial")
@click.argument("position")
@with_data
def install(place: DataPlace, serial: str, position: str) -> None:
    """Say that damper SERIAL sits at POSITION from now on."""
    place.do({"command": "install", "unit": serial, "position": position})


@damper.command()
@click.argument("serial")
@with_data
def remove(place: DataPlace, serial: str) -> None:
    """Say that damper SERIAL has left the vehicle."""
    place.do({"command": "remove", "unit": serial})


def _list_row(unit: Unit, position: str | None, totals: Totals, units: str) -> list[str]:
    return [
        unit.label,
        position or ON_THE_SHELF,
        energy_text(totals.energy_uj, units),
        str(totals.strokes_count),
        distance_text(totals.shaft_travel_um * 1e-6, units),
        hours_text(totals.measured_us),
        percent_text(compute_coverage(totals)),
        temperature_text(totals.peak_body_mc, units),
    ]


def _unit_lines(unit: Unit, position: str | None) -> list[str]:
    name = unit.serial or f"none, our tag is {unit.tag}"
    lines = [f"serial    {name}", f"position  {position or ON_THE_SHELF}", f"profile   {unit.profile}"]
    if unit.note is not None:
        lines.append(f"note      {unit.note}")
    return [*lines, f"unit id   {unit.unit_id}"]


def _totals_lines(totals: Totals, units: str) -> list[str]:
    rows = [
        (energy_head(units), energy_text(totals.energy_uj, units)),
        ("  in compression", energy_text(totals.energy_compression_uj, units)),
        ("  in rebound", energy_text(totals.energy_rebound_uj, units)),
        ("strokes", str(totals.strokes_count)),
        ("  in compression", str(totals.compression_strokes_count)),
        ("bottom-outs", str(totals.bottom_outs_count)),
        (distance_head("shaft travel", units), distance_text(totals.shaft_travel_um * 1e-6, units)),
        (distance_head("stroke travel", units), distance_text(totals.stroke_travel_um * 1e-6, units)),
        (speed_head("peak compression", units), speed_text(totals.peak_compression_umps, units)),
        (speed_head("peak rebound", units), speed_text(totals.peak_rebound_umps, units)),
        (temperature_head(units), temperature_text(totals.peak_body_mc, units)),
        ("hours measured", hours_text(totals.measured_us)),
        ("hours not measured", hours_text(totals.unmeasured_us)),
        ("share of time measured %", percent_text(compute_measured_share(totals))),
        ("hours moving", hours_text(totals.moving_us)),
        ("coverage %", percent_text(compute_coverage(totals))),
    ]
    coverage = compute_coverage(totals)
    lines = table_text(("life totals", ""), rows, left=1).splitlines()
    if coverage is not None and coverage < 1.0:
        lines.append("Part of the motion was not measured: energy, strokes and travel are lower bounds.")
    return lines


def _stay_lines(stays: list[Install]) -> list[str]:
    if not stays:
        return ["never installed"]
    rows = []
    for stay in stays:
        is_there = stay.to_utc_ns is None
        until = "still there" if is_there else utc_text(stay.to_utc_ns, bool(stay.to_utc_trusted))
        rows.append((stay.position, stay.vehicle_id, utc_text(stay.from_utc_ns, stay.from_utc_trusted), until))
    return table_text(("installed at", "vehicle", "from", "until"), rows, left=4).splitlines()


def _unit_to_json(unit: Unit, position: str | None) -> dict[str, Any]:
    return {
        "unit_id": unit.unit_id,
        "serial": unit.serial,
        "tag": unit.tag,
        "profile": unit.profile,
        "note": unit.note,
        "position": position,
    }


def _stay_to_json(stay: Install) -> dict[str, Any]:
    return {
        "vehicle_id": stay.vehicle_id,
        "position": stay.position,
        "wheel": stay.wheel,
        "from_sequence": stay.from_sequence,
        "from_utc_ns": stay.from_utc_ns,
        "from_utc_trusted": stay.from_utc_trusted,
        "to_sequence": stay.to_sequence,
        "to_utc_ns": stay.to_utc_ns,
        "to_utc_trusted": stay.to_utc_trusted,
    }
