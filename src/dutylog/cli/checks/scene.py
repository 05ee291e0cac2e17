"""What all subjects look at: the vehicle file, the data folder, and what a running daemon says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog import config
from dutylog.cli.checks.live import Live, ask_daemon
from dutylog.cli.checks.within import within
from dutylog.clock import Clock
from dutylog.config.settings import Settings
from dutylog.errors import ConfigError

ASK_S = 6.0


@dataclass(frozen=True, slots=True)
class Scene:
    """problems: of the vehicle file, one line each; then `settings` is None. data_dir: None where none is named."""

    config_path: Path
    settings: Settings | None
    problems: tuple[str, ...]
    data_dir: Path | None
    live: Live
    clock: Clock


def look_around(config_path: Path, data: Path | None, clock: Clock) -> Scene:
    """Read the vehicle file and ask the daemon, if one runs; never raises for what they hold.

    Args:
        data: the data folder, None for that of the vehicle file.
    """
    settings: Settings | None = None
    problems: tuple[str, ...] = ()
    data_dir = data
    try:
        settings = config.load(config_path)
        data_dir = data or settings.require_data_dir()
    except ConfigError as err:
        problems = err.problems
    return Scene(config_path, settings, problems, data_dir, _ask(data_dir, settings, clock), clock)


def _ask(data_dir: Path | None, settings: Settings | None, clock: Clock) -> Live:
    if data_dir is None:
        return Live()
    web = None if settings is None else settings.web
    try:
        return within(ASK_S, lambda: ask_daemon(data_dir, web, clock))
    except (TimeoutError, OSError):
        return Live()  # a folder that hangs or can't be entered; its own subject tells
