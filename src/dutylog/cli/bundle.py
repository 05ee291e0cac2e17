"""`dutylog bundle`: one file with all that support needs to see, and nothing that should stay secret."""

from __future__ import annotations

import os
import platform
import pwd
import re
import stat
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import click

from dutylog.acquire.driver import Finding
from dutylog.cli.check import Progress
from dutylog.cli.checks.findings import worst
from dutylog.cli.checks.machine import describe_machine
from dutylog.cli.checks.masking import LEFT_OUT, Mask, anonymise_vehicle_file, learn_file, mask_vehicle_file
from dutylog.cli.checks.packer import Packer, new_archive
from dutylog.cli.checks.parts import (
    last_recording,
    list_folder,
    list_segments,
    read_log,
    summarise_ledger,
    to_json,
)
from dutylog.cli.checks.report import text_lines, to_object
from dutylog.cli.checks.runner import run_checks
from dutylog.cli.checks.scene import Scene, look_around
from dutylog.cli.checks.within import within
from dutylog.clock import SystemClock
from dutylog.config.settings import Settings
from dutylog.errors import DutylogError, RecordingError
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.segments import LOG_FOLDER

_PATH = click.Path(path_type=Path)
LARGEST_CONFIG = 256 * 1024
NAMES_S = 5.0
_OUR_FILE = re.compile(r"(?:ledger|outbox|log|lock|live|core|publish|supervisor)(?:\.[\w.\-]+)?")
_QUOTED = re.compile(r'"[^"]*"')

Members = Iterator[tuple[str, bytes]]


@click.command()
@click.option("--config", "config_path", type=_PATH, required=True, help="Vehicle file (TOML); need not be a good one.")
@click.option("--data", type=_PATH, help="Data folder, if not that of the file.")
@click.option("-o", "--output", "out", type=_PATH, required=True, help="File to make, FILE.zip.")
@click.option("--with-recording", is_flag=True, help="Add the newest part of the raw log, at least 5 minutes.")
@click.option("--anonymous", is_flag=True, help="Leave out serial numbers and names.")
@click.option("--force", is_flag=True, help="Replace FILE.zip where it exists.")
def bundle(config_path: Path, data: Path | None, out: Path, with_recording: bool, anonymous: bool, force: bool) -> None:
    """Pack versions, check, counters, log lines and summaries into one zip file for support.

    Passwords and tokens are never in it. Works beside a running dutylog and on a damaged data folder:
    what can't be had stands in its manifest.json with the reason.
    """
    if anonymous and with_recording:
        raise click.UsageError("--with-recording can't be --anonymous: a raw log carries names; give one of both")
    if not config_path.exists():
        raise click.UsageError(f"{config_path}: no such file; name the vehicle file, good or not")
    try:
        with new_archive(out, force) as archive:
            packer = Packer(archive, Mask(anonymous))
            findings = _pack(packer, config_path, data, with_recording)
    except FileExistsError:
        raise click.UsageError(f"{out} exists already and isn't overwritten; name another file or --force") from None
    except OSError as err:
        raise click.UsageError(f"{out} can't be written ({err.strerror or err}); name a file elsewhere") from err
    _tell(out, packer, findings)


def _pack(packer: Packer, config_path: Path, data: Path | None, with_recording: bool) -> list[Finding]:
    progress = Progress()
    progress.show(["daemon"])
    scene = look_around(config_path, data, SystemClock())
    mask = packer.mask
    # Before anything is written: from here on every text goes through the mask.
    text, problem = _read_vehicle_file(scene, mask)
    if mask.is_anonymous:
        _learn_names(scene, mask)
    findings = run_checks(scene, on_progress=progress.show)
    progress.show(["the rest"])
    packer.take("vehicle file", lambda: _vehicle_file(scene, text, problem, mask))
    packer.take("check", lambda: _check(scene, findings, mask))
    packer.take("versions", lambda: iter([("versions.json", to_json(mask.value(describe_machine())))]))
    _take_counters(packer, scene)
    packer.take("log lines", lambda: iter([("log.txt", mask.text(read_log(dict(os.environ))).encode())]))
    _take_data(packer, scene, with_recording)
    progress.clear()
    packer.finish(
        {
            "made_utc_ns": scene.clock.utc_ns(),
            "verdict": worst(findings),
            "options": {"anonymous": mask.is_anonymous, "with_recording": with_recording},
        }
    )
    return findings


def _read_vehicle_file(scene: Scene, mask: Mask) -> tuple[str, str]:
    """Return the masked text, or an empty one and why there is none; secrets of files are learnt as well."""
    settings = scene.settings
    if settings is not None:
        named = (
            settings.mqtt.password_file if settings.mqtt else None,
            settings.influxdb.token_file if settings.influxdb else None,
        )
        for path in named:
            if path is not None:
                learn_file(Path(), str(path), mask)
    try:
        with scene.config_path.open("rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                return "", f"{scene.config_path} is no plain file"
            octets = file.read(LARGEST_CONFIG)
    except OSError as err:
        return "", f"{scene.config_path}: {err.strerror}"
    return mask_vehicle_file(octets.decode("utf-8", "backslashreplace"), scene.config_path.parent, mask), ""


def _vehicle_file(scene: Scene, text: str, problem: str, mask: Mask) -> Members:
    if problem:
        raise RecordingError(problem)
    if mask.is_anonymous and scene.settings is None:
        raise RecordingError("it doesn't load, so its names can't be told from the rest; left out")
    shown = anonymise_vehicle_file(text, mask) if mask.is_anonymous else text
    yield "vehicle_file.toml", shown.encode("utf-8", "backslashreplace")


def _check(scene: Scene, findings: list[Finding], mask: Mask) -> Members:
    told = mask.value(to_object(findings))
    if mask.is_anonymous and scene.settings is None:
        for finding in told["findings"]:
            finding["text"] = _QUOTED.sub(f'"{LEFT_OUT}"', finding["text"])
    yield "check.json", to_json(told)
    shown = [Finding(**finding) for finding in told["findings"]]
    yield "check.txt", ("\n".join(text_lines(shown)) + "\n").encode("utf-8", "backslashreplace")


def _take_counters(packer: Packer, scene: Scene) -> None:
    """Take what each process of the daemon says of itself."""
    live = scene.live
    answers = {"supervisor": live.processes, "core": live.snapshot_object, "publish": live.publish, "page": live.page}
    for name, answer in answers.items():
        if answer is None:
            packer.miss(f"counters of {name}", "no answer: it doesn't run, or not on this data folder")
        else:
            members = [(f"counters/{name}.json", to_json(packer.mask.value(answer)))]
            packer.take(f"counters of {name}", partial(iter, members))


def _take_data(packer: Packer, scene: Scene, with_recording: bool) -> None:
    data_dir, mask = scene.data_dir, packer.mask
    if data_dir is None:
        packer.miss("data folder", "none is named; give --data DIR")
        return
    packer.take("data folder", lambda: iter([("folder.json", to_json({"files": _files(data_dir, mask)}))]))
    packer.take("ledger summary", lambda: iter([("ledger.json", to_json(mask.value(summarise_ledger(data_dir))))]))
    packer.take(
        "raw log segments", lambda: iter([("segments.json", to_json(mask.value(list_segments(data_dir / LOG_FOLDER))))])
    )
    if with_recording:
        packer.take("recording", lambda: _recording(data_dir / LOG_FOLDER, mask))


def _files(data_dir: Path, mask: Mask) -> Any:
    files = list_folder(data_dir)
    if mask.is_anonymous:
        files = [one if _OUR_FILE.fullmatch(one["name"]) else one | {"name": LEFT_OUT} for one in files]
    return mask.value(files)


def _recording(log: Path, mask: Mask) -> Members:
    for name, octets in last_recording(log):
        if mask.is_in(octets):
            raise RecordingError(f"{name} holds a secret of the vehicle file, left out")
        yield f"recording/{name}", octets


def _learn_names(scene: Scene, mask: Mask) -> None:
    """Learn whom and what a bundle would name, from vehicle file, machine and ledger."""
    if scene.settings is not None:
        _learn_settings(scene.settings, mask)
    if scene.live.snapshot is not None:
        mask.learn_name(scene.live.snapshot.source.text, "source")
    for path, alias in ((scene.config_path, "vehicle-file"), (scene.data_dir, "data-folder")):
        if path is not None:
            mask.learn_name(str(path.absolute()), alias)
            mask.learn_name(str(path), alias)
            mask.learn_name(str(path.absolute().parent), f"folder-of-{alias}")
    mask.learn_name(scene.config_path.name, "vehicle-file")
    mask.learn_name(str(Path.home()), "home")
    mask.learn_name(platform.node(), "machine")
    for number in {os.geteuid(), os.getuid()} - {0}:
        try:
            mask.learn_name(pwd.getpwuid(number).pw_name, "user")
        except KeyError:
            continue
    if scene.data_dir is not None:
        path = scene.data_dir / LEDGER_NAME
        try:
            within(NAMES_S, lambda: _learn_ledger(path, mask))
        except (DutylogError, OSError):
            return  # then nothing of it gets into the bundle, either


def _learn_settings(settings: Settings, mask: Mask) -> None:
    vehicle = settings.vehicle
    mask.learn_name(vehicle.name, "vehicle")
    mask.learn_name(vehicle.vehicle_id, "vehicle-id")
    for number, damper in enumerate(vehicle.dampers, 1):
        mask.learn_name(damper.serial, f"serial-{number}")
    if settings.source is not None and settings.source.file is not None:
        mask.learn_name(str(settings.source.file), "recording")
        mask.learn_name(settings.source.file.name, "recording")
    if settings.mqtt is not None:
        mask.learn_name(settings.mqtt.host, "broker-host")
        mask.learn_name(settings.mqtt.username, "broker-user")
        mask.learn_name(settings.mqtt.client_id, "broker-client")
    if settings.influxdb is not None:
        mask.learn_name(urlsplit(settings.influxdb.url).hostname, "database-host")
        mask.learn_name(settings.influxdb.org, "database-org")
        mask.learn_name(settings.influxdb.bucket, "database-bucket")


def _learn_ledger(path: Path, mask: Mask) -> None:
    with Ledger.open(path, read_only=True) as ledger:
        vehicle = ledger.vehicle()
        if vehicle is not None:
            mask.learn_name(vehicle.name, "vehicle")
            mask.learn_name(vehicle.vehicle_id, "vehicle-id")
        for number, unit in enumerate(ledger.units(), 1):
            mask.learn_name(unit.serial, f"ledger-serial-{number}")


def _tell(out: Path, packer: Packer, findings: list[Finding]) -> None:
    """Say what was made, what isn't in it, and where others may read it."""
    size = out.stat()
    click.echo(f"{out}: {len(packer.members)} parts, {size.st_size / 1e3:.0f} kB, check says {worst(findings)}")
    for missing in packer.missing:
        click.echo(f"not in it: {missing['part']}: {packer.mask.text(missing['reason'])}", err=True)
    if stat.S_IMODE(size.st_mode) & 0o077:
        click.echo(f"{out}: this disk knows no rights, so others may read it", err=True)
    if sys.stdout.isatty():
        click.echo("look through it before you send it: it names vehicle and dampers unless --anonymous was given")
