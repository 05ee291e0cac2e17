"""`dutylog ledger`: check and back up; and what every command needs to find and open a ledger."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from dutylog.config import load
from dutylog.config.settings import TripSettings
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import LedgerCorrupt
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger

DATA_VARIABLE = "DUTYLOG_DATA"
# A person at a terminal waits longer than a page: reading all dampers of a shop from a slow card.
QUERY_LIMIT_S = 30.0


@dataclass(frozen=True, slots=True)
class DataPlace:
    """A data folder, and the vehicle of the configuration that named it."""

    data_dir: Path
    vehicle: Vehicle | None = None

    @contextmanager
    def reading(self) -> Iterator[Ledger]:
        """Open the ledger for reading, beside a daemon or without one."""
        path = self.data_dir / LEDGER_NAME
        with Ledger.open(path, read_only=True, query_limit_s=QUERY_LIMIT_S) as opened:
            yield opened

    def do(self, request: Mapping[str, Any]) -> None:
        """Have a change made and print the line that tells of it."""
        reply = run_command(self.data_dir, request, self.vehicle)
        click.echo(str(reply.get("text", "done")))


def with_data(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that name a data folder; it receives a DataPlace as `place`."""

    @click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
    @click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
    @wraps(function)
    def command(data: Path | None, config: Path | None, **rest: Any) -> None:
        function(place=find_place(data, config), **rest)

    return command


def with_format(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command that shows numbers its --format and --units."""
    units = click.option(
        "--units",
        type=click.Choice(["metric", "us"]),
        default="metric",
        show_default=True,
        help="Units of the table; JSON is always SI.",
    )
    kind = click.option(
        "--format",
        "form",
        type=click.Choice(["table", "json"]),
        default="table",
        show_default=True,
        help="A table for people or JSON for programs.",
    )
    return kind(units(function))


def find_place(data: Path | None, config: Path | None) -> DataPlace:
    """Return the data folder: --data, else what --config says, else the environment's.

    Raises:
        click.UsageError: none of them names one.
        ConfigError: the vehicle file is bad or names none.
    """
    settings = None if config is None else load(config)
    if data is not None:
        return DataPlace(data, None if settings is None else settings.vehicle)
    if settings is not None:
        return DataPlace(settings.require_data_dir(), settings.vehicle)
    from_environment = os.environ.get(DATA_VARIABLE)
    if not from_environment:
        raise click.UsageError(f"no data folder named: give --data DIR or --config FILE, or set {DATA_VARIABLE}")
    return DataPlace(Path(from_environment))


@click.group()
def ledger() -> None:
    """Check the ledger, back it up, count it again."""


@ledger.command()
@with_data
def verify(place: DataPlace) -> None:
    """Check the chain of entries and every page of the file."""
    with place.reading() as opened:
        if sys.stderr.isatty():
            megabytes = opened.path.stat().st_size / 1e6
            click.echo(f"checking {megabytes:.0f} MB of ledger", err=True)
        problems = opened.check_file()
        if problems:
            raise LedgerCorrupt(
                f"ledger {opened.path} is damaged ({problems[0]}; {len(problems)} found); restore the last backup"
            )
        broken_row = opened.verify_chain()
        if broken_row is not None:
            raise LedgerCorrupt(
                f"ledger {opened.path}: entry {broken_row} is not as it was written, what follows it is not vouched "
                "for; compare it with the last backup"
            )
        newest = opened.entries(limit=1)
        count = newest[0].row if newest else 0
        digest = f", the last one's hash is {newest[0].hash.hex()}" if newest else ""
        click.echo(f"ledger {opened.path} is sound: {count} entries chained{digest}")


@ledger.command()
@click.argument("file", type=click.Path(path_type=Path))
@with_data
def backup(place: DataPlace, file: Path) -> None:
    """Copy the ledger to a new FILE, also while the daemon writes."""
    with place.reading() as opened:
        if not sys.stderr.isatty():
            opened.backup(file)
        else:
            _backup_with_bar(opened, file)
    click.echo(f"backup written to {file} and checked, {file.stat().st_size} bytes")


def _backup_with_bar(opened: Ledger, file: Path) -> None:
    with click.progressbar(length=1, label="copying", file=sys.stderr) as bar:

        def show(left: int, total: int) -> None:
            bar.length = max(1, total)
            bar.update(total - left - bar.pos)

        opened.backup(file, show)


@ledger.command()
@click.option("--dry-run", is_flag=True, help="Show what would change, write nothing.")
@click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
@click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
def recount(dry_run: bool, data: Path | None, config: Path | None) -> None:
    """Count the past again after a calibration that --corrects it; stop the daemon first."""
    # Not at the top: every command that opens a ledger would load the engine.
    from dutylog.cli.recount import run_recount

    place = find_place(data, config)
    trip = TripSettings() if config is None else load(config).trip
    run_recount(place.data_dir, trip.grace_s, is_dry=dry_run)
