"""All subjects at once, each in a thread of its own, and a verdict on time whatever hangs."""

from __future__ import annotations

import queue
import threading
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks import (
    broker,
    clock,
    data_folder,
    database,
    disk,
    ledger,
    processes,
    raw_log,
    sensors,
    vehicle_file,
    waiting,
)
from dutylog.cli.checks.findings import fail, failed_by, on_one_line
from dutylog.cli.checks.scene import Scene
from dutylog.errors import DutylogError
from dutylog.units import NS_PER_S

Check = Callable[[Scene], list[Finding]]
SUBJECTS: tuple[tuple[str, Check], ...] = (
    (vehicle_file.SUBJECT, vehicle_file.check_vehicle_file),
    (data_folder.SUBJECT, data_folder.check_data_folder),
    (disk.SUBJECT, disk.check_disk),
    (clock.SUBJECT, clock.check_clock),
    (ledger.SUBJECT, ledger.check_ledger),
    (raw_log.SUBJECT, raw_log.check_raw_log),
    (processes.SUBJECT, processes.check_processes),
    (sensors.SUBJECT, sensors.check_sensors),
    (broker.SUBJECT, broker.check_broker),
    (database.SUBJECT, database.check_database),
    (waiting.SUBJECT, waiting.check_waiting),
)
"""In the order of the output: what the rest stands on comes first."""
LIMIT_S = 12.0
"""For all subjects together; with the questions to the daemon, at most 6 s, a check stays below 20."""
_HANGS = "something below it hangs: look at card, mount and network (dmesg)"


def run_checks(
    scene: Scene,
    subjects: Sequence[tuple[str, Check]] = SUBJECTS,
    limit_s: float = LIMIT_S,
    on_progress: Callable[[Sequence[str]], None] = lambda _left: None,
) -> list[Finding]:
    """Return the findings of all subjects, in their order, each fit for one line.

    Args:
        limit_s: a subject that takes longer [s] is a failure of its own.
        on_progress: called with the names of those that aren't done yet.
    """
    answers: queue.SimpleQueue[tuple[int, list[Finding]]] = queue.SimpleQueue()
    for number, (name, check) in enumerate(subjects):
        work = (number, name, check, scene, answers)
        threading.Thread(target=_run, args=work, name=f"check {name}", daemon=True).start()
    found: dict[int, list[Finding]] = {}
    until_ns = scene.clock.mono_ns() + round(limit_s * NS_PER_S)
    while len(found) < len(subjects):
        on_progress([name for number, (name, _) in enumerate(subjects) if number not in found])
        try:
            number, findings = answers.get(timeout=max(0.0, (until_ns - scene.clock.mono_ns()) / NS_PER_S))
        except queue.Empty:
            break
        found[number] = findings
    for number, (name, _) in enumerate(subjects):
        found.setdefault(number, [fail(name, f"no result within {limit_s:g} s", _HANGS)])
    return [on_one_line(finding) for number in sorted(found) for finding in found[number]]


def _run(
    number: int, name: str, check: Check, scene: Scene, answers: queue.SimpleQueue[tuple[int, list[Finding]]]
) -> None:
    try:
        found = check(scene)
    except DutylogError as err:
        found = [failed_by(name, err, "see the other lines")]
    except OSError as err:
        where = f" ({err.filename})" if err.filename else ""
        found = [fail(name, f"{err.strerror or err}{where}", "check the rights of the data folder, and the card")]
    except Exception as err:  # noqa: BLE001 - the one catch-all of this thread
        place = traceback.extract_tb(err.__traceback__)[-1]
        text = f"this check failed itself: {type(err).__name__} at {Path(place.filename).name}:{place.lineno}"
        found = [fail(name, text, "a fault of dutylog; make a bundle and tell its makers")]
    answers.put((number, found))
