"""`dutylog push`: each corner pushed three times; frequency and damping ratio there (shared/PUSH_TEST.md)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from dutylog.cli.duty_text import json_text
from dutylog.cli.ledger import DataPlace, find_place, with_data, with_format
from dutylog.cli.push_corners import Corner, find_corners
from dutylog.cli.push_log import LogStretch
from dutylog.cli.push_text import as_json, corner_lines, show_lines, stored_to_json
from dutylog.clock import SystemClock
from dutylog.config import Settings, load
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.travel_stretch import gather_stretches, read_stretches
from dutylog.errors import InputError, SourceLost
from dutylog.heat.witness import find_pairs
from dutylog.ledger import calibrations, push_tests
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME
from dutylog.ledger.push_tests import CHECK, WHEN, PushTest

CAUTIONS = """\
Before anybody pushes (the maker's manual and local rules come first):
  - Level, firm ground; parking brake on, engine off, in gear or in park; nobody inside, nobody underneath.
  - On its wheels: never push a vehicle that stands on a jack or on stands.
  - Dampers, brakes and exhaust burn after a drive. Push on the body or frame, never on a damper.
  - Hands, feet and hair stay clear of wheels, springs, links and the gaps above the tyres.
  - Push where the body carries it, not on sheet metal or lamps; keep your back straight, ask for help."""
GUIDE = """\
Push each corner {count} times: press it down hard once, let go at the bottom and take your hands off. Wait until it
has come to rest, three seconds, before the next one. Push all of them alike. The order of corners is yours."""
PUSHES = 3


@dataclass(frozen=True, slots=True)
class Job:
    """What is asked for. place: None where nothing can be stored. talks_aside: talk goes to standard error."""

    vehicle: Vehicle
    place: DataPlace | None
    story: dict[str, Any]
    history: tuple[PushTest, ...]
    units: dict[str, tuple[str, ...]]
    engine: str
    talks_aside: bool

    def say(self, text: str) -> None:
        """Tell a person something."""
        click.echo(text, err=self.talks_aside)


@click.group(invoke_without_command=True)
@click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
@click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
@click.option("--recording", type=click.Path(path_type=Path), help="A recording of the pushes; none: ask the daemon.")
@click.option("--by", help="Your name; needed to store the result.")
@click.option("--when", type=click.Choice(WHEN), default=CHECK, show_default=True, help="Before or after a service.")
@click.option("--note", help="Anything worth keeping.")
@click.option("--dry-run", is_flag=True, help="Show what comes out, store nothing.")
@click.option("--format", "form", type=click.Choice(["table", "json"]), default="table", show_default=True)
@click.pass_context
def push(context: click.Context, /, data: Path | None, config: Path | None, form: str, **options: Any) -> None:
    """Push each corner of the standing vehicle three times: natural frequency and damping ratio."""
    if context.invoked_subcommand is not None:
        if data is not None or config is not None:
            raise click.UsageError("give --data and --config behind the subcommand")
        return
    settings = None if config is None else load(config)
    job = _make_job(data, config, settings, form, options)
    recording: Path | None = options["recording"]
    if recording is None:
        if job.place is None:
            raise click.UsageError("the running daemon's data folder is needed: give --data DIR, or --recording FILE")
        corners = _ask(job, LogStretch(job.place.data_dir, SystemClock()))
        if corners is None:
            job.say("nothing was stored")
            return
    else:
        columns = () if settings is None else settings.columns
        corners = find_corners(read_stretches(recording, job.vehicle, columns), job.vehicle)
        _tell(corners, job)
    if not any(corner.pushes for corner in corners):
        raise InputError("no corner swung back freely after a push; what was found wrong stands above")
    entry = _store(corners, job)
    if form == "json":
        story = {name: job.story[name] for name in ("by", "when", "note")}
        content = as_json(corners, find_pairs(job.vehicle), job.history, job.units)
        click.echo(json_text(job.engine, {"entry": entry, **story, **content}))


@push.command()
@with_data
@with_format
def show(place: DataPlace, form: str, units: str) -> None:  # noqa: ARG001 - no unit of these is imperial
    """Show every push test."""
    with place.reading() as opened:
        tests, engine = push_tests.history(opened), opened.cursor().engine
        labels = {unit.unit_id: unit.label for unit in opened.units()}
    if form == "json":
        click.echo(json_text(engine, {"push_tests": [stored_to_json(test) for test in tests]}))
    elif not tests:
        click.echo("no push tests yet; make one with: dutylog push --by NAME")
    else:
        click.echo("\n".join(show_lines(tests, labels)))


def _make_job(
    data: Path | None, config: Path | None, settings: Settings | None, form: str, options: dict[str, Any]
) -> Job:
    is_placed = data is not None or settings is None or settings.data_dir is not None
    place = find_place(data, config) if is_placed else None
    vehicle = None if settings is None else settings.vehicle
    history: tuple[PushTest, ...] = ()
    units: dict[str, tuple[str, ...]] = {}
    engine = ""
    if place is not None and (vehicle is None or (place.data_dir / LEDGER_NAME).exists()):
        with place.reading() as opened:
            known = vehicle or calibrations.require_vehicle(opened)
            vehicle, _ = calibrations.overlaid(known, calibrations.in_force(opened))
            history, engine = tuple(push_tests.history(opened)), opened.cursor().engine
            sitting = {position: unit.unit_id for position, unit in opened.installed(vehicle.vehicle_id).items()}
        for damper in vehicle.dampers:
            on_wheel = push_tests.positions_of(vehicle, damper.position)
            units[damper.position] = tuple(sorted(sitting[name] for name in on_wheel if name in sitting))
    if vehicle is None:
        raise click.UsageError("the vehicle is needed: give --config FILE or --data DIR")
    if options["dry_run"]:
        place = place if options["recording"] is None else None
    elif place is not None and not options["by"]:
        raise click.UsageError("who pushes is needed to store it: give --by NAME, or --dry-run")
    story = {name: options[name] for name in ("by", "when", "note", "dry_run")}
    return Job(vehicle, place, story, history, units, engine, form == "json")


def _ask(job: Job, log: LogStretch) -> list[Corner] | None:
    """Lead a person through the pushes; returns the corners, None to store nothing."""
    job.say(CAUTIONS)
    if not click.confirm("Is all of this seen to?", default=False, err=job.talks_aside):
        return None
    found: dict[str, Corner] = {}
    while True:
        job.say(GUIDE.format(count=PUSHES))
        _wait_for_enter("Enter, then begin", job)
        begin = log.mark()
        _wait_for_enter("Pushing; Enter when the last one has come to rest", job)
        try:
            for corner in find_corners(gather_stretches(log.frames_since(begin), job.vehicle), job.vehicle):
                if corner.pushes or corner.position not in found:
                    found[corner.position] = corner
        except SourceLost as err:
            job.say(str(err))
        corners = list(found.values())
        _tell(corners, job)
        can_store = any(corner.pushes for corner in corners)
        choice = "s stores it, a pushes corners again, q stores nothing" if can_store else "a pushes again, q ends"
        answer = ""
        while answer not in ("a", "q", *("s" if can_store else "")):
            answer = click.prompt(choice, prompt_suffix=": ", err=job.talks_aside).strip().lower()
        if answer != "a":
            return corners if answer == "s" else None


def _wait_for_enter(text: str, job: Job) -> None:
    click.prompt(text, default="", show_default=False, prompt_suffix=": ", err=job.talks_aside)


def _tell(corners: Sequence[Corner], job: Job) -> None:
    job.say("\n".join(corner_lines(corners, find_pairs(job.vehicle), job.history, job.units, PUSHES)))


def _store(corners: Sequence[Corner], job: Job) -> int | None:
    """Have the result stored; return the number of its entry, None when it isn't stored."""
    if job.story["dry_run"] or job.place is None:
        why = "--dry-run" if job.story["dry_run"] else "no data folder named"
        job.say(f"nothing was stored ({why})")
        return None
    content = [
        {
            "position": corner.position,
            "body_c": corner.body_c,
            "pushes": [push_tests.push_to_dict(one) for one in corner.pushes],
        }
        for corner in corners
        if corner.pushes
    ]
    story = {name: job.story[name] for name in ("by", "when", "note")}
    reply = run_command(job.place.data_dir, {"command": "push_test", **story, "corners": content}, job.place.vehicle)
    job.say(str(reply.get("text", "done")))
    return int(reply["entry"])
