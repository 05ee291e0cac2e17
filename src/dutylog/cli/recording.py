"""`dutylog recording`: look at raw logs, check them, take them elsewhere."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from dutylog.cli.ledger import QUERY_LIMIT_S
from dutylog.ledger.ledger import LEDGER_NAME, PRUNED, Ledger
from dutylog.recording.bounds import read_log_bounds
from dutylog.recording.check import LogCheck, check_log
from dutylog.recording.export import CSV, FORMATS, PARQUET, export_log
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import TORN, Damage
from dutylog.recording.segments import SegmentInfo
from dutylog.units import NS_PER_S

EXIT_DAMAGED = 2
_SHOW_AFTER_S = 1.0
_SHOW_EVERY_S = 0.2
_PATH = click.Path(path_type=Path)


@click.group()
def recording() -> None:
    """Raw logs: list, check, export."""


@recording.command("list")
@click.argument("path", type=_PATH)
def list_(path: Path) -> None:
    """Show the segments of the raw log at PATH, a folder or one .dlg file."""
    for line in _describe_begin(path):
        click.echo(line)
    infos = LogReader(path).segments()
    heads = ("segment", "epoch", "frames", "rows", "length", "size", "made (UTC)", "ended", "source")
    click.echo("\n".join(_table([heads, *(_segment_row(info) for info in infos)])))


@recording.command()
@click.argument("path", type=_PATH)
@click.pass_context
def check(context: click.Context, path: Path) -> None:
    """Read every frame of the raw log at PATH and tell what is good, torn or damaged.

    A torn tail is what a power cut leaves and no reason for concern. Ends with 2 when frames are
    damaged or missing.
    """
    progress = _Progress()
    result = check_log(path, lambda frames: progress.show(f"{frames} frames read"))
    progress.clear()
    click.echo("\n".join(describe_check(path, result)))
    if result.damaged:
        context.exit(EXIT_DAMAGED)


@recording.command()
@click.argument("path", type=_PATH)
@click.option("-o", "--output", "out", type=_PATH, required=True, help="File to make; never overwritten.")
@click.option("--format", "file_format", type=click.Choice(FORMATS), help="Without it, csv for *.csv, else parquet.")
@click.option("--epoch", type=click.IntRange(1), help="Which run of a source, where the log holds several.")
def export(path: Path, out: Path, file_format: str | None, epoch: int | None) -> None:
    """Write the raw log at PATH as one table that `dutylog integrate` and other tools read."""
    if file_format is None:
        file_format = CSV if out.suffix.lower() == ".csv" else PARQUET
    progress = _Progress()
    result = export_log(path, out, file_format, epoch, lambda ns: progress.show(f"{_length(ns)} exported"))
    progress.clear()
    click.echo(f"{result.file}: {result.row_count} rows of epoch {result.epoch}, {', '.join(result.column_names)}")
    if result.left_out_count:
        click.echo(f"{result.left_out_count} samples found no place in the table and were left out", err=True)
    for damage in result.damage:
        click.echo(f"left out: {_damage_line(damage)}", err=True)


def describe_check(path: Path, result: LogCheck) -> list[str]:
    """Return what a check found, as lines for a terminal; the verdict is the last."""
    files = "1 segment" if result.file_count == 1 else f"{result.file_count} segments"
    lines = [
        f"{files}, frames {result.first_sequence} to {result.last_sequence}, "
        f"{result.frame_count} good with {result.row_count} rows, {result.gap_row_count} rows noted as missing"
    ]
    lines += [_damage_line(damage) for damage in result.damage]
    if result.damaged:
        lines.append(f"{path}: damaged in {_times(len(result.damaged))}; the good frames can be used")
    elif result.torn:
        lines.append(f"{path}: good, but torn in {_times(len(result.torn))} by a power cut or kill")
    else:
        lines.append(f"{path}: good")
    return lines


def _times(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def _damage_line(damage: Damage) -> str:
    what = f"{damage.length} bytes {damage.kind}" if damage.length else damage.kind
    note = "; never durable, nothing is lost" if damage.kind == TORN else ""
    return f"{damage.file.name}: offset {damage.offset}: {what}: {damage.reason}{note}"


def _describe_begin(path: Path) -> list[str]:
    """Return what is known about frames before the first one of a log folder; nothing where it begins with frame 1."""
    bounds = read_log_bounds(path)
    if bounds is None or bounds.first_sequence == 1:
        return []
    lines = [f"begins with frame {bounds.first_sequence}: what came before is gone"]
    beside = path.absolute().parent / LEDGER_NAME
    if not beside.exists():
        return lines
    with Ledger.open(beside, read_only=True, query_limit_s=QUERY_LIMIT_S) as ledger:
        for entry in ledger.entries_of(PRUNED):
            data = json.loads(entry.data)
            (first, last), trips = data["segments"], ", ".join(map(str, data["trips"])) or "none"
            lines.append(
                f"segments {first} to {last} were removed, {data['bytes'] / 1e6:.1f} MB (limit: {data['reason']}); "
                f"trips without all their raw samples: {trips}"
            )
    return lines


def _segment_row(info: SegmentInfo) -> tuple[str, ...]:
    span_ns = info.end_ns - info.start_ns if info.start_ns is not None and info.end_ns is not None else 0
    made = datetime.fromtimestamp(info.created_utc_ns / NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M:%S")
    return (
        info.file.name,
        str(info.epoch),
        f"{info.first_sequence}-{info.last_sequence}",
        str(info.row_count),
        _length(span_ns),
        f"{info.byte_count / 1e6:.2f} MB",
        made if info.utc_trusted else f"{made} ?",
        info.closed or "open or cut",
        f"{info.source_kind} {info.source_text}".strip(),
    )


def _length(span_ns: int) -> str:
    minutes, tenths = divmod(round(span_ns * 10 / NS_PER_S), 600)
    return f"{minutes} min {tenths / 10:04.1f} s"


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


class _Progress:
    """One line on standard error, only where that is a terminal and the work takes its time."""

    def __init__(self) -> None:
        self._is_shown = sys.stderr.isatty()
        self._next_s = time.monotonic() + _SHOW_AFTER_S
        self._width = 0

    def show(self, text: str) -> None:
        if not self._is_shown or time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + _SHOW_EVERY_S
        click.echo("\r" + text.ljust(self._width), err=True, nl=False)
        self._width = len(text)

    def clear(self) -> None:
        if self._width:
            click.echo("\r" + " " * self._width + "\r", err=True, nl=False)
