"""Drains the outbox into InfluxDB: in order, in batches, and nothing leaves before the server has stored it."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from dutylog.clock import Clock
from dutylog.errors import OutputDown, OutputRejected
from dutylog.publish.backoff import REFUSED_S, Backoff
from dutylog.publish.line_protocol import stamped
from dutylog.publish.outbox import Item, Outbox
from dutylog.publish.output import OutputHealth
from dutylog.units import NS_PER_S

NAME = "influxdb"
BATCH_LINES = 500
PERIOD_S = 60.0
"""Duty is due once a minute; live aggregates come more often but may all be missing."""
IDLE_S = 10.0
"""The intake commits about every ten seconds; looking more often finds nothing."""
LAST_CALL_S = 3.0
"""What goes on being sent after `stop`, within output.STOP_S."""


class LineServer(Protocol):
    """What takes lines: `InfluxServer`, or a fake."""

    def write(self, lines: Sequence[bytes]) -> None:
        """Store all lines, or raise OutputDown or OutputRejected."""
        ...


@dataclass(frozen=True, slots=True)
class _State:
    """What health tells; replaced whole, so that other threads see one moment."""

    started_ns: int
    acked_ns: int | None = None
    due_ns: int | None = None
    is_refused: bool = False
    problem: str = ""


class InfluxOutput:
    """Output over an InfluxDB server (publish/output.py)."""

    def __init__(
        self,
        server: LineServer,
        outbox: Outbox,
        clock: Clock,
        *,
        chance: random.Random | None = None,
        say: Callable[[str], None] = lambda _line: None,
        batch_lines: int = BATCH_LINES,
    ) -> None:
        """chance: of the jitter, seeded by tests. say: takes a line for people at each change of state."""
        self._server = server
        self._outbox = outbox
        self._clock = clock
        self._say = say
        self._backoff = Backoff(chance or random.Random())  # noqa: S311 - jitter is no secret
        self._woken = threading.Event()
        self._state = _State(clock.mono_ns())
        self._batch_limit = batch_lines
        self._batch = batch_lines
        self._suspect_count = 0
        self._has_rejected = False

    @property
    def name(self) -> str:
        """Return the word in the outbox, in health and in alerts."""
        return NAME

    def wake(self) -> None:
        """Look at the outbox at once, unless the server is being left alone."""
        self._woken.set()

    def health(self) -> OutputHealth:
        """Return how it is doing; due is what has waited for longer than a period."""
        state, now_ns = self._state, self._clock.mono_ns()
        last_ns = state.started_ns if state.acked_ns is None else state.acked_ns
        return OutputHealth(
            name=NAME,
            period_s=PERIOD_S,
            acked_age_s=(now_ns - last_ns) / NS_PER_S,
            was_acked=state.acked_ns is not None,
            is_due=state.due_ns is not None and now_ns - state.due_ns > PERIOD_S * NS_PER_S,
            is_refused=state.is_refused,
            problem=state.problem,
        )

    def run(self, stop: threading.Event) -> None:
        """Send what is ready until `stop`; then once more what is left, for a short while."""
        wait_s = 0.0
        while not stop.is_set():
            if wait_s > 0:
                self._rest(wait_s, stop)
                if stop.is_set():
                    break
            wait_s = self.turn()
        deadline_ns = self._clock.mono_ns() + round(LAST_CALL_S * NS_PER_S)
        while not self._state.problem and self._clock.mono_ns() < deadline_ns and self.turn() == 0.0:
            pass

    def _rest(self, wait_s: float, stop: threading.Event) -> None:
        """Wait; being woken ends it early only where the server isn't being left alone, or to stop."""
        deadline_ns = self._clock.mono_ns() + round(wait_s * NS_PER_S)
        while (left_ns := deadline_ns - self._clock.mono_ns()) > 0 and not stop.is_set():
            woken = self._woken.wait(left_ns / NS_PER_S)
            self._woken.clear()
            if woken and not self._state.problem:
                return

    def turn(self) -> float:
        """Send one batch where there is one; return how long to wait before the next turn [s], 0 for at once.

        Raises:
            OutputError: the outbox's disk takes or gives nothing; what was sent is sent again, the same bytes.
        """
        asked = self._batch
        items = self._outbox.peek(NAME, asked)
        if not items:
            self._state = replace(self._state, due_ns=None)
            return IDLE_S
        if self._state.due_ns is None:
            self._state = replace(self._state, due_ns=self._clock.mono_ns())
        try:
            self._server.write([_line(item) for item in items])
        except OutputRejected as err:
            self._narrow(items, str(err))
            return 0.0
        except OutputDown as err:
            return self._leave_alone(err)
        self._outbox.ack(item.id for item in items)
        self._widen(len(items))
        is_empty = len(items) < asked
        self._note_ack(is_empty)
        return IDLE_S if is_empty else 0.0

    def _narrow(self, items: Sequence[Item], reason: str) -> None:
        """Halve the batch until the refused line stands alone, and set that one aside."""
        if len(items) > 1:
            self._suspect_count = len(items)
            self._batch = len(items) // 2
            return
        self._outbox.set_aside([items[0].id], reason)
        self._suspect_count = 0
        self._batch = 1
        self._note_ack(is_empty=False)
        if not self._has_rejected:
            self._has_rejected = True
            self._say(f"{NAME}: a point was refused and set aside ({reason}); the rest flows, later ones are counted")

    def _widen(self, sent_count: int) -> None:
        """After a batch that was stored: the refused line is among the suspects left, else grow again."""
        self._suspect_count = max(0, self._suspect_count - sent_count)
        if self._suspect_count:
            self._batch = max(1, self._suspect_count // 2)
        else:
            self._batch = min(self._batch * 2, self._batch_limit)

    def _note_ack(self, is_empty: bool) -> None:
        now_ns = self._clock.mono_ns()
        self._backoff.reset()
        if self._state.problem:
            self._say(f"{NAME}: back")
        self._state = _State(self._state.started_ns, acked_ns=now_ns, due_ns=None if is_empty else now_ns)

    def _leave_alone(self, err: OutputDown) -> float:
        # The text may differ from one attempt to the next; only a change of state is news.
        if not self._state.problem or err.is_refused != self._state.is_refused:
            self._say(f"{NAME}: {err}; points are kept")
        self._state = replace(self._state, is_refused=err.is_refused, problem=str(err))
        return REFUSED_S if err.is_refused else self._backoff.next_s(err.retry_after_s)


def _line(item: Item) -> bytes:
    if item.utc_ns is None:  # an alert, which isn't meant for here; the server would give it a date of its own
        raise OutputRejected(f"item {item.id} of kind {item.kind} has no time", [0])
    return stamped(item.payload, item.utc_ns)
