"""`dutylog trip review`: goes through a trip's raw log where that hasn't been done, and says what the trip was."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import click

from dutylog.cli.ledger import DataPlace, find_place, with_format
from dutylog.cli.progress import ProgressLine, ProgressLines
from dutylog.clock import SystemClock
from dutylog.config import load
from dutylog.config.settings import TripSettings

WHAT = "going through the trip"
"""What the line of progress says."""
_DATA = click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
_CONFIG = click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")


@click.command()
@click.argument("key")
@click.option("--again", is_flag=True, help="Go through the raw log again, also where a review of it is kept.")
@click.option("--progress", "is_told", is_flag=True, help="Print `progress 0.42` to standard error now and then.")
@_DATA
@_CONFIG
@with_format
def review(key: str, again: bool, is_told: bool, data: Path | None, config: Path | None, form: str, units: str) -> None:
    """Say what trip KEY did to each damper, and why: verdict, roads, hits, heights, what to do now.

    Goes through the raw log of the trip once and keeps what it finds; asked again, it answers at once.
    """
    place = find_place(data, config)
    grace_s = (TripSettings() if config is None else load(config).trip).grace_s
    bar: ProgressLines | ProgressLine | None = None
    if is_told:
        bar = ProgressLines()
    elif sys.stderr.isatty():
        bar = ProgressLine(SystemClock(), WHAT)
    try:
        text = _review(place, key, grace_s, again=again, progress=bar.show if bar else lambda _: None)
    finally:
        if bar is not None:
            bar.clear()
    click.echo(text if form == "json" else _table(text, units))


def _review(place: DataPlace, key: str, grace_s: float, *, again: bool, progress: Callable[[float], None]) -> str:
    # Not at the top: every `dutylog trip` would load the engine.
    from dutylog.review.desk import review_trip

    with place.reading() as opened:
        return review_trip(place.data_dir, opened, key, grace_s=grace_s, again=again, progress=progress)


def _table(text: str, units: str) -> str:
    from dutylog.review.text import review_lines
    from dutylog.review.to_dict import review_from_dict

    return "\n".join(review_lines(review_from_dict(json.loads(text)), units))
