"""What waits to be published, and when a receiver last acknowledged anything."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.publish.outbox import OUTBOX_NAME
from dutylog.web.publish_watch import Told, parse_answer

SUBJECT = "publishing"
BUSY_S = 2.0


def check_waiting(scene: Scene) -> list[Finding]:
    """Return how each receiver does: as the publish process says, else as the file of what waits says."""
    settings = scene.settings
    if settings is None or scene.data_dir is None or (settings.mqtt is None and settings.influxdb is None):
        return []
    if scene.live.publish is not None:
        return _from_process(scene.live.publish)
    found = _from_file(scene.data_dir / OUTBOX_NAME)
    if scene.live.is_running:
        remedy = "see daemon; `dutylog run` reads the vehicle file when it starts"
        found.insert(0, look(SUBJECT, "a daemon runs, but its publishing doesn't answer", remedy))
    return found


def _from_process(answer: dict[str, Any]) -> list[Finding]:
    try:
        told = parse_answer(json.dumps(answer).encode()).told
    except ValueError as err:
        return [fail(SUBJECT, f"its process answers nonsense ({err})", "are all parts of dutylog of one version?")]
    return [_judge(one) for one in told]


def _judge(told: Told) -> Finding:
    subject = f"{SUBJECT}: {told.name}"
    age = "nothing acknowledged since the start"
    if told.acked_age_s is not None:
        age = f"last acknowledged {told.acked_age_s:.0f} s ago"
    seen = f"{told.state}, {told.waiting_count} wait, {age}"
    why = f"; {told.problem}" if told.problem else ""
    if told.state == "refused":
        return fail(subject, seen + why, f"see {'broker' if told.name == 'mqtt' else 'database'}")
    if told.state == "late":
        return look(subject, seen + why, "nothing is lost while it waits; is there a network?")
    if told.rejected_count or told.dropped_count:
        text = f"{seen}; {told.rejected_count} refused for good, {told.dropped_count} dropped because too much waited"
        return look(subject, text, "duty in the ledger is complete; look at the receiver")
    if told.state == "pending":
        return look(subject, seen + why, "it has only begun; try again in a minute")
    return passed(subject, seen)


def _from_file(path: Path) -> list[Finding]:
    if not path.exists():
        return [passed(SUBJECT, "nothing waits, nothing was ever published from this folder")]
    try:
        with closing(_open(path)) as connection:
            rows = connection.execute("SELECT output, count(*) FROM item GROUP BY output ORDER BY output").fetchall()
    except sqlite3.Error as err:
        text = f"{path} can't be read ({err})"
        return [look(SUBJECT, text, "check its rights; a damaged one is put aside and begun anew at the next start")]
    waiting = ", ".join(f"{output} {count}" for output, count in rows) or "nothing"
    return [
        passed(
            SUBJECT, f"waiting: {waiting}; only a publish process that runs knows when something was last acknowledged"
        )
    ]


def _open(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, timeout=BUSY_S)
    connection.text_factory = lambda octets: octets.decode("utf-8", "replace")
    return connection
