"""`dutylog trip`: what each trip cost each damper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import click

from dutylog.cli.duty_text import (
    UNKNOWN,
    compute_coverage,
    distance_head,
    distance_text,
    duration_text,
    energy_head,
    energy_text,
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
from dutylog.cli.trip_compare import compare
from dutylog.cli.trip_notes import NOTE_COMMANDS
from dutylog.cli.trip_repair import REPAIRING
from dutylog.cli.trip_report import export, report
from dutylog.cli.trip_review import review
from dutylog.engine.output import TripDamper
from dutylog.ledger.trip_book import BookTrip, TripBook

_LEFT, _RIGHT = "_left", "_right"


@dataclass(frozen=True, slots=True)
class AxlePair:
    """Energy of the left and the right wheel of one axle in one trip [uJ]."""

    axle: str
    left_uj: int
    right_uj: int

    @property
    def left_to_right(self) -> float | None:
        """Return left divided by right, None when the right did nothing."""
        return self.left_uj / self.right_uj if self.right_uj else None


@click.group()
def trip() -> None:
    """Show trips, and put right what the engine took for one."""


@trip.command("list")
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="Trips to show.")
@click.option("--before", metavar="KEY", help="Only trips older than this one.")
@with_data
@with_format
def list_trips(place: DataPlace, limit: int, before: str | None, form: str, units: str) -> None:
    """Show trips, the newest first; a part of a split trip has a line of its own."""
    with place.reading() as opened:
        found, engine = TripBook(opened).trips(limit, before), opened.cursor().engine
    if form == "json":
        click.echo(json_text(engine, {"trips": [_trip_to_json(one) for one in found]}))
        return
    if not found:
        click.echo("no trips" + (" yet" if before is None else f" before {before}"))
        return
    heads = ["trip", "name", "start", "time", "moving", distance_head("distance", units)]
    heads += [energy_head(units), "coverage %", "state"]
    click.echo(table_text(heads, [_list_row(one, units) for one in found], left=3))


@trip.command()
@click.argument("key")
@with_data
@with_format
def show(place: DataPlace, key: str, form: str, units: str) -> None:
    """Show what trip KEY (7, or 7.2 for a part) cost each damper, and left against right."""
    with place.reading() as opened:
        found, engine, vehicle = TripBook(opened).trip(key), opened.cursor().engine, opened.vehicle()
        labels = {unit.unit_id: unit.label for unit in opened.units()}
    wheels = {} if vehicle is None else {d.position: d.wheel for d in vehicle.dampers}
    pairs = compare_axles(found.dampers, wheels)
    if form == "json":
        dampers = [_damper_to_json(one, labels.get(one.unit_id)) for one in found.dampers]
        content = _trip_to_json(found) | {"dampers": dampers, "axles": [_pair_to_json(pair) for pair in pairs]}
        click.echo(json_text(engine, content))
        return
    lines = [*_trip_lines(found, units), "", *_damper_lines(found, labels, units), *_cavitation_lines(found, units)]
    click.echo("\n".join(lines))
    if pairs:
        rows = [(p.axle, energy_text(p.left_uj, units), energy_text(p.right_uj, units), _share_text(p)) for p in pairs]
        heads = ("axle", f"left {energy_head(units)}", f"right {energy_head(units)}", "left / right")
        click.echo("\n" + table_text(heads, rows, left=1))


def compare_axles(dampers: tuple[TripDamper, ...], wheels: Mapping[str, str]) -> list[AxlePair]:
    """Return left against right for each axle whose two wheels are called NAME_left and NAME_right.

    Several dampers of one wheel count together. A position the vehicle doesn't know is its own wheel.
    """
    energies_uj: dict[str, int] = {}
    for one in dampers:
        wheel = wheels.get(one.position, one.position)
        energies_uj[wheel] = energies_uj.get(wheel, 0) + one.totals.energy_uj
    axles = [wheel.removesuffix(_LEFT) for wheel in energies_uj if wheel.endswith(_LEFT)]
    return [
        AxlePair(axle, energies_uj[axle + _LEFT], energies_uj[axle + _RIGHT])
        for axle in axles
        if axle + _RIGHT in energies_uj
    ]


def compute_trip_coverage(found: BookTrip) -> float | None:
    """Return the coverage of the least covered damper, None when nothing moved."""
    shares = [compute_coverage(one.totals) for one in found.dampers]
    return min((share for share in shares if share is not None), default=None)


def _list_row(found: BookTrip, units: str) -> list[str]:
    return [
        found.key,
        found.name or UNKNOWN,
        utc_text(found.start_utc_ns, found.utc_trusted),
        duration_text(found.duration_ns),
        duration_text(found.moving_us * 1000),
        distance_text(found.distance_m, units),
        energy_text(_energy_uj(found), units),
        percent_text(compute_trip_coverage(found)),
        "under way" if found.is_open else f"not driven ({found.not_driven})" if found.not_driven else "ended",
    ]


def _trip_lines(found: BookTrip, units: str) -> list[str]:
    coverage = compute_trip_coverage(found)
    lines = [
        f"trip {found.key}" + (f": {found.name}" if found.name else "") + (" (under way)" if found.is_open else ""),
        f"from        {utc_text(found.start_utc_ns, found.utc_trusted)}",
        f"until       {utc_text(found.end_utc_ns, found.utc_trusted)}",
        f"time        {duration_text(found.duration_ns)}, {duration_text(found.moving_us * 1000)} of it moving",
        f"{distance_head('distance', units)} {distance_text(found.distance_m, units)}",
        f"coverage %  {percent_text(coverage)}",
    ]
    if coverage is not None and coverage < 1.0:
        lines.append("Part of the motion was not measured: energy and strokes are lower bounds.")
    if found.not_driven:
        lines.append(f"Not driven ({found.not_driven}): its duty doesn't count in any total.")
    if found.parts:
        lines.append(f"It was split into trips {', '.join(found.parts)}.")
    if len(found.numbers) > 1:
        lines.append(f"It was made of trips {', '.join(str(number) for number in found.numbers)}.")
    return lines


def _damper_lines(found: BookTrip, labels: Mapping[str, str], units: str) -> list[str]:
    heads = ["position", "serial", energy_head(units), "strokes", "bottom-outs"]
    heads += [speed_head("peak compression", units), temperature_head(units), "coverage %"]
    rows = [
        [
            one.position,
            labels.get(one.unit_id, one.unit_id),
            energy_text(one.totals.energy_uj, units),
            str(one.totals.strokes_count),
            str(one.totals.bottom_outs_count),
            speed_text(one.totals.peak_compression_umps, units),
            temperature_text(one.totals.peak_body_mc, units),
            percent_text(compute_coverage(one.totals)),
        ]
        for one in found.dampers
    ]
    return table_text(heads, rows, left=2).splitlines()


def _cavitation_lines(found: BookTrip, units: str) -> list[str]:
    """Return a line for each damper that was beyond its cavitation margin."""
    return [
        f"{one.position}: {one.totals.cavitation_us / 1e6:.1f} s beyond the cavitation margin; "
        f"{energy_head(units)} {energy_text(one.totals.cavitation_energy_uj, units)} of its heat is uncertain"
        for one in found.dampers
        if one.totals.cavitation_us
    ]


def _energy_uj(found: BookTrip) -> int:
    return sum(one.totals.energy_uj for one in found.dampers)


def _share_text(pair: AxlePair) -> str:
    return UNKNOWN if pair.left_to_right is None else f"{pair.left_to_right:.3f}"


def _trip_to_json(found: BookTrip) -> dict[str, Any]:
    first, last = found.spans[0], found.spans[-1]
    return {
        "trip": found.numbers[0],
        "key": found.key,
        "trips": list(found.numbers),
        "parts": list(found.parts),
        "not_driven": found.not_driven,
        "name": found.name,
        "is_open": found.is_open,
        "epoch": first.epoch,
        "start_mono_ns": first.start_ns,
        "end_epoch": last.epoch,
        "end_mono_ns": last.end_ns,
        "start_utc_ns": found.start_utc_ns,
        "end_utc_ns": found.end_utc_ns,
        "utc_trusted": found.utc_trusted,
        "duration_s": found.duration_ns / 1e9,
        "moving_s": found.moving_us / 1e6,
        "distance_m": found.distance_m,
        "energy_j": _energy_uj(found) / 1e6,
        "coverage_ratio": compute_trip_coverage(found),
    }


def _damper_to_json(one: TripDamper, label: str | None) -> dict[str, Any]:
    return {"position": one.position, "unit_id": one.unit_id, "unit": label} | totals_to_json(
        one.totals, is_lifetime=False
    )


def _pair_to_json(pair: AxlePair) -> dict[str, Any]:
    return {
        "axle": pair.axle,
        "left_energy_j": pair.left_uj / 1e6,
        "right_energy_j": pair.right_uj / 1e6,
        "left_to_right_ratio": pair.left_to_right,
    }


for _command in (*REPAIRING, *NOTE_COMMANDS, review, compare, report, export):
    trip.add_command(_command)
