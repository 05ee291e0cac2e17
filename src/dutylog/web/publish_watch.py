"""How publishing is doing, asked of its own process now and then (shared/TOPICS.md, Health)."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from dutylog.errors import one_line
from dutylog.publish.health_socket import LINE_LIMIT
from dutylog.sockets import PUBLISH, unix_address
from dutylog.web.feed import LiveFeed

NOT_RUNNING = "not_running"
STATES = ("well", "pending", "late", "refused")
ASK_S = 5.0
ANSWER_S = 1.0


@dataclass(frozen=True, slots=True)
class Told:
    """One receiver as the pages show it; state: one of STATES, or NOT_RUNNING for the process itself."""

    name: str
    state: str
    waiting_count: int = 0
    dropped_count: int = 0
    rejected_count: int = 0
    acked_age_s: float | None = None
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class PublishNow:
    """What the publish process said last: each receiver, and the whole object for /health.json."""

    told: tuple[Told, ...]
    details: dict[str, Any] = field(default_factory=dict)


class PublishWatch:
    """Asks every few seconds and leaves the answer in the feed; None there: nobody is to be told."""

    def __init__(self, feed: LiveFeed, data_dir: Path) -> None:
        self._feed = feed
        self._data_dir = data_dir

    async def run(self) -> None:
        """Ask for ever; ends by being cancelled."""
        while True:
            self._feed.publish = await self.ask()
            await asyncio.sleep(ASK_S)

    async def ask(self) -> PublishNow | None:
        """Ask once; a process that is there but gives no proper answer in time counts as not running."""
        try:
            return parse_answer(await asyncio.wait_for(self._read(), ANSWER_S))
        except FileNotFoundError:
            return None
        except (OSError, TimeoutError, ValueError) as err:
            return PublishNow((Told("publish", NOT_RUNNING, problem=f"no answer ({type(err).__name__})"),))

    async def _read(self) -> bytes:
        with unix_address(self._data_dir, PUBLISH) as path:
            reader, writer = await asyncio.open_unix_connection(path, limit=LINE_LIMIT)
        try:
            return await reader.readline()
        finally:
            writer.close()


def parse_answer(line: bytes) -> PublishNow:
    """Read the line of the publish process; ValueError when it isn't one."""
    try:
        details = json.loads(line, parse_constant=_refuse)
        told = tuple(_told(output) for output in details["outputs"])
    except (KeyError, TypeError, AttributeError, RecursionError) as err:
        raise ValueError(f"no health of publishing: {err!r}") from err
    return PublishNow(told, details)


def _told(output: dict[str, Any]) -> Told:
    state = output["state"]
    age_s = output["acked_age_s"]
    if state not in STATES:
        raise ValueError(f"no state: {state!r:.40}")
    return Told(
        name=_text(output["name"]),
        state=state,
        waiting_count=sum(int(count) for count in output["waiting"].values()),
        dropped_count=sum(int(n) for what in ("dropped", "undated") for n in output[what].values()),
        rejected_count=int(output["rejected_count"]),
        acked_age_s=None if age_s is None else float(age_s),
        problem=None if output["problem"] is None else _text(output["problem"]),
    )


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"no text: {value!r:.40}")
    return one_line(value, 300)


def _refuse(name: str) -> float:
    raise ValueError(f"{name} is no JSON")
