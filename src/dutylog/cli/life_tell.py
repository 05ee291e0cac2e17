"""The half of `dutylog life` by which people tell what no sensor sees: services, findings, dirt, other use, marks."""

from __future__ import annotations

import json
from typing import Any

import click

from dutylog.cli.duty_text import json_text, table_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.domain.vehicle import Profile
from dutylog.domain.wear import BEFORE_INSTALL, DIRTS, GRADES, MARK_KINDS, MIXES, PARTS, USE_KINDS
from dutylog.errors import InputError
from dutylog.ledger.calibrations import require_vehicle
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import WITHDRAWABLE, withdrawn_rows
from dutylog.ledger.rows import Entry
from dutylog.life.parts import parts_of
from dutylog.life.words import refuse_other_parts, say_no_profile
from dutylog.units import M_PER_KM, M_PER_MILE

BY = click.option("--by", required=True, help="Your name.")
ON = click.option("--on", help="Day it was done, 2026-05-31; none: today.")
NOTE = click.option("--note", help="Anything worth keeping.")


@click.command()
@click.argument("unit")
@click.option("--replaced", multiple=True, type=click.Choice(PARTS), help="A part made new; may be given again.")
@click.option("--rebuild", is_flag=True, help="Everything a rebuild makes new: seals, bands, oil, charge, joints.")
@click.option("--found", multiple=True, metavar="PART=GRADE", help=f"How a part was found: {', '.join(GRADES)}.")
@BY
@ON
@NOTE
@with_data
def service(
    place: DataPlace, unit: str, replaced: tuple[str, ...], rebuild: bool, found: tuple[str, ...], **story: Any
) -> None:
    """Record a service of damper UNIT: what was replaced, and how the old parts were found.

    Work on dampers is for qualified technicians, by the maker's manual: they are charged with gas.
    """
    parts = list(dict.fromkeys(replaced))
    grades = _read_found(found)
    with place.reading() as opened:
        profile = _find_profile(opened, unit)
    refuse_other_parts(unit, (part.key for part in parts_of(profile)), [*parts, *grades])
    if rebuild:
        parts = list(dict.fromkeys([*parts, *_rebuilt_parts(unit, profile)]))
    place.do({"command": "service", "unit": unit, "replaced": parts, "found": grades, **story})


@click.command()
@click.argument("trip", type=click.IntRange(min=1))
@click.argument("what", type=click.Choice(DIRTS))
@click.option("--washed/--not-washed", default=None, required=True, help="Whether shafts were washed afterwards.")
@BY
@NOTE
@with_data
def dirt(place: DataPlace, trip: int, what: str, washed: bool, by: str, note: str | None) -> None:
    """Say what a TRIP had on its shafts, and whether they were washed afterwards; the last word on a trip counts."""
    place.do({"command": "dirt", "trip": trip, "what": what, "washed": washed, "by": by, "note": note})


@click.command("add-use")
@click.argument("unit")
@click.option("--miles", type=click.FloatRange(min=0, min_open=True), help="Distance in miles.")
@click.option("--km", type=click.FloatRange(min=0, min_open=True), help="Distance in kilometres.")
@click.option("--mix", required=True, type=click.Choice(MIXES), help="What it was driven on.")
@click.option("--kind", type=click.Choice(USE_KINDS), default=BEFORE_INSTALL, show_default=True, help="Why unmeasured.")
@click.option("--from", "from_day", help="First day, 2023-05-31.")
@click.option("--to", "to_day", help="Last day, 2026-05-31.")
@click.option("--factor", type=float, default=2.0, show_default=True, help="How far off it may be either way.")
@BY
@NOTE
@with_data
def add_use(place: DataPlace, miles: float | None, km: float | None, **told: Any) -> None:
    """Tell of a distance of damper UNIT that nobody measured: before it was installed, unlogged, or elsewhere."""
    if (miles is None) == (km is None):
        raise click.UsageError("how far is needed: give either --miles or --km")
    distance_m = miles * M_PER_MILE if miles is not None else (km or 0.0) * M_PER_KM
    place.do({"command": "stated_use", "distance_m": distance_m, **told})


@click.command()
@click.argument("unit")
@click.argument("mark", type=click.Choice(MARK_KINDS))
@click.option("--distance-mm", type=float, required=True, help="From the seal head's face at full extension.")
@click.option("--size-mm", type=float, required=True, help="Its length along the shaft.")
@click.option("--sharp/--smooth", "is_sharp", default=None, required=True, help="Whether a fingernail catches on it.")
@BY
@ON
@NOTE
@with_data
def mark(place: DataPlace, **told: Any) -> None:
    """Record a MARK on the shaft of damper UNIT.

    Look at a shaft only on a cold, clean damper, with the vehicle on stands; fingers stay away from a moving shaft.
    """
    place.do({"command": "shaft_mark", **told})


@click.command()
@with_data
@with_format
def entries(place: DataPlace, form: str, units: str) -> None:  # noqa: ARG001 - nothing here has a unit
    """List what people have told, with the numbers by which it can be withdrawn."""
    with place.reading() as opened:
        found = sorted((one for kind in WITHDRAWABLE for one in opened.entries_of(kind)), key=lambda one: one.row)
        gone, engine = withdrawn_rows(opened), opened.cursor().engine
        labels = {unit.unit_id: unit.label for unit in opened.units()}
    if form == "json":
        told = [_entry_to_json(one) | {"withdrawn": one.row in gone} for one in found]
        click.echo(json_text(engine, {"entries": told}))
        return
    if not found:
        click.echo("nobody has told anything yet; see: dutylog life --help")
        return
    rows = [_entry_row(one, labels, gone) for one in found]
    click.echo(table_text(("entry", "kind", "damper", "by", "what"), rows, left=5))


@click.command()
@click.argument("entry", type=click.IntRange(min=1))
@BY
@click.option("--why", required=True, help="What was wrong with it.")
@with_data
def withdraw(place: DataPlace, entry: int, by: str, why: str) -> None:
    """Withdraw an ENTRY that was wrong: it counts no longer, and stays in the chain."""
    place.do({"command": "withdraw", "entry": entry, "by": by, "why": why})


TELLING = (service, dirt, add_use, mark, entries, withdraw)


def _read_found(found: tuple[str, ...]) -> dict[str, str]:
    grades: dict[str, str] = {}
    for text in found:
        part, equals, grade = text.partition("=")
        if not equals or part in grades:
            raise click.UsageError(f"--found {text!r}: write PART=GRADE, each part once, such as oil=worn")
        grades[part] = grade
    return grades


def _find_profile(opened: Ledger, label: str) -> Profile:
    unit, vehicle = opened.find_unit(label), require_vehicle(opened)
    profile = next((one for one in vehicle.profiles if one.name == unit.profile), None)
    if profile is None:
        raise InputError(say_no_profile(unit.label, unit.profile))
    return profile


def _rebuilt_parts(label: str, profile: Profile) -> list[str]:
    """Return what a rebuild makes new: everything but the structure and the hose, which are looked at."""
    if not profile.is_rebuildable:
        raise InputError(f"damper {label} can't be rebuilt (profile {profile.name}); replace the damper")
    return [part.key for part in parts_of(profile) if part.key not in ("structure", "hose")]


def _entry_to_json(entry: Entry) -> dict[str, Any]:
    known = {"entry": entry.row, "kind": entry.kind, "unit_id": entry.unit_id, "utc_ns": entry.utc_ns}
    return known | {"data": json.loads(entry.data)}


def _entry_row(entry: Entry, labels: dict[str, str], gone: frozenset[int]) -> list[str]:
    data = json.loads(entry.data)
    who = data.pop("by", "-")
    what = ", ".join(f"{name} {value}" for name, value in data.items() if value not in (None, [], {}))
    shown = f"{entry.row} withdrawn" if entry.row in gone else str(entry.row)
    return [shown, entry.kind, labels.get(entry.unit_id or "", "-"), who, what[:100]]
