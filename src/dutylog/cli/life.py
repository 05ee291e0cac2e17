"""`dutylog life`: how far each wear part of each damper is used up, when it is due, and why (shared/LIFE.md)."""

from __future__ import annotations

from datetime import date
from typing import Any

import click

from dutylog.cli.duty_text import json_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.cli.life_settings import settings
from dutylog.cli.life_tell import TELLING
from dutylog.cli.life_text import (
    cost_lines,
    cost_to_json,
    due_lines,
    explain_lines,
    plan_lines,
    plan_to_json,
    unit_lines,
)
from dutylog.domain.wear import MIXES
from dutylog.errors import InputError
from dutylog.ledger.life_entries import known_day
from dutylog.ledger.trip_book import TripBook
from dutylog.life.plausibility import make_table, table_lines
from dutylog.life.to_dict import life_to_json
from dutylog.life.unit_life import Lives
from dutylog.units import M_PER_KM, M_PER_MILE


@click.group()
def life() -> None:
    """Wear parts: how far they are used up, when they are due, and why; tell what no sensor sees.

    Figures inform; the maker's manual, local rules and a qualified technician decide.
    """


@life.command()
@click.argument("unit", required=False)
@with_data
@with_format
def show(place: DataPlace, unit: str | None, form: str, units: str) -> None:
    """Show what is due first on every damper, or every part of damper UNIT."""
    with place.reading() as opened:
        lives, engine = Lives(opened), opened.cursor().engine
        wanted = lives.units() if unit is None else [opened.find_unit(unit)]
        found, problems = [], []
        for one in wanted:
            try:
                found.append(lives.read(one))
            except InputError as err:
                if unit is not None:
                    raise
                problems.append(f"damper {one.label} is left out: {err}")
    if known_day(lives.clock_ns) is None:
        problems.append(f"this machine's date is not set ({lives.today}): days are wrong until it is, shares are not")
    for line in problems:
        click.echo(line, err=True)
    if form == "json":
        click.echo(json_text(engine, {"dampers": [life_to_json(one) for one in found]}))
    elif unit is not None:
        click.echo("\n".join(unit_lines(found[0], units)))
    elif not found:
        click.echo("no damper with a known profile yet; add one with: dutylog damper add SERIAL --profile NAME")
    else:
        click.echo("\n".join(due_lines(found, units)))


@life.command()
@click.argument("unit")
@click.argument("part")
@with_data
def explain(place: DataPlace, unit: str, part: str) -> None:
    """Show the whole computation behind one PART of damper UNIT, with every number and where it comes from."""
    with place.reading() as opened:
        found = Lives(opened).read(opened.find_unit(unit))
    click.echo("\n".join(explain_lines(found, found.part(part))))


@life.command()
@click.argument("unit", required=False)
@click.option("--miles", type=click.FloatRange(min=0, min_open=True), help="How far, in miles.")
@click.option("--km", type=click.FloatRange(min=0, min_open=True), help="How far, in kilometres.")
@click.option("--mix", required=True, type=click.Choice(MIXES), help="On what.")
@click.option("--on", "days", required=True, multiple=True, help="A day of it, 2026-05-31; may be given again.")
@with_data
@with_format
def plan(place: DataPlace, unit: str | None, miles: float | None, km: float | None, mix: str, **told: Any) -> None:
    """Ask whether every part, or those of damper UNIT, will make it through a planned trip."""
    if (miles is None) == (km is None):
        raise click.UsageError("how far is needed: give either --miles or --km")
    far = miles if miles is not None else (km or 0.0) * M_PER_KM / M_PER_MILE
    days = [_read_day(text) for text in told["days"]]
    with place.reading() as opened:
        lives, engine = Lives(opened), opened.cursor().engine
        wanted = lives.units() if unit is None else [opened.find_unit(unit)]
        found = [(one, lives.plan(one, far, mix, days)) for one in map(lives.read, wanted)]
    if told["form"] == "json":
        click.echo(json_text(engine, {"dampers": [plan_to_json(one, made) for one, made in found]}))
    else:
        click.echo("\n".join(plan_lines(found)))


@life.command()
@click.argument("key")
@with_data
@with_format
def trip(place: DataPlace, key: str, form: str, units: str) -> None:
    """Show what trip KEY (7, or 7.2 for a part) took of each damper, and how many miles of street it was worth."""
    with place.reading() as opened, opened.reading():
        book, engine = TripBook(opened), opened.cursor().engine
        found = book.trip(key)
        parts = [book.trip(one) for one in found.parts]
        costs = Lives(opened).trip(key)
    left_out = [one.key for one in parts if one.not_driven]
    distance_m = found.distance_m
    if left_out:
        known = [one.distance_m for one in parts if not one.not_driven and one.distance_m is not None]
        distance_m = sum(known) if known else None
    if form == "json":
        named = {"trip": found.numbers[0], "key": found.key, "not_driven": found.not_driven, "left_out": left_out}
        content = named | {"distance_m": distance_m, "dampers": [cost_to_json(one) for one in costs]}
        click.echo(json_text(engine, content))
    elif found.not_driven:
        click.echo(f"trip {found.key}: not driven ({found.not_driven}), so it took nothing of any damper")
    else:
        click.echo("\n".join(cost_lines(found.key, distance_m, costs, units)))
        if left_out:
            click.echo(f"Without what was not driven: {', '.join(left_out)}.")


@life.command()
def table() -> None:
    """Show how long dampers last by these rules on typical use, beside what is common practice."""
    click.echo("\n".join(table_lines(make_table())))


for _command in (settings, *TELLING):
    life.add_command(_command)


def _read_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as err:
        raise InputError(f"--on {text!r:.40} is no date; write it as 2026-05-31") from err
