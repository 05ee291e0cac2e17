"""The half of `dutylog trip` by which people put right what the engine took for a trip (shared/LEDGER.md, Repairs)."""

from __future__ import annotations

import re

import click

from dutylog.cli.duty_text import UNKNOWN, json_text, table_text, utc_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.errors import InputError
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_repairs import UNREADABLE, WHYS, Repair

BY = click.option("--by", required=True, help="Your name.")
_AT = re.compile(r"(?:(\d{1,4}):)?([0-5]?\d):([0-5]\d)", re.ASCII)


@click.command()
@click.argument("key")
@click.argument("at", metavar="H:MM:SS")
@BY
@with_data
def split(place: DataPlace, key: str, at: str, by: str) -> None:
    """Cut trip KEY in two, H:MM:SS after its begin, at the border of a minute that is nearest."""
    place.do({"command": "trip_split", "trip": key, "at_s": read_clock(at), "by": by})


@click.command()
@click.argument("first")
@click.argument("second")
@BY
@with_data
def merge(place: DataPlace, first: str, second: str, by: str) -> None:
    """Make one trip of FIRST and SECOND, which follow each other."""
    place.do({"command": "trip_merge", "trips": [first, second], "by": by})


@click.command("not-driven")
@click.argument("key")
@click.option("--why", required=True, type=click.Choice(WHYS), help="On a test bench, carried by another, or else.")
@BY
@click.option("--note", help="Anything worth keeping.")
@with_data
def not_driven(place: DataPlace, key: str, why: str, by: str, note: str | None) -> None:
    """Say that trip KEY was not driven: its duty doesn't count in the totals and the wear of any damper."""
    place.do({"command": "trip_not_driven", "trip": key, "why": why, "by": by, "note": note})


@click.command()
@with_data
@with_format
def repairs(place: DataPlace, form: str, units: str) -> None:  # noqa: ARG001 - nothing here has a unit
    """List repairs of trips, the newest first, with the entries by which they can be undone."""
    with place.reading() as opened:
        found, engine = TripBook(opened).repairs(), opened.cursor().engine
    if form == "json":
        click.echo(json_text(engine, {"repairs": [_to_json(one) for one in found]}))
    elif not found:
        click.echo("no trip was ever repaired; see: dutylog trip --help")
    else:
        heads = ("entry", "trip", "what", "by", "when", "state", "note")
        click.echo(table_text(heads, [_row(one) for one in found], left=7))


@click.command()
@click.argument("entry", type=click.IntRange(1))
@BY
@with_data
def undo(place: DataPlace, entry: int, by: str) -> None:
    """Take a repair back, by the number of its ENTRY; both stay in the chain."""
    place.do({"command": "trip_undo", "entry": entry, "by": by})


@click.command()
@click.argument("key")
@click.argument("text", metavar="NAME", required=False)
@with_data
def name(place: DataPlace, key: str, text: str | None) -> None:
    """Call trip KEY by NAME; without one its name is taken away."""
    place.do({"command": "rename_trip", "trip": key, "name": text})


REPAIRING = (name, split, merge, not_driven, repairs, undo)


def read_clock(text: str) -> float:
    """Return a time written as 1:02:03 or 2:03 [s]; InputError for anything else."""
    matched = _AT.fullmatch(text.strip())
    if matched is None:
        raise InputError(f"time {text!r:.40} is none since a begin; write it as 1:02:03 or 2:03")
    hours, minutes, seconds = (int(part or 0) for part in matched.groups())
    return float(hours * 3600 + minutes * 60 + seconds)


def _row(one: Repair) -> list[str]:
    stands = f"{UNREADABLE}, does nothing" if one.is_unread else "stands"
    state = stands if one.undone_by is None else f"undone by {one.undone_by}"
    when = utc_text(one.utc_ns, one.utc_trusted)
    return [str(one.row), one.key, one.text, one.by, when, state, one.note or UNKNOWN]


def _to_json(one: Repair) -> dict[str, object]:
    return {
        "entry": one.row,
        "kind": one.kind,
        "trip": one.key,
        "text": one.text,
        "by": one.by,
        "note": one.note,
        "utc_ns": one.utc_ns,
        "utc_trusted": one.utc_trusted,
        "undone_by": one.undone_by,
        "can_be_read": not one.is_unread,
    }
