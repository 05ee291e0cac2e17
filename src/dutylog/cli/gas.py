"""`dutylog gas`: what a nitrogen charge should show, what a reading comes to, how fast it leaks (shared/CHARGE.md)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import wraps
from typing import Any

import click

from dutylog.cli import gas_text
from dutylog.cli.duty_text import json_text, table_text
from dutylog.cli.gas_text import parse_pressure_pa, parse_temperature_c, pressure_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.clock import SystemClock
from dutylog.domain.gas import COLD_C
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger import gas_readings, life_entries
from dutylog.ledger.client import run_command
from dutylog.ledger.command import SCHEMA, check_request
from dutylog.ledger.gas_readings import CHECK, FILL, StoredReading
from dutylog.ledger.rows import Unit
from dutylog.life.gas import (
    RIDE_RATIO,
    Place,
    Reading,
    compute_after_checks,
    compute_expected,
    compute_make_up,
    judge,
    warn_room,
)
from dutylog.life.gas_history import GasHistory, compute_leak, tell
from dutylog.units import NS_PER_S


@dataclass(frozen=True, slots=True)
class _Known:
    """A damper as the ledger knows it. history: None where it wasn't asked for."""

    unit: Unit
    profile: Profile
    engine: str
    stored: tuple[StoredReading, ...]
    renewed: tuple[date, ...]

    def target_pa(self, typed_pa: float | None) -> float:
        """Return the target: what was typed, else the profile's; InputError where there is neither."""
        target_pa = self.profile.charge_pa if typed_pa is None else typed_pa
        if target_pa is None:
            raise InputError(f"profile {self.profile.name} has no charge_psi or charge_bar; give --target 200psi")
        return target_pa


@click.group()
def gas() -> None:
    """Nitrogen: what a charge should show, what a reading comes to, how fast it leaks."""


def _with_target(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command --target and --unit; it receives `typed_pa`, None where nobody typed a target."""

    @click.option("--target", help="Charge at 20 °C and full extension; none: that of the profile.")
    @click.option("--unit", type=click.Choice(["psi", "bar"]), help="Of pressures typed without a unit.")
    @wraps(function)
    def command(target: str | None, unit: str | None, **rest: Any) -> None:
        function(typed_pa=None if target is None else parse_pressure_pa(target, unit), **rest)

    return command


@gas.command()
@click.argument("damper")
@click.option("--gas-temp", type=parse_temperature_c, default=COLD_C, help="Of the gas: 24C or 75F; none: 20C.")
@click.option("--oil-temp", type=parse_temperature_c, help="Of the oil; none: as warm as the gas.")
@click.option("--travel-mm", type=float, default=0.0, help="How far the shaft is in; none: fully extended.")
@click.option("--altitude-m", type=float, default=0.0, help="Above the sea.")
@_with_target
@with_data
@with_format
def expected(
    place: DataPlace, damper: str, typed_pa: float | None, form: str, units: str, oil_temp: float | None, **at: float
) -> None:
    """Show what a gauge should show on DAMPER (serial, tag or unit id) at a temperature, travel and altitude."""
    known = _read(place, damper)
    where = Place(
        at["gas_temp"], at["gas_temp"] if oil_temp is None else oil_temp, at["travel_mm"] * 1e-3, at["altitude_m"]
    )
    target_pa = known.target_pa(typed_pa)
    found = compute_expected(known.profile, target_pa, where)
    _caution(form)
    if form == "json":
        _json(known, {"target_pa": target_pa, "expected": gas_text.charge_to_json(found)})
        return
    click.echo(f"{gas_text.place_text(where, units)}: {gas_text.charge_text(found, units)}")
    click.echo(f"for {pressure_text(target_pa, units)} at {gas_text.temperature_text(COLD_C, units)}, fully extended")
    _note_profile(known, found.is_by_travel)


@gas.command()
@click.argument("damper")
@click.argument("pressure")
@click.option("--unit", type=click.Choice(["psi", "bar"]), help="Of a pressure typed without a unit.")
@click.option("--body-temp", type=parse_temperature_c, required=True, help="Of the body: 24C or 75F.")
@click.option("--oil-temp", type=parse_temperature_c, help="Of the oil; none: it stood still, as warm as the body.")
@click.option("--air-temp", type=parse_temperature_c, required=True, help="Of the air.")
@click.option("--travel-mm", type=float, required=True, help="How far the shaft is in; 0 is full extension.")
@click.option("--altitude-m", type=float, required=True, help="Above the sea.")
@click.option("--hose-ml", type=float, help="Room of gauge and hose: what the check itself took is then no leak.")
@click.option("--filled", is_flag=True, help="It was filled; the reading is the one after that.")
@click.option("--by", required=True, help="Your name.")
@click.option("--note", help="Anything worth keeping.")
@click.option("--on", help="Day of the reading, 2026-05-31; none: today.")
@click.option("--dry-run", is_flag=True, help="Tell what it comes to, store nothing.")
@with_data
@with_format
def reading(
    place: DataPlace, damper: str, pressure: str, unit: str | None, dry_run: bool, form: str, units: str, **told: Any
) -> None:
    """Store what a gauge showed on DAMPER, and say what it comes to: 200psi, 13.8bar, or 200 with --unit."""
    known = _read(place, damper)
    names = ("hose_ml", "by", "note", "on", "travel_mm", "altitude_m")
    request = {
        "command": "gas_reading",
        "unit": damper,
        "gauge_pa": parse_pressure_pa(pressure, unit),
        "what": FILL if told["filled"] else CHECK,
        **{f"{part}_c": told[f"{part}_temp"] for part in ("body", "oil", "air")},
        **{name: told[name] for name in names},
    }
    checked = check_request({"schema": SCHEMA, **request})
    judged = judge(
        known.profile,
        Reading(
            checked["gauge_pa"],
            checked["body_c"],
            checked["air_c"],
            checked["travel_mm"] * 1e-3,
            checked["altitude_m"],
            checked["oil_c"],
        ),
        known.profile.charge_pa,
    )
    reply = None if dry_run else run_command(place.data_dir, request, place.vehicle)
    _caution(form)
    if form == "json":
        _json(known, {"entry": None if reply is None else reply["entry"], **gas_text.judged_to_json(judged)})
        return
    click.echo("\n".join(gas_text.judged_lines(judged, units)))
    click.echo("nothing was stored (--dry-run)" if reply is None else str(reply["text"]))


@gas.command()
@click.argument("damper")
@click.option("--travel-mm", type=float, help="How far in the shaft is at ride height; none: 40 % of the stroke.")
@click.option("--gas-temp", type=parse_temperature_c, default=COLD_C, help="Of gas and oil: 24C or 75F; none: 20C.")
@click.option("--altitude-m", type=float, default=0.0, help="Above the sea.")
@_with_target
@with_data
@with_format
def fill(
    place: DataPlace,
    damper: str,
    typed_pa: float | None,
    travel_mm: float | None,
    gas_temp: float,
    altitude_m: float,
    form: str,
    units: str,
) -> None:
    """Show what the gauge must show on DAMPER at ride height, to come to the target at full extension."""
    known = _read(place, damper)
    target_pa = known.target_pa(typed_pa)
    travel_m = RIDE_RATIO * known.profile.stroke_m if travel_mm is None else travel_mm * 1e-3
    places = [Place(gas_temp, gas_temp, one_m, altitude_m) for one_m in (0.0, travel_m)]
    rows = [(at, compute_expected(known.profile, target_pa, at)) for at in places]
    _caution(form)
    if form == "json":
        found = [{"travel_mm": at.travel_m * 1e3, **gas_text.charge_to_json(charge)} for at, charge in rows]
        _json(known, {"target_pa": target_pa, "is_travel_assumed": travel_mm is None, "fill": found})
        return
    for at, charge in rows:
        click.echo(f"{gas_text.place_text(at, units)}: {gas_text.charge_text(charge, units)}")
    if travel_mm is None:
        click.echo(f"{RIDE_RATIO:.0%} of the stroke is taken as ride height; measure yours and give --travel-mm")
    click.echo("fresh gas is warm or cold: wait ten minutes, then read again before the valve is capped")
    _note_profile(known, rows[1][1].is_by_travel)


@gas.command("fitting-loss")
@click.argument("pressure")
@click.option("--unit", type=click.Choice(["psi", "bar"]), help="Of a pressure typed without a unit.")
@click.option("--gas-ml", type=float, required=True, help="Room of the gas in the damper.")
@click.option("--hose-ml", type=float, required=True, help="Room of gauge and hose.")
@click.option("--checks", type=int, default=1, show_default=True, help="How often it is checked.")
@click.option("--gas-temp", type=parse_temperature_c, default=COLD_C, help="Of the gas: 24C or 75F; none: 20C.")
@click.option("--altitude-m", type=float, default=0.0, help="Above the sea.")
@with_format
def fitting_loss(pressure: str, unit: str | None, form: str, units: str, checks: int, **at: float) -> None:
    """Show what checks with a gauge take out of a charge of PRESSURE, and what to show to make up for it."""
    begin_pa = parse_pressure_pa(pressure, unit)
    gas_readings.check_field("gauge_pa")(begin_pa, "pressure")
    Place(at["gas_temp"], at["gas_temp"], 0.0, at["altitude_m"])
    figures = (at["gas_ml"], at["hose_ml"], checks, at["gas_temp"], at["altitude_m"])
    after_pa = compute_after_checks(begin_pa, *figures)
    to_show_pa = compute_make_up(begin_pa, *figures)
    _caution(form)
    if form == "json":
        click.echo(json_text("", {"gauge_pa": begin_pa, "after_checks_pa": after_pa, "to_show_pa": to_show_pa}))
        return
    rows = [(str(n), pressure_text(p, units), pressure_text(begin_pa - p, units)) for n, p in enumerate(after_pa, 1)]
    click.echo(table_text(("check", "shows", "lost so far"), rows, left=0))
    wanted, later = pressure_text(begin_pa, units), "1 check" if checks == 1 else f"{checks} checks"
    if to_show_pa is None:
        click.echo(f"to have {wanted} after {later}, refill after each check instead: no charge makes up for so much")
    else:
        click.echo(f"to have {wanted} after {later} to come, show {pressure_text(to_show_pa, units)} before unscrewing")
    click.echo("a fitting that hisses when it is unscrewed loses more than that; only a second reading tells")


@gas.command()
@click.argument("damper")
@with_data
@with_format
def show(place: DataPlace, damper: str, form: str, units: str) -> None:
    """Show every reading of DAMPER, what it comes to, and how fast the charge leaks."""
    known = _read(place, damper)
    target_pa = known.profile.charge_pa
    history: GasHistory = tell(known.profile, known.stored, target_pa, known.renewed)
    today = datetime.fromtimestamp(SystemClock().utc_ns() / NS_PER_S, UTC).date()
    leak = compute_leak(history.told, target_pa, today.toordinal())
    if form == "json":
        content = {
            "target_pa": target_pa,
            "readings": [gas_text.told_to_json(one) for one in history.told],
            "left_out": [{**gas_text.stored_to_json(one), "reason": why} for one, why in history.left_out],
            "leak": gas_text.leak_to_json(leak),
        }
        _json(known, content)
        return
    if not known.stored:
        click.echo(f"no readings of damper {known.unit.label} yet; store one with: dutylog gas reading")
        return
    target = "none stated" if target_pa is None else pressure_text(target_pa, units)
    click.echo(f"damper {known.unit.label}, target {target} at {gas_text.temperature_text(COLD_C, units)}, extended")
    click.echo("\n".join(gas_text.history_lines(history, leak, units)))


def _read(place: DataPlace, damper: str) -> _Known:
    with place.reading() as opened:
        unit = opened.find_unit(damper)
        entries = life_entries.read_life(opened)
        stored = gas_readings.history(opened, unit.unit_id, entries.withdrawn)
        services = [one for one in entries.services if one.unit_id == unit.unit_id and "charge" in one.replaced]
        renewed = tuple(one.said.day for one in services if one.said.day is not None)
        profile = gas_readings.find_profile(opened, unit)
        return _Known(unit, profile, opened.cursor().engine, tuple(stored), renewed)


def _caution(form: str) -> None:
    click.echo(gas_text.CAUTION_LINES, err=form == "json")


def _note_profile(known: _Known, is_by_travel: bool) -> None:
    if not is_by_travel:
        click.echo(gas_text.NOT_BY_TRAVEL)
    if warning := warn_room(known.profile):
        click.echo(warning)


def _json(known: _Known, content: dict[str, Any]) -> None:
    click.echo(json_text(known.engine, {"unit_id": known.unit.unit_id, "unit": known.unit.label, **content}))
