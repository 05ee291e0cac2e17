"""`dutylog check`: is everything ready to measure, and what is to be done where it isn't?"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from dutylog.cli.checks.findings import worst
from dutylog.cli.checks.report import text_lines, to_json
from dutylog.cli.checks.runner import run_checks
from dutylog.cli.checks.scene import look_around
from dutylog.clock import SystemClock

EXIT_FAILED = 1
EXIT_BAD_CONFIG = 2


@click.command()
@click.option("--config", "config_path", type=click.Path(path_type=Path), required=True, help="Vehicle file (TOML).")
@click.option("--data", type=click.Path(path_type=Path), help="Data folder, if not that of the file.")
@click.option("--json", "as_json", is_flag=True, help="For programs; fields in shared/CHECK.md.")
@click.pass_context
def check(context: click.Context, config_path: Path, data: Path | None, as_json: bool) -> None:
    """Look at everything a vehicle needs: one line each, pass, look or fail, with what to do.

    Takes at most 20 s, also while dutylog runs. Ends with 1 when anything fails, with 2 for a bad vehicle file.
    """
    progress = Progress()
    progress.show(["daemon"])
    scene = look_around(config_path, data, SystemClock())
    findings = run_checks(scene, on_progress=progress.show)
    progress.clear()
    if as_json:
        click.echo(to_json(findings))
    else:
        has_colour = sys.stdout.isatty() and not os.environ.get("NO_COLOR")
        click.echo("\n".join(text_lines(findings, has_colour)), color=has_colour)
    if scene.problems:
        context.exit(EXIT_BAD_CONFIG)
    if worst(findings) == "fail":
        context.exit(EXIT_FAILED)


class Progress:
    """One line on standard error with what is still being looked at, where that is a terminal."""

    def __init__(self) -> None:
        self._is_shown = sys.stderr.isatty()
        self._width = 0

    def show(self, left: Sequence[str]) -> None:
        """Say which subjects aren't done."""
        if not self._is_shown:
            return
        text = f"looking at {', '.join(left)}"[:79]
        click.echo("\r" + text.ljust(self._width), err=True, nl=False)
        self._width = max(self._width, len(text))

    def clear(self) -> None:
        """Take the line away."""
        if self._width:
            click.echo("\r" + " " * self._width + "\r", err=True, nl=False)
