"""Does a daemon run, do its processes live, and how often were they started again?"""

from __future__ import annotations

from typing import Any

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, look, passed
from dutylog.cli.checks.live import Live
from dutylog.cli.checks.scene import Scene
from dutylog.publish.snapshot import Snapshot

SUBJECT = "daemon"
START_S = 600.0
"""A start that counts ten hours of log again takes half a minute on a fast machine; so long is none. Judgement."""
_LOG = "journalctl -u dutylog tells why"


def check_processes(scene: Scene) -> list[Finding]:
    """Return the state of each process and what core says of its disk and queues."""
    live = scene.live
    if scene.data_dir is None:
        return []
    if not live.is_running:
        return [look(SUBJECT, "none runs on this folder, so nothing is measured now", "systemctl start dutylog")]
    holder = f"process {live.holder}" if live.holder else "a process"
    if live.processes is None:
        found = [_unanswered(live, holder)]
    else:
        found = [finding for process in _listed(live.processes) for finding in _process(process)]
    return [*found, *_core(live), *_page(live, found)]


def _unanswered(live: Live, holder: str) -> Finding:
    """Return what to make of a daemon that holds the folder and says nothing: a start takes a while."""
    up_s = live.holder_up_s
    if up_s is not None and up_s > START_S:
        text = f"{holder} holds the folder for {up_s / 60:.0f} min and its supervisor doesn't answer"
        return fail(SUBJECT, text, f"systemctl restart dutylog; {_LOG}")
    text = f"{holder} holds the folder, its supervisor doesn't answer (it may be starting, or counting a long log)"
    return look(SUBJECT, text, f"try again in a minute; {_LOG}")


def _listed(answer: dict[str, Any]) -> list[dict[str, Any]]:
    processes = answer.get("processes")
    return [one for one in processes if isinstance(one, dict)] if isinstance(processes, list) else []


def _named(live: Live, name: str) -> list[dict[str, Any]]:
    return [one for one in _listed(live.processes or {}) if one.get("name") == name]


def _process(process: dict[str, Any]) -> list[Finding]:
    name, state = str(process.get("name")), str(process.get("state"))
    subject = f"{SUBJECT}: {name}"
    up_s = process.get("up_s")
    seen = state + (f" for {up_s:.0f} s" if isinstance(up_s, int | float) else "")
    restarts = process.get("restarts")
    reasons = ", ".join(f"{why} ({n})" for why, n in restarts.items()) if isinstance(restarts, dict) else ""
    if state == "waiting":
        return [fail(subject, f"ended, is started again soon{': ' if reasons else ''}{reasons}", _LOG)]
    if state != "running":
        return [look(subject, f"{seen}, hasn't shown anything yet", "try again in a minute")]
    if reasons:
        return [look(subject, f"{seen}; started again by the supervisor: {reasons}", _LOG)]
    return [passed(subject, f"{seen}, never started again")]


def _core(live: Live) -> list[Finding]:
    subject = f"{SUBJECT}: samples"
    snapshot = live.snapshot
    if snapshot is None and any(one.get("state") == "running" for one in _named(live, "core")):
        return [fail(subject, "core shows nothing any more though its process is there", f"wait a minute; {_LOG}")]
    if snapshot is None:
        return [look(subject, "core sends no snapshot (it may just be starting)", f"try again in a minute; {_LOG}")]
    if not live.is_fresh:
        return [fail(subject, f"core sends the same snapshot (number {snapshot.seq}) again and again", _LOG)]
    source = snapshot.source.text or snapshot.source.kind
    found = [_source(subject, snapshot, source)]
    unsaved = _not_saved(snapshot)
    if unsaved:
        found.append(fail(subject, unsaved, "see disk; totals go on in memory meanwhile"))
    if snapshot.not_stored_s > 0:
        text = f"{snapshot.not_stored_s:.0f} s of samples were counted but not stored since core began"
        found.append(look(subject, text, "see disk; totals are complete"))
    drops = ", ".join(f"{name} {count}" for name, count in snapshot.drops.items() if count)
    if drops:
        found.append(look(subject, f"dropped so far: {drops}", "duty isn't concerned; is processor or card busy?"))
    return found


def _source(subject: str, snapshot: Snapshot, source: str) -> Finding:
    why = f": {snapshot.source.state_text}" if snapshot.source.state_text else ""
    if snapshot.source.state == "lost":
        return fail(subject, f"{source} is lost{why}", "look at its plug and power; it is opened again and again")
    if snapshot.source.state == "ended":
        return look(subject, f"{source} has ended, nothing more will come{why}", "nothing, if that was meant")
    return passed(subject, f"come from {source}{why}, snapshot {snapshot.seq} of engine {snapshot.engine}")


def _not_saved(snapshot: Snapshot) -> str:
    parts = [
        f"readings stand still for {snapshot.standing_s:.0f} s" if snapshot.standing_s > 0 else "",
        f"no sample stored for {snapshot.not_storing_s:.0f} s" if snapshot.not_storing_s > 0 else "",
        f"totals not saved for {snapshot.unsaved_s:.0f} s" if snapshot.unsaved_s > 0 else "",
    ]
    return ", ".join(part for part in parts if part)


def _page(live: Live, found: list[Finding]) -> list[Finding]:
    subject = f"{SUBJECT}: page"
    if not any(finding.subject == subject for finding in found) or not live.page_address:
        return []
    if live.page is None:
        text = f"no answer at {live.page_address}"
        return [look(subject, text, "was another --port given to `dutylog run`? " + _LOG)]
    return [passed(subject, f"answers at {live.page_address}")]
