"""The part of `dutylog trip` by which people tell of a trip: care done after it, its load, what a road really was."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from dutylog.cli.duty_text import UNKNOWN, json_text, table_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.cli.life_tell import BY, NOTE
from dutylog.domain.quantity import utc_text
from dutylog.errors import InputError
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.ledger.trip_notes import CARE_ITEMS, ROADS, check_key, read_notes

if TYPE_CHECKING:
    from dutylog.ledger.ledger import Ledger
    from dutylog.review.review import CareItem, Review

_MOMENT = re.compile(r"([0-9]{1,3}):([0-5][0-9]):([0-5][0-9])")


@click.command()
@click.argument("trip")
@click.argument("item", required=False)
@click.option("--by", help="Your name; needed with ITEM.")
@NOTE
@with_data
@with_format
def care(
    place: DataPlace, trip: str, item: str | None, by: str | None, note: str | None, form: str, units: str
) -> None:
    """List the care after TRIP, or say that ITEM of it was done.

    Never touch or wash a hot damper; work on charged dampers is for qualified technicians, by the maker's manual.
    """
    check_key(trip, "TRIP")
    if item is None:
        if by is not None or note is not None:
            raise click.UsageError(f"which item was done? Name one of {', '.join(CARE_ITEMS)} after the trip")
        _list_care(place, trip, form, units)
        return
    if by is None:
        raise click.UsageError("who did it? Give --by NAME")
    place.do({"command": "care", "trip": trip, "item": item, "by": by, "note": note})


@click.command()
@click.argument("trip")
@click.argument("text")
@BY
@with_data
def load(place: DataPlace, trip: str, text: str, by: str) -> None:
    """Say in a TEXT what was loaded on TRIP, such as 'full tank, two people'; the last word counts.

    Standing heights are compared between trips with the same text.
    """
    place.do({"command": "load_note", "trip": check_key(trip, "TRIP"), "text": text, "by": by})


@click.command()
@click.argument("trip")
@click.option("--from", "first", required=True, metavar="H:MM:SS", help="Begin, since the trip's begin.")
@click.option("--to", "last", required=True, metavar="H:MM:SS", help="End, since the trip's begin.")
@click.option("--kind", required=True, type=click.Choice(ROADS), help="What it was driven on.")
@BY
@with_data
def road(place: DataPlace, trip: str, first: str, last: str, kind: str, by: str) -> None:
    """Put right what kind of road a stretch of TRIP was."""
    check_key(trip, "TRIP")
    span = {"from_s": parse_moment(first, "--from"), "to_s": parse_moment(last, "--to")}
    place.do({"command": "road_said", "trip": trip, **span, "kind": kind, "by": by})


NOTE_COMMANDS = (care, load, road)


def parse_moment(text: str, what: str) -> float:
    """Return a time since a trip's begin [s] of a text like 1:02:30; InputError for anything else."""
    found = _MOMENT.fullmatch(text)
    if found is None:
        raise InputError(f"{what} {text!r:.40}: write hours, minutes and seconds since the trip's begin, like 1:02:30")
    hours, minutes, seconds = (int(part) for part in found.groups())
    return float(hours * 3600 + minutes * 60 + seconds)


def _list_care(place: DataPlace, key: str, form: str, units: str) -> None:
    # Not at the top: every command would load numpy.
    from dutylog.review.care import lay_done

    with place.reading() as opened:
        trip = TripBook(opened).trip(key)
        key, engine = trip.key, opened.cursor().engine
        done, review = read_notes(opened, key).care, _read_current(place, opened, trip)
    if review is not None:
        _show_items(key, lay_done(review.care, done), form, units, engine)
    elif form == "json":
        care_list = [_told(one.by, one.utc_s, one.row, one.note) | {"item": one.item} for one in done]
        click.echo(json_text(engine, {"trip": key, "is_reviewed": False, "care": care_list}))
    else:
        rows = [(one.item, _done_text(one.by, one.utc_s), one.note or UNKNOWN) for one in done]
        click.echo(table_text(("item", "done", "note"), rows, left=3) if rows else "nobody told of any care yet")
        click.echo(f"not reviewed yet; run `dutylog trip review {key}` to know what it calls for")


def _read_current(place: DataPlace, opened: Ledger, trip: BookTrip) -> Review | None:
    """Return the kept review of a trip, None where it is of another cut of it: before it was repaired or went on."""
    from dutylog.review.stamps import make_stamp
    from dutylog.review.store import read_review, read_review_text

    text = read_review_text(place.data_dir, trip.key)
    if text is None or not make_stamp(opened, trip).has_cut_of(json.loads(text).get("stamp")):
        return None
    return read_review(place.data_dir, trip.key)


def _show_items(key: str, items: Sequence[CareItem], form: str, units: str, engine: str) -> None:
    from dutylog.review.report_words import words_text

    if form == "json":
        care_list = [
            {"item": one.key, "text": words_text(one.text, units), "why": words_text(one.why, units)}
            | {"caution": one.caution and words_text(one.caution, units, None), "is_asked": one.is_asked}
            | _told(one.done_by, one.done_utc_s, one.row, one.note)
            for one in items
        ]
        click.echo(json_text(engine, {"trip": key, "is_reviewed": True, "care": care_list}))
        return
    lines: list[str] = []
    for one in items:
        state = "to do" if one.is_asked else "not needed this time"
        state = state if one.done_by is None else _done_text(one.done_by, one.done_utc_s)
        lines += [f"{one.key}: {state}", f"    {words_text(one.text, units)}", f"    why: {words_text(one.why, units)}"]
        lines += [f"    caution: {words_text(one.caution, units, None)}"] if one.caution and one.is_asked else []
        lines += [f"    note: {one.note}"] if one.note else []
    click.echo("\n".join(lines))


def _done_text(by: str, utc_s: float | None) -> str:
    return f"done by {by}, {utc_text(utc_s)}"


def _told(by: str | None, utc_s: float | None, row: int | None, note: str | None) -> dict[str, Any]:
    return {"done_by": by, "done_utc_s": utc_s, "entry": row, "note": note}
