"""`dutylog trip report` and `dutylog trip export`: a trip on paper, and as files for other programs."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from dutylog.cli.ledger import find_place
from dutylog.cli.progress import ProgressLine
from dutylog.cli.trip_review import WHAT
from dutylog.clock import SystemClock
from dutylog.config import load as load_config
from dutylog.config.settings import TripSettings
from dutylog.domain.quantity import METRIC, SYSTEMS
from dutylog.errors import LedgerError
from dutylog.ledger.trip_book import parse_key
from dutylog.ledger.trip_notes import read_notes
from dutylog.review.trip_data import TripData

HTML_END, PDF_END = ".html", ".pdf"
REPORT_ENDS = (HTML_END, PDF_END)
_UNITS = click.option(
    "--units", type=click.Choice(SYSTEMS), default=METRIC, show_default=True, help="Units of all figures."
)


def _with_trip(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command its key, the file to make and the options that name a data folder."""
    config = click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
    data = click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
    out = click.option("-o", "--output", "out", type=click.Path(path_type=Path), required=True, help="File to make.")
    return click.argument("key")(out(data(config(command))))


@click.command()
@_with_trip
@_UNITS
def report(key: str, out: Path, data: Path | None, config: Path | None, units: str) -> None:
    """Write the report of trip KEY for paper: FILE.pdf (at most four pages) or FILE.html.

    It needs no network to be read, and black and white is enough. Never written over another file.
    """
    # Not at the top: what draws is loaded only by these commands.
    from dutylog.review.export import check_new_file, write_new_file
    from dutylog.review.report import make_html, make_pdf
    from dutylog.review.to_dict import review_from_dict

    parse_key(key)
    end = check_new_file(out, REPORT_ENDS)
    found, text = _find_trip(key, data, config)
    review = review_from_dict(json.loads(text))
    if end == HTML_END:
        content = make_html(found, review, units, time.time()).encode()
    else:
        content = make_pdf(found, review, units, time.time())
    write_new_file(out, content)
    click.echo(f"{out}: report of trip {review.facts.key}, {len(content)} bytes")


@click.command()
@_with_trip
def export(key: str, out: Path, data: Path | None, config: Path | None) -> None:
    """Write trip KEY for other programs, in SI units.

    FILE.parquet or FILE.csv: a row a second; FILE.gpx: the track; FILE.json: the review. Never written over another
    file.
    """
    from dutylog.review.export import EXPORT_ENDS, check_new_file, export_trip

    parse_key(key)
    check_new_file(out, EXPORT_ENDS)
    found, text = _find_trip(key, data, config)
    facts: dict[str, Any] = json.loads(text)["facts"]
    click.echo(export_trip(found, facts["name"], text, out))


def _find_trip(key: str, data: Path | None, config: Path | None) -> tuple[TripData, str]:
    """Return a trip's data and the text of its review; both are made first where they aren't kept."""
    from dutylog.review.desk import review_trip
    from dutylog.review.roads_said import as_said
    from dutylog.review.store import load

    place = find_place(data, config)
    grace_s = (TripSettings() if config is None else load_config(config).trip).grace_s
    bar = ProgressLine(SystemClock(), WHAT) if sys.stderr.isatty() else None
    try:
        with place.reading() as opened:
            show = bar.show if bar else _show_nothing
            text = review_trip(place.data_dir, opened, key, grace_s=grace_s, progress=show)
            # A trip that was merged into another is told under that one's key.
            key = json.loads(text)["facts"]["key"]
            roads = read_notes(opened, key).roads
    finally:
        if bar is not None:
            bar.clear()
    found = load(place.data_dir, key)
    if found is None:
        raise LedgerError(f"trip {key}: what was kept of it is gone again; run it once more")
    return as_said(found, roads), text


def _show_nothing(_share: float) -> None:
    pass
