"""`dutylog integrate`: the duty in one recording."""

from __future__ import annotations

import json
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from dutylog import config
from dutylog.engine.heap import keep_freed_memory
from dutylog.engine.integrate import integrate as integrate_recording
from dutylog.engine.report import Integration, OnHeat
from dutylog.engine.signals import SignalExport
from dutylog.heat.beside import HeatBeside
from dutylog.heat.series import DamperSeries

_ROWS = (
    ("energy", "energy_j", "kJ", 1e-3, ".3f"),
    ("  compression", "compression_energy_j", "kJ", 1e-3, ".3f"),
    ("  rebound", "rebound_energy_j", "kJ", 1e-3, ".3f"),
    ("strokes", "strokes", "", 1, "d"),
    ("shaft travel", "shaft_travel_m", "m", 1, ".1f"),
    ("stroke travel", "stroke_travel_m", "m", 1, ".1f"),
    ("peak speed in", "peak_compression_mps", "m/s", 1, ".2f"),
    ("peak speed out", "peak_rebound_mps", "m/s", 1, ".2f"),
    ("hottest body", "peak_body_c", "°C", 1, ".1f"),
    ("bottom-outs", "bottom_outs", "", 1, "d"),
    ("measured", "measured_s", "s", 1, ".1f"),
    ("not measured", "unmeasured_s", "s", 1, ".1f"),
)


@click.command()
@click.option("--config", "config_path", type=click.Path(path_type=Path), required=True, help="Vehicle file (TOML).")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table", show_default=True)
@click.option("--signals", type=click.Path(path_type=Path), help="Write each prepared sample to .parquet or .csv.")
@click.option("--events", type=click.Path(path_type=Path), help="Write strokes, bottom-outs, faults likewise.")
@click.argument("recording", type=click.Path(path_type=Path))
def integrate(config_path: Path, form: str, signals: Path | None, events: Path | None, recording: Path) -> None:
    """Work out what each damper did in RECORDING.

    RECORDING is a Parquet, CSV or MDF4 file, or the folder of a raw log. Nothing is written but what
    --signals and --events name; a file that exists is never overwritten.
    """
    keep_freed_memory()
    settings = config.load(config_path)
    with closing(HeatBeside()) as heat:
        # The table has no room for a temperature a second, so nobody waits for them there.
        on_heat = heat.take if form == "json" else None
        if signals is None and events is None:
            work = _integrate(recording, settings, on_heat)
        else:
            with SignalExport(settings.vehicle, signals, events) as export:
                work = _integrate(recording, settings, on_heat, export)
        result, followed = work.to_dict(), heat.finish()
    if form == "json":
        _echo_json(result, followed)
    else:
        for note in result["notes"]:
            click.echo(f"note: {note}", err=True)
        click.echo("\n".join([*_table(result["dampers"]), *_clock_lines(result["clock"])]))


def _echo_json(result: dict[str, Any], followed: dict[str, DamperSeries]) -> None:
    """Write the JSON form piece by piece: a value of heat a second makes long lists of days of a recording."""
    dampers = result.pop("dampers")
    click.echo(json.dumps(result, allow_nan=False)[:-1] + ', "dampers": {', nl=False)
    for number, (position, damper) in enumerate(dampers.items()):
        text = json.dumps(damper, allow_nan=False)[:-1]
        click.echo(f"{', ' if number else ''}{json.dumps(position)}: {text}", nl=False)
        if position in followed:
            click.echo(", ", nl=False)
            for piece in followed[position].json_pieces():
                click.echo(piece, nl=False)
        click.echo("}", nl=False)
    click.echo("}}")


def _integrate(
    recording: Path, settings: config.Settings, on_heat: OnHeat | None, export: SignalExport | None = None
) -> Integration:
    vehicle, columns = settings.vehicle, settings.columns
    if not sys.stderr.isatty():
        return integrate_recording(recording, vehicle, columns=columns, export=export, on_heat=on_heat)
    with click.progressbar(length=1000, label=f"integrating {recording.name}", file=sys.stderr) as bar:
        shown = 0

        def show(share: float) -> None:
            nonlocal shown
            bar.update(int(share * 1000) - shown)
            shown = int(share * 1000)

        return integrate_recording(recording, vehicle, columns=columns, progress=show, export=export, on_heat=on_heat)


def _table(dampers: dict[str, dict[str, Any]]) -> list[str]:
    """Return the figures with a column for each damper, then what was wrong with the sensors."""
    width = max(14, *(len(position) + 2 for position in dampers))
    lines = [" " * 20 + "".join(f"{position:>{width}}" for position in dampers)]
    lines.append(f"{'serial':<20}" + "".join(f"{d['serial'] or '-':>{width}}" for d in dampers.values()))
    for label, key, unit, factor, form in _ROWS:
        name = f"{label} [{unit}]" if unit else label
        lines.append(f"{name:<20}" + "".join(f"{_figure(d[key], factor, form):>{width}}" for d in dampers.values()))
    for position, damper in dampers.items():
        if damper["faults"]:
            lines.append(f"{position}: {_count_faults(damper['faults'])}")
        if damper["unmeasured_s"] > 0:
            lines.append(f"{position}: {_tell_unmeasured(damper)}")
        lines += damper["notes"]
    if any(d["unmeasured_s"] > 0 for d in dampers.values()):
        lines.append("Where time was not measured, the duty is a lower bound; estimates are not part of it.")
    return lines


def _tell_unmeasured(damper: dict[str, Any]) -> str:
    """Return why time wasn't measured and what heat may have been made in it."""
    reasons = ", ".join(f"{reason} {seconds:.1f} s" for reason, seconds in damper["unmeasured_by_reason_s"].items())
    energy_j, basis = damper["estimated_unmeasured_energy_j"], damper["estimate_basis"]
    guess = f"no estimate ({basis})" if energy_j is None else f"estimated {energy_j * 1e-3:.3f} kJ in it ({basis})"
    return f"not measured: {reasons}; {guess}"


def _clock_lines(clock: dict[str, Any] | None) -> list[str]:
    if clock is None:
        return []
    jitter = "" if clock["jitter_rms_us"] is None else f", rows {clock['jitter_rms_us']:.1f} us rms off an even spacing"
    return [f"sampled at {clock['rate_hz']:.6g} Hz{jitter}", *clock["notes"]]


def _figure(value: float | None, factor: float, form: str) -> str:
    if value is None:
        return "-"
    return format(value if form == "d" else value * factor, form)


def _count_faults(faults: list[dict[str, Any]]) -> str:
    kinds: dict[str, list[float]] = {}
    for fault in faults:
        span_s = (fault["end_s"] or fault["start_s"]) - fault["start_s"]
        kinds.setdefault(fault["kind"], []).append(span_s)
    return ", ".join(f"{kind} {len(spans)}x ({sum(spans):.1f} s)" for kind, spans in sorted(kinds.items()))
