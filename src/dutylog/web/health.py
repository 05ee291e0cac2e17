"""What /health says: a few lines a person can read out on the phone, and the same as JSON."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from dutylog import ENGINE, __version__
from dutylog.alerts.rules import RAISED
from dutylog.errors import LedgerError
from dutylog.publish.snapshot import Snapshot
from dutylog.web.access import Access
from dutylog.web.answers import envelope
from dutylog.web.events import ClientLimit
from dutylog.web.feed import LiveFeed
from dutylog.web.guard import GuardCounters
from dutylog.web.processes import describe, read_processes
from dutylog.web.view import LedgerView


@dataclass(frozen=True, slots=True)
class HealthParts:
    """All that health is read from."""

    feed: LiveFeed
    view: LedgerView | None
    clients: ClientLimit
    guard: GuardCounters
    started_s: float
    data_dir: Path | None
    access: Access


def health_object(parts: HealthParts) -> dict[str, Any]:
    """Return the state of the pages, their link to core, and core's own drops and faults."""
    feed = parts.feed
    newest = feed.newest
    snapshot = newest.snapshot if newest else None
    return envelope(
        version=__version__,
        pages_up_s=round(time.monotonic() - parts.started_s, 1),
        link=feed.link(),
        peer=feed.peer,
        core_connected=feed.connected,
        age_s=feed.age_s(),
        last_problem=feed.last_problem or None,
        source=snapshot.source if snapshot else None,
        clock_trusted=snapshot.utc_trusted if snapshot else None,
        ledger=ledger_text(parts.view),
        clients_count=parts.clients.now,
        clients_most=parts.clients.most,
        clients_refused_count=parts.clients.refused_count,
        requests_refused_count=parts.guard.refused_count,
        requests_failed_count=parts.guard.failed_count,
        access={
            "state": parts.access.describe(),
            "sessions_count": parts.access.sessions_count,
            **asdict(parts.access.counters),
        },
        feed=feed.counters_dict(),
        processes=read_processes(parts.data_dir),
        publish=None if feed.publish is None else {"told": feed.publish.told, "details": feed.publish.details},
        devices=snapshot.devices if snapshot else (),
        alerts=alert_counts(snapshot),
        drops=snapshot.drops if snapshot else {},
        faults={d.position: d.faults for d in snapshot.dampers if d.faults} if snapshot else {},
    )


def alert_counts(snapshot: Snapshot | None) -> dict[str, int] | None:
    """Return how many alerts are open, and how many of these somebody has acknowledged; None before a snapshot."""
    if snapshot is None:
        return None
    still = [alert for alert in snapshot.alerts if alert.state == RAISED]
    seen = [alert for alert in still if alert.acknowledged_by is not None]
    return {"open_count": len(still), "acknowledged_count": len(seen)}


def ledger_text(view: LedgerView | None) -> str:
    """Return 'readable', with how it was put right where it once was; or the one line of what is wrong with it."""
    if view is None:
        return "none here, it is with the vehicle"
    try:
        view.trips(1, None)
        recovered = view.recovered()
    except LedgerError as err:
        return str(err)
    return "readable" if recovered is None else f"readable; {recovered}"


def health_lines(health: dict[str, Any]) -> str:
    """Return the text form, one fact a line."""
    age_s = health["age_s"]
    source = health["source"]
    lines = [
        f"dutylog {health['version']}, engine {ENGINE}",
        f"pages up: {health['pages_up_s']} s",
        f"link: {health['link']}, " + ("no data yet" if age_s is None else f"last data {age_s:.1f} s ago"),
        f"{health['peer']}: " + ("connected" if health["core_connected"] else "not connected"),
        "last problem: " + (health["last_problem"] or "none"),
        "source: " + (f"{source['kind']} {source['text']}, {source['state']}" if source else "unknown"),
        "clock: " + {True: "set", False: "not set", None: "unknown"}[health["clock_trusted"]],
        f"ledger: {health['ledger']}",
        "processes: " + describe(health["processes"]),
        "published: " + _published(health["publish"]),
        f"screens: {health['clients_count']} of {health['clients_most']}, {health['clients_refused_count']} refused",
        f"requests: {health['requests_refused_count']} refused, {health['requests_failed_count']} failed",
        f"access: {_access(health['access'])}",
        f"lines from {health['peer']}: "
        + _pairs({name.removesuffix("_count"): n for name, n in health["feed"].items()}),
        *(f"sensors: {_device(device)}" for device in health["devices"]),
        "alerts: " + _alerts(health["alerts"]),
        "dropped: " + _pairs(health["drops"]),
        "faults: " + _pairs({position: " + ".join(names) for position, names in health["faults"].items()}),
    ]
    return "\n".join(line.replace("\n", " ") for line in lines) + "\n"


def _alerts(counts: dict[str, int] | None) -> str:
    return f"{counts['open_count']} open, {counts['acknowledged_count']} acknowledged" if counts else "unknown"


def _published(publish: dict[str, Any] | None) -> str:
    if publish is None:
        return "to nobody"
    return "; ".join(_told(output) for output in publish["told"]) or "to nobody"


def _access(access: dict[str, Any]) -> str:
    return (
        f"{access['state']}, {access['sessions_count']} signed in now, {access['signed_in_count']} signed in, "
        f"{access['wrong_count']} wrong codes, {access['held_count']} held up"
    )


def _device(device: dict[str, Any]) -> str:
    said = [_because(f"{device['name']} {device['state']}", device["text"])]
    said += [
        _because(f"{c['position'] or 'vehicle'} {c['quantity'].replace('_', ' ')} {c['state']}", c["text"])
        for c in device["channels"]
        if c["state"] != "working"
    ]
    return "; ".join([*said, _pairs(device["counters"])])


def _because(what: str, why: str) -> str:
    return f"{what} ({why})" if why else what


def _told(output: dict[str, Any]) -> str:
    age_s = output["acked_age_s"]
    parts = [
        f"{output['name']} {output['state'].replace('_', ' ')}",
        "nothing acknowledged yet" if age_s is None else f"acknowledged {age_s:.0f} s ago",
        f"{output['waiting_count']} wait",
        f"{output['dropped_count']} dropped",
        f"{output['rejected_count']} rejected",
    ]
    return ", ".join(parts) + (f" ({output['problem']})" if output["problem"] else "")


def _pairs(values: dict[str, Any]) -> str:
    return ", ".join(f"{name} {value}" for name, value in values.items()) or "none"
