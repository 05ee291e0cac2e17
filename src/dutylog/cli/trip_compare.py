"""`dutylog trip compare`: what differs between two trips, and whether that is more than its doubt."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import click

from dutylog.cli.duty_text import json_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.errors import InputError

if TYPE_CHECKING:
    from dutylog.review.compare import LookedAt


@dataclass(frozen=True, slots=True)
class _Read:
    """A trip to compare. key: its own, also where it was asked for by that of one merged into it."""

    key: str
    seen: LookedAt


@click.command()
@click.argument("first")
@click.argument("second")
@with_data
@with_format
def compare(place: DataPlace, first: str, second: str, form: str, units: str) -> None:
    """Show what differs between trips FIRST and SECOND, on the kinds of road that both had.

    Each ratio comes with its range of 95 %: how much stretches of road scatter, and what sensors and force curves
    leave in doubt. Both trips must have been reviewed. About one row in twenty that looks clear is chance.
    """
    # Not at the top: every command would load numpy.
    from dutylog.review.compare import compare_looked_at
    from dutylog.review.text import difference_lines

    trips, engine = _read(place, (first, second))
    first, second = (one.key for one in trips)
    found = compare_looked_at(*(one.seen for one in trips))
    if form == "json":
        click.echo(json_text(engine, {"trips": [first, second], "differences": [asdict(one) for one in found]}))
    elif not found:
        click.echo(f"trips {first} and {second} have too little in common: no kind of road, or no damper's place")
    else:
        click.echo("\n".join([f"trip {first} (first) against trip {second} (second)", *difference_lines(found, units)]))


def _read(place: DataPlace, keys: tuple[str, str]) -> tuple[list[_Read], str]:
    """Return the trips with people's words on their roads, and the engine that counted the ledger."""
    from dutylog.ledger.trip_book import TripBook
    from dutylog.ledger.trip_notes import read_notes
    from dutylog.review.compare import look_at
    from dutylog.review.roads_said import lay_over
    from dutylog.review.store import load_current

    found = []
    with place.reading() as opened:
        book, engine = TripBook(opened), opened.cursor().engine
        trips = [book.trip(key).key for key in keys]
        if trips[0] == trips[1]:
            asked = keys[0] if keys[0] == keys[1] else f"{keys[0]} and {keys[1]} are both trip {trips[0]}, which is"
            raise InputError(f"trip {asked} twice: name two different trips")
        for key in trips:
            data = load_current(place.data_dir, opened, key)
            if data is None:
                raise InputError(f"trip {key} isn't reviewed yet; run `dutylog trip review {key}` first")
            notes = read_notes(opened, key)
            found.append(_Read(key, look_at(data, lay_over(data.segments, notes.roads), notes.load_note)))
    return found, engine
