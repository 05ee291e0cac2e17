"""`dutylog calibrate`: sensors calibrated with a tape and a cold morning (shared/CALIBRATION.md)."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import Any

import click

from dutylog.cli.duty_text import UNKNOWN, json_text, table_text, utc_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.cli.live_readings import LiveReader, RawReader, RawReading, read_bodies
from dutylog.clock import SystemClock
from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError, SourceLost
from dutylog.ledger import calibrations
from dutylog.ledger.calibrations import BodyCalibration, Calibration, TravelCalibration
from dutylog.ledger.ledger import LEDGER_NAME
from dutylog.motion.calibration_fit import CURVE, LEAST_POINTS, LINE, TapePoint, TravelFit, compare, fit_travel
from dutylog.units import MM_PER_INCH, f_to_c

CAUTIONS = """\
Before you measure (work for a qualified technician; the maker's manual and local rules come first):
  - Level, firm ground, wheels chocked, the vehicle on stands that can carry it. Never get under a vehicle
    that only a jack holds.
  - Dampers, brakes and exhaust burn after a drive: let them cool.
  - A damper holds gas at high pressure. Never let gas out and never open anything on it to calibrate.
  - While the height changes, hands and faces stay clear of springs, arms and wheels.
  - Full bump only with the spring out, by the maker's procedure. It isn't needed: droop on stands, ride
    height and loaded will do."""
SHAKY_COUNTS = 60.0
"""Noise that asks for a second look (judgement: 0.2 % of the scale, half a millimetre of a 250 mm sensor)."""
CHANGE_RATIO, CHANGE_MM = 0.03, 5.0
"""More against the map in force than two calibrations by tape differ by (judgement)."""
_FRACTION = re.compile(r"(?:(\d+)[ -])?(\d+)/(\d+)")


@dataclass(frozen=True, slots=True)
class LengthUnit:
    """The unit of the tape."""

    name: str
    mm: float
    digits: int

    def text(self, length_mm: float) -> str:
        """Return a length with its unit."""
        return f"{self.number(length_mm)} {self.name}"

    def number(self, length_mm: float) -> str:
        """Return a length without its unit."""
        return f"{round(length_mm / self.mm, self.digits) + 0.0:.{self.digits}f}"


UNITS = {"mm": LengthUnit("mm", 1.0, 1), "in": LengthUnit("in", MM_PER_INCH, 2)}


def length(text: str) -> float:
    """Return a length as a tape shows it: 690, 27.25, 27 1/4 or 27-1/4."""
    fraction = _FRACTION.fullmatch(text.strip())
    try:
        if fraction is not None:
            return int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3])
        return float(text)
    except (ValueError, ZeroDivisionError) as err:
        raise click.BadParameter(f"{text!r:.40} is no length; write 690, 27.25 or 27-1/4") from err


@dataclass(frozen=True, slots=True)
class Job:
    """What is being calibrated. before: the map in force, empty where there is none."""

    position: str
    stroke_mm: float
    method: str
    unit: LengthUnit
    before: tuple[tuple[float, float], ...]

    def fit(self, points: list[TapePoint], extended_mm: float) -> TravelFit:
        """Return the fit, its texts in the tape's unit."""
        return fit_travel(points, extended_mm, self.stroke_mm, self.method, self.unit.text)


@click.group()
def calibrate() -> None:
    """Calibrate sensors, show calibrations."""


@dataclass(frozen=True, slots=True)
class Story:
    """Who calibrates and why; is_dry: show it only."""

    fields: Mapping[str, Any]
    is_dry: bool

    def send(self, place: DataPlace, request: Mapping[str, Any]) -> None:
        """Have a calibration stored, or say that it isn't."""
        if self.is_dry:
            click.echo("nothing was stored (--dry-run)")
            return
        place.do({"command": "calibrate", **self.fields, **request})


def _with_story(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say who calibrates and why; it receives a Story as `story`."""

    @click.option("--by", required=True, help="Your name.")
    @click.option("--note", help="Anything worth keeping.")
    @click.option("--remounted", is_flag=True, help="The sensor was mounted anew.")
    @click.option("--corrects", is_flag=True, help="It was wrong ever since it was mounted: work the past out again.")
    @click.option("--dry-run", is_flag=True, help="Show what comes out, store nothing.")
    @wraps(function)
    def command(by: str, note: str | None, remounted: bool, corrects: bool, dry_run: bool, **rest: Any) -> None:
        if remounted and corrects:
            raise click.UsageError("a sensor mounted anew says nothing of the past: give --remounted or --corrects")
        fields = {"by": by, "note": note, "is_remounted": remounted, "corrects": corrects}
        function(story=Story(fields, dry_run), **rest)

    return command


@calibrate.command()
@click.argument("position")
@click.option("--point", "typed", type=(float, length), multiple=True, help="Counts and eye-to-eye length; repeat.")
@click.option("--extended", type=length, help="Eye to eye at full extension.")
@click.option("--compressed", type=length, help="Instead: eye to eye at full bump, from the maker's data.")
@click.option("--method", type=click.Choice([LINE, CURVE]), default=LINE, show_default=True, help="curve: a linkage.")
@click.option("--unit", type=click.Choice(sorted(UNITS)), default="mm", show_default=True, help="Unit of the tape.")
@_with_story
@with_data
def travel(
    place: DataPlace,
    story: Story,
    position: str,
    typed: tuple[tuple[float, float], ...],
    extended: float | None,
    compressed: float | None,
    method: str,
    unit: str,
) -> None:
    """Calibrate the travel sensor at POSITION with a tape; asks for each point unless --point gives them."""
    job = _make_job(place, position, method, UNITS[unit])
    extended_mm = _extended_mm(extended, compressed, job)
    if typed:
        if extended_mm is None:
            raise click.UsageError("the length at full extension is needed: give --extended or --compressed")
        points = [TapePoint(raw, tape * job.unit.mm) for raw, tape in typed]
        click.echo("\n".join(fit_lines(job.fit(points, extended_mm), points, extended_mm, job)))
    else:
        found = measure(job, extended_mm, LiveReader(place.data_dir, SystemClock()))
        if found is None:
            click.echo("nothing was stored")
            return
        points, extended_mm = found
    measured = {"points": [[p.raw, p.length_mm, p.noise] for p in points], "extended_mm": extended_mm}
    story.send(place, {"kind": "travel", "position": position, "method": method, **measured})


@calibrate.command()
@click.argument("position")
@click.option("--rested", type=float, required=True, help="Hours all dampers have been at rest, out of the sun.")
@click.option("--body", type=float, help="What the body thermocouple reads; else it is asked of the running daemon.")
@click.option("--ambient", type=float, help="What the air sensor reads.")
@click.option("--other", type=float, multiple=True, help="What another body reads; repeat.")
@click.option("--unit", type=click.Choice(["c", "f"]), default="c", show_default=True, help="Unit of the readings.")
@_with_story
@with_data
def temperature(
    place: DataPlace,
    story: Story,
    position: str,
    rested: float,
    body: float | None,
    ambient: float | None,
    other: tuple[float, ...],
    unit: str,
) -> None:
    """Take the body thermocouple at POSITION to agree with the air after a cold soak."""
    calibrations.find_damper(_vehicle(place), position)
    if body is None and ambient is None and not other:
        body_c, ambient_c, others_c = read_bodies(place.data_dir, position, SystemClock())
    elif body is None or ambient is None:
        raise click.UsageError("give both --body and --ambient, or neither to ask the running daemon")
    else:
        body_c, ambient_c, *rest_c = (f_to_c(v) if unit == "f" else v for v in (body, ambient, *other))
        others_c = tuple(rest_c)
    offset_k = calibrations.compute_offset_k(body_c, ambient_c, rested, others_c)
    click.echo(f"body {body_c:.1f} °C, air {ambient_c:.1f} °C: {offset_k:+.1f} K is to be added to what the body reads")
    measured = {"body_c": body_c, "ambient_c": ambient_c, "rested_h": rested, "others_c": list(others_c)}
    story.send(place, {"kind": "temperature", "position": position, **measured})


@calibrate.command()
@click.argument("position", required=False)
@with_data
@with_format
def show(place: DataPlace, position: str | None, form: str, units: str) -> None:
    """Show every calibration, or those of POSITION with their points."""
    with place.reading() as opened:
        found, now, engine = (
            calibrations.history(opened, position),
            calibrations.in_force(opened),
            opened.cursor().engine,
        )
        vehicle = opened.vehicle()
    if position is not None and not found and vehicle is not None:
        calibrations.find_damper(vehicle, position)
    rows = {one.signed.row for c in now.values() for one in (c.travel, c.body) if one is not None}
    if form == "json":
        content = [calibrations.to_json(one) | {"is_in_force": one.signed.row in rows} for one in found]
        click.echo(json_text(engine, {"calibrations": content}))
        return
    if not found:
        click.echo("no calibrations yet; make one with: dutylog calibrate travel POSITION --by NAME")
        return
    heads = ("entry", "position", "sensor", "made", "by", "method", "result", "doubt", "worst point", "")
    unit = UNITS["in" if units == "us" else "mm"]
    click.echo(table_text(heads, [_show_row(one, unit, one.signed.row in rows) for one in found], left=7))
    if position is not None:
        for one in found:
            click.echo("\n" + "\n".join(_detail_lines(one, unit)))


def measure(job: Job, extended_mm: float | None, reader: RawReader) -> tuple[list[TapePoint], float] | None:
    """Lead a person through a calibration; returns points and full extension [mm], None to store nothing."""
    click.echo(CAUTIONS)
    if not click.confirm("Is all of this seen to?", default=False):
        return None
    extended_mm = _ask_extended_mm(job.unit) if extended_mm is None else extended_mm
    least = LEAST_POINTS[job.method]
    click.echo(
        f"At least {least} heights, far apart. Rock the vehicle, let it stand still before each reading. Ctrl-C ends."
    )
    points: list[TapePoint] = []
    while True:
        if len(points) < least:
            points.append(_measure_point(job, len(points) + 1, reader))
            continue
        try:
            click.echo("\n".join(fit_lines(job.fit(points, extended_mm), points, extended_mm, job)))
            choice = "s stores it, a adds a point, a number measures that point again, q stores nothing"
        except InputError as err:
            click.echo(f"not good enough: {err}")
            choice = "a adds a point, a number measures that point again, e the full extension, q stores nothing"
        answer = click.prompt(choice, prompt_suffix=": ").strip().lower()
        if answer == "q":
            return None
        if answer == "s" and "s stores" in choice:
            return points, extended_mm
        if answer == "e":
            extended_mm = _ask_extended_mm(job.unit)
        elif answer == "a":
            points.append(_measure_point(job, len(points) + 1, reader))
        elif answer.isdecimal() and 1 <= int(answer) <= len(points):
            points[int(answer) - 1] = _measure_point(job, int(answer), reader)
        else:
            click.echo(f"{answer[:40]!r} is none of these")


def _ask_extended_mm(unit: LengthUnit) -> float:
    return click.prompt(f"Eye to eye at full extension [{unit.name}]", value_proc=length) * unit.mm


def _measure_point(job: Job, number: int, reader: RawReader) -> TapePoint:
    """Ask for one point: counts read or typed, then the tape."""
    while True:
        answer = click.prompt(
            f"Point {number}: Enter reads the counts, or type them", default="", show_default=False, prompt_suffix=": "
        ).strip()
        try:
            reading = RawReading(float(answer), 0.0, 0.0) if answer else reader.read(job.position)
        except ValueError:
            click.echo(f"{answer[:40]!r} is no number of counts")
            continue
        except SourceLost as err:
            click.echo(str(err))
            continue
        if reading.seconds:
            click.echo(f"  {reading.mean:.1f} counts, noise {reading.noise:.1f}, over {reading.seconds:.0f} s")
        if reading.noise > SHAKY_COUNTS and click.confirm("  that is shaky: still moving? Read again", default=True):
            continue
        tape = click.prompt(f"  eye to eye [{job.unit.name}]", value_proc=length)
        return TapePoint(reading.mean, tape * job.unit.mm, reading.noise)


def fit_lines(fit: TravelFit, points: list[TapePoint], extended_mm: float, job: Job) -> list[str]:
    """Return a fit as lines for people."""
    unit = job.unit
    low_mm, high_mm = fit.end_uncertainties_mm
    lines = [
        *_point_lines(fit, points, unit),
        f"full extension {unit.text(extended_mm)}, stroke {unit.text(job.stroke_mm)}; {_scale_text(fit, unit)}",
        f"scale of travel within {fit.scale_uncertainty_ratio:.1%}, so energy within about "
        f"{fit.energy_uncertainty_ratio:.1%}; travel within {unit.text(low_mm)} at full extension and "
        f"{unit.text(high_mm)} at full bump (95 of 100)",
    ]
    if fit.method == CURVE:
        lines.append(f"between single points the scale is within {fit.local_uncertainty_ratio:.0%}")
    if job.before:
        scale, shift_mm = compare(fit.calibration, job.before, job.stroke_mm)
        what = f"scale {round(scale, 3) + 0.0:+.1%}" if scale > -1 else "counts run the other way"
        lines.append(f"against the one in force: {what}, {unit.text(shift_mm)} at its full extension")
        if abs(scale) > CHANGE_RATIO or abs(shift_mm) > CHANGE_MM:
            lines.append("that is a change: give --remounted if it was mounted anew, --corrects if it was wrong")
    return [*lines, *(f"note: {note}" for note in fit.notes)]


def _off_text(fit: TravelFit, i: int, unit: LengthUnit) -> str:
    return f"{round(fit.residuals_mm[i] / unit.mm, unit.digits) + 0.0:+.{unit.digits}f}"


def _scale_text(fit: TravelFit, unit: LengthUnit) -> str:
    return f"{fit.mm_per_count * 1000 / unit.mm:.{unit.digits + 2}f} {unit.name} for 1000 counts"


def _point_lines(fit: TravelFit, points: list[TapePoint] | tuple[TapePoint, ...], unit: LengthUnit) -> list[str]:
    heads = ("point", "counts", "noise", f"length {unit.name}", f"travel {unit.name}", f"off {unit.name}", "")
    rows = [
        (
            str(i + 1),
            f"{p.raw:.1f}",
            f"{p.noise:.1f}" if p.noise else UNKNOWN,
            unit.number(p.length_mm),
            unit.number(fit.travels_mm[i]),
            _off_text(fit, i, unit),
            "worst" if i == fit.worst else "",
        )
        for i, p in enumerate(points)
    ]
    return table_text(heads, rows, left=1).splitlines()


def _vehicle(place: DataPlace) -> Vehicle:
    if place.vehicle is not None:
        return place.vehicle
    with place.reading() as opened:
        return calibrations.require_vehicle(opened)


def _make_job(place: DataPlace, position: str, method: str, unit: LengthUnit) -> Job:
    vehicle = _vehicle(place)
    damper = calibrations.find_travel_damper(vehicle, position)
    before = damper.calibration
    if (place.data_dir / LEDGER_NAME).exists():
        with place.reading() as opened:
            known = calibrations.in_force(opened).get(position, Calibration(position)).travel
        before = before if known is None else known.fit.calibration
    return Job(position, vehicle.profile_of(damper).stroke_m * 1e3, method, unit, before)


def _extended_mm(extended: float | None, compressed: float | None, job: Job) -> float | None:
    if extended is not None and compressed is not None:
        raise click.UsageError("give one of --extended and --compressed, not both")
    if compressed is not None:
        return compressed * job.unit.mm + job.stroke_mm
    return None if extended is None else extended * job.unit.mm


def _show_row(one: TravelCalibration | BodyCalibration, unit: LengthUnit, is_in_force: bool) -> tuple[str, ...]:
    signed = one.signed
    kind = "travel" if isinstance(one, TravelCalibration) else "temperature"
    head = (str(signed.row), signed.position, kind, utc_text(signed.utc_ns, signed.utc_trusted), signed.by)
    state = "in force" if is_in_force else ""
    if isinstance(one, BodyCalibration):
        return (*head, "cold soak", f"{one.offset_k:+.1f} K", UNKNOWN, UNKNOWN, state)
    fit = one.fit
    worst = f"{_off_text(fit, fit.worst, unit)} {unit.name}"
    return (*head, fit.method, _scale_text(fit, unit), f"{fit.scale_uncertainty_ratio:.1%}", worst, state)


def _detail_lines(one: TravelCalibration | BodyCalibration, unit: LengthUnit) -> list[str]:
    signed = one.signed
    mark = ", mounted anew" if signed.is_remounted else ", corrects the past" if signed.corrects else ""
    lines = [f"entry {signed.row}{mark}"]
    if signed.note is not None:
        lines.append(f"remark: {signed.note}")
    if isinstance(one, BodyCalibration):
        others = ", ".join(f"{c:.1f}" for c in one.others_c) or "none"
        soak = f"body {one.body_c:.1f} °C, air {one.ambient_c:.1f} °C after {one.rested_h:g} h, other bodies: {others}"
        return [*lines, soak]
    lines.append(f"full extension {unit.text(one.extended_mm)}, stroke {unit.text(one.stroke_mm)}")
    return [*lines, *_point_lines(one.fit, one.points, unit), *(f"note: {note}" for note in one.fit.notes)]
