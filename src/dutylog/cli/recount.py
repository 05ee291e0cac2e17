"""What `dutylog ledger recount` shows: the share done while it lasts, then each damper before and after."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from dutylog.cli.duty_text import UNKNOWN, table_text
from dutylog.cli.progress import ProgressLine
from dutylog.clock import SystemClock
from dutylog.duty.totals import Totals
from dutylog.engine.heap import keep_freed_memory
from dutylog.ledger.corrections import Correction
from dutylog.ledger.recount import recount
from dutylog.ledger.revisions import UnitChange
from dutylog.recording.block import TRAVEL

_FIGURES: tuple[tuple[str, Callable[[Totals], int | None], float, str], ...] = (
    ("energy MJ", lambda t: t.energy_uj, 1e-12, ".4f"),
    ("strokes", lambda t: t.strokes_count, 1.0, ".0f"),
    ("stroke travel km", lambda t: t.stroke_travel_um, 1e-9, ".4f"),
    ("shaft travel km", lambda t: t.shaft_travel_um, 1e-9, ".4f"),
    ("bottom-outs", lambda t: t.bottom_outs_count, 1.0, ".0f"),
    ("peak speed in m/s", lambda t: t.peak_compression_umps, 1e-6, ".3f"),
    ("peak speed out m/s", lambda t: t.peak_rebound_umps, 1e-6, ".3f"),
    ("peak body °C", lambda t: t.peak_body_mc, 1e-3, ".1f"),
    ("measured h", lambda t: t.measured_us, 1 / 3.6e9, ".4f"),
)


def run_recount(data_dir: Path, grace_s: float, *, is_dry: bool) -> None:
    """Count again and print what changed; errors are left to the caller."""
    keep_freed_memory()
    bar = ProgressLine(SystemClock(), "counting again") if sys.stderr.isatty() else None
    try:
        outcome = recount(data_dir, grace_s=grace_s, is_dry=is_dry, progress=bar.show if bar else lambda _: None)
    finally:
        if bar is not None:
            bar.clear()
    if not outcome.corrections:
        click.echo("no calibration corrects the past, or all that do are counted already; nothing to do")
        return
    for correction in outcome.corrections:
        click.echo(describe(correction))
    click.echo(_changes_text(outcome.changes, outcome.labels))
    first, last = outcome.sequences
    if outcome.backup is None:
        click.echo(f"frames {first} to {last} counted; nothing was written (--dry-run)")
    else:
        click.echo(f"frames {first} to {last} counted and stored; the ledger as it was: {outcome.backup.name}")


def describe(correction: Correction) -> str:
    """Return which correction it is."""
    made, mounted = correction.made, correction.mounted
    what = "travel sensor" if made.quantity == TRAVEL else "body thermocouple"
    told = f"entry {made.entry}" if made.entry is not None else f"frame {made.sequence} of the raw log"
    since = "since the log began" if mounted is None else f"since it was mounted anew (frame {mounted.sequence})"
    return f"{told} corrects the {what} at {made.position} {since}"


def _changes_text(changes: tuple[UnitChange, ...], labels: dict[str, str]) -> str:
    if not changes:
        return "no damper sat there in that time: no total changes"
    rows = []
    for change in changes:
        name = labels.get(change.unit_id, change.unit_id)
        for what, get, scale, form in _FIGURES:
            before, after = get(change.before), get(change.after)
            rows.append(
                (name, what, _number(before, scale, form), _number(after, scale, form), _percent(before, after))
            )
            name = ""
    return table_text(("damper", "total", "before", "after", "change"), rows, left=2)


def _number(value: int | None, scale: float, form: str) -> str:
    return UNKNOWN if value is None else format(value * scale, form)


def _percent(before: int | None, after: int | None) -> str:
    if before == after:
        return "="
    return f"{(after / before - 1) * 100:+.2f} %" if before and after is not None else UNKNOWN
