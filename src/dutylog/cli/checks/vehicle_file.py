"""Does the vehicle file load, and what is odd in it?"""

from __future__ import annotations

import stat

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, failed_by, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.config.settings import RECORDING, SENSORS, Settings
from dutylog.errors import ConfigError

SUBJECT = "vehicle file"


def check_vehicle_file(scene: Scene) -> list[Finding]:
    """Return every problem, or what the file says with its notes."""
    if scene.problems or scene.settings is None:
        remedy = "put it right; `dutylog config example` prints a good one"
        return [failed_by(SUBJECT, ConfigError([problem]), remedy) for problem in scene.problems]
    settings = scene.settings
    notes = [look(SUBJECT, note, "change it, or leave it on purpose") for note in settings.notes]
    return [*_source(settings), *_rights(scene), *notes]


def _source(settings: Settings) -> list[Finding]:
    dampers = len(settings.vehicle.dampers)
    what = f"{settings.path} loads: {dampers} damper{'' if dampers == 1 else 's'}"
    source = settings.source
    if source is None:
        return [look(SUBJECT, f"{what}, no source of samples", "add [source] before `dutylog run`")]
    if settings.sensors is not None and source.kind != SENSORS:
        text = f"{what}, source {source.kind}, though sensors are named"
        return [look(SUBJECT, text, f'source.kind = "{SENSORS}" reads them')]
    if source.kind == RECORDING and source.file is not None and not source.file.is_file():
        return [fail(SUBJECT, f"{what}, but its recording {source.file} isn't there", "correct source.file")]
    return [passed(SUBJECT, f"{what}, source {source.kind}")]


def _rights(scene: Scene) -> list[Finding]:
    mode = stat.S_IMODE(scene.config_path.stat().st_mode)
    if not mode & stat.S_IWOTH:
        return []
    text = f"{scene.config_path}: mode {mode:04o}, every user of this machine can change it"
    return [look(SUBJECT, text, f"chmod o-w {scene.config_path}")]
