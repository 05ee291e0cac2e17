"""`dutylog run`: hands over to the daemon, which is a program of its own."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from dutylog import config


@click.command()
@click.option("--config", "config_path", type=click.Path(path_type=Path), required=True, help="Vehicle file (TOML).")
@click.option("--data", type=click.Path(path_type=Path), help="Folder of ledger and raw log, if not that of the file.")
@click.option("--recording", type=click.Path(path_type=Path), help="Log this recording instead of the file's source.")
@click.option("--pace", type=click.FloatRange(min=0), help="1 real time, 0 as fast as possible.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port of the page, if not that of the file.")
@click.option("--no-page", is_flag=True, help="Log only.")
@click.option("--exit-at-end", is_flag=True, help="Stop when the source has ended.")
def run(config_path: Path, **options: object) -> None:
    """Log a vehicle until stopped (SIGTERM or Ctrl-C): sample, keep, integrate, show the page."""
    settings = config.load(config_path)
    if options["recording"] is None:
        settings.require_source()
    if options["data"] is None:
        settings.require_data_dir()
    arguments = ["--config", str(config_path)]
    for name, value in options.items():
        if value is True:
            arguments.append(f"--{name.replace('_', '-')}")
        elif value is not None and value is not False:
            arguments += [f"--{name.replace('_', '-')}", str(value)]
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, "-m", "dutylog.daemon", *arguments])  # noqa: S606
