"""`python -m dutylog.daemon`: the daemon, as `dutylog run` starts it."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from pathlib import Path

from dutylog import config
from dutylog.clock import SystemClock
from dutylog.config.settings import RECORDING, Settings, SourceSettings
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.life_signs import core_sign, page_sign, publish_sign
from dutylog.daemon.service_manager import ServiceManager
from dutylog.daemon.status_socket import StatusSocket
from dutylog.daemon.supervisor import Child, Supervisor, python_module
from dutylog.errors import DutylogError
from dutylog.publish.settings import PublishSettings


def main() -> int:
    """Run core and page under a supervisor until SIGTERM; return the exit status."""
    arguments = _parse_arguments()
    try:
        settings = config.load(arguments.config)
        data_dir = (arguments.data or settings.require_data_dir()).absolute()
        data_dir.mkdir(mode=0o750, parents=True, exist_ok=True)
        core = make_core_settings(settings, data_dir, arguments)
    except DutylogError as err:
        for line in str(err).splitlines():
            _say(line)
        return 2
    except OSError as err:
        _say(f"data folder {err.filename}: {err.strerror}; choose a folder that can be written to")
        return 2
    for note in settings.notes:
        _say(note)
    command = python_module("dutylog.daemon.core")
    sign = core_sign(data_dir)
    children = [Child("core", command, core.to_json(), is_vital=True, sign=sign, is_changing=True)]
    publish = PublishSettings.of(settings, data_dir)
    if publish is not None:
        # First in, last out: the last totals it tells are those core leaves behind.
        children.insert(0, _publisher(publish.to_json(), data_dir))
    if not arguments.no_page:
        listen, port = settings.web.listen, arguments.port or settings.web.port
        page = ["--data", str(data_dir), "--listen", listen, "--port", str(port)]
        page += [*(["--tls"] if settings.web.tls else []), *(f"--name={name}" for name in settings.web.names)]
        children.append(Child("page", python_module("dutylog.web", *page), sign=page_sign(listen, port)))
    clock = SystemClock()
    manager = ServiceManager(os.environ, clock)
    # What signs is never loaded by core: the vehicle's key is made beside it, and that process ends at once.
    errands = [python_module("dutylog.bench.card_key", str(data_dir))]
    supervisor = Supervisor(children, clock, _say, manager, StatusSocket(data_dir), errands)
    signal.signal(signal.SIGTERM, lambda *_: supervisor.stop())
    signal.signal(signal.SIGINT, lambda *_: supervisor.stop())
    return supervisor.run()


def _publisher(settings: str, data_dir: Path) -> Child:
    return Child("publish", python_module("dutylog.publish"), settings, sign=publish_sign(data_dir))


def make_core_settings(settings: Settings, data_dir: Path, arguments: argparse.Namespace) -> CoreSettings:
    """Return what core needs of a configuration; what the command line says goes first."""
    if arguments.recording is not None:
        source = SourceSettings(RECORDING, file=arguments.recording.absolute())
    else:
        source = settings.require_source()
    return CoreSettings(
        vehicle=settings.vehicle,
        data_dir=data_dir,
        source_kind=source.kind,
        file=source.file,
        scenario=source.scenario,
        seed=source.seed,
        pace=source.pace if arguments.pace is None else arguments.pace,
        grace_s=settings.trip.grace_s,
        exit_at_end=arguments.exit_at_end,
        columns=settings.columns,
        keep=settings.log,
        sensors=settings.sensors,
    )


def _parse_arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m dutylog.daemon", allow_abbrev=False)
    parser.add_argument("--config", type=Path, required=True)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--recording", type=Path)
    parser.add_argument("--pace", type=float)
    parser.add_argument("--port", type=int)
    parser.add_argument("--no-page", action="store_true")
    parser.add_argument("--exit-at-end", action="store_true")
    return parser.parse_args()


def _say(line: str) -> None:
    print(f"dutylog: {line}", file=sys.stderr, flush=True)  # noqa: T201


if __name__ == "__main__":
    os.umask(0o027)
    sys.exit(main())
