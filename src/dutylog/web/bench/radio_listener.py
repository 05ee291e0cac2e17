"""Listens to a broker for duty of vehicles whose owner agreed, in a thread beside the pages. Publishes nothing.

It subscribes to `duty` of those vehicles alone, so nothing else of anybody comes in, no place on earth either.
"""

from __future__ import annotations

import random
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Protocol

from dutylog.bench.radio import RadioBook, duty_pattern
from dutylog.bench.store.errors import StoreError
from dutylog.bench.store.store import Store
from dutylog.clock import Clock
from dutylog.config.settings import MqttSettings
from dutylog.errors import OutputDown, one_line
from dutylog.publish.backoff import REFUSED_S, Backoff
from dutylog.publish.broker import Connection, Event, Heard, Lost, Wanted
from dutylog.units import NS_PER_S

LOOK_S = 5.0
"""Between two looks at what was heard and at who agreed. Source: judgement; forecasts are in weeks."""
MOST_WAITING = 4096
MOST_VEHICLES = 1000
STOP_S = 5.0
DEFAULT_CLIENT_ID = "dutylog-bench"
NOBODY_TEXT = "no owner of a vehicle with a known id has agreed to it"


class Listen(Protocol):
    """Opens a connection that only listens, as MqttConnector.listen does."""

    def __call__(
        self, wanted: Sequence[Wanted], take: Callable[[Heard], None], notify: Callable[[Event], None]
    ) -> Connection:
        """Return the connection; OutputDown when there is none to be had."""
        ...


@dataclass(frozen=True, slots=True)
class RadioState:
    """How listening goes, for people. vehicles_count: to whose duty it listens."""

    is_listening: bool = False
    text: str = ""
    vehicles_count: int = 0
    heard_count: int = 0
    refused_count: int = 0
    written_count: int = 0


class RadioListener:
    """Keeps what the broker brings. `start`, then `stop`; both may be called once."""

    def __init__(
        self,
        store: Store,
        listen: Listen,
        clock: Clock,
        say: Callable[[str], None],
        look_s: float = LOOK_S,
        chance: random.Random | None = None,
    ) -> None:
        """say: takes one line for people at each change."""
        self.state = RadioState()
        self._store = store
        self._listen = listen
        self._clock = clock
        self._say = say
        self._look_s = look_s
        self._backoff = Backoff(chance or random.Random())  # noqa: S311 - jitter, no secret
        self._book = RadioBook(store, clock)
        self._heard: deque[Heard] = deque(maxlen=MOST_WAITING)
        self._end: Lost | None = None
        self._woken = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="bench-radio", daemon=True)

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Write what was heard and end."""
        self._stop.set()
        self._woken.set()
        self._thread.join(STOP_S)

    def _work(self) -> None:
        while not self._stop.is_set():
            patterns = self._patterns()
            if patterns:
                self._listen_to(patterns)
            else:
                self._pause(self._look_s)
        self._keep(is_end=True)

    def _listen_to(self, patterns: tuple[str, ...]) -> None:
        """Listen until the connection ends, until somebody else agrees or takes it back, or until the stop."""
        self._end = None
        wanted = [Wanted(one, 1, takes_retained=True) for one in patterns]
        try:
            connection = self._listen(wanted, self._heard.append, self._notice)
        except OutputDown as err:
            self._tell(is_listening=False, text=str(err))
            self._pause(REFUSED_S if err.is_refused else self._backoff.next_s())
            return
        self._tell(is_listening=True, text="")
        try:
            while not self._stop.is_set() and self._end is None and self._patterns() == patterns:
                self._pause(self._look_s)
                self._keep()
                if self._heard_anything():
                    self._backoff.reset()
        finally:
            connection.close()
        end: Lost | None = self._end
        if end is not None:
            self._tell(is_listening=False, text=end.text)
            self._pause(REFUSED_S if end.is_refused else self._backoff.next_s())

    def _patterns(self) -> tuple[str, ...]:
        """Return what to listen to: of each vehicle whose owner agreed, in order."""
        try:
            with self._store.read() as reading:
                ids = sorted({one.vehicle_id or "" for one in reading.radio_vehicles()})
        except StoreError as err:
            self._tell(is_listening=False, text=str(err))
            return ()
        found = [pattern for pattern in (duty_pattern(one) for one in ids) if pattern][:MOST_VEHICLES]
        if not found:
            self._tell(is_listening=False, text=NOBODY_TEXT)
        self.state = replace(self.state, vehicles_count=len(found))
        return tuple(found)

    def _keep(self, is_end: bool = False) -> None:
        """Take what was heard so far and write what is due."""
        while self._heard:
            heard = self._heard.popleft()
            self._book.take(heard.topic, heard.payload)
        count = 0
        try:
            count = self._book.write(_utc_text, self._today(), is_end)
        except StoreError as err:
            self._say(f"duty by radio waits: {one_line(err, 200)}")
        self.state = replace(
            self.state,
            heard_count=self._book.heard_count,
            refused_count=self._book.refused_count,
            written_count=self.state.written_count + count,
        )

    def _heard_anything(self) -> bool:
        return self._book.heard_count > 0

    def _notice(self, event: Event) -> None:
        """Take word of the connection, in its thread."""
        if isinstance(event, Lost):
            self._end = event
            self._woken.set()

    def _pause(self, seconds: float) -> None:
        self._woken.wait(seconds)
        if not self._stop.is_set():
            self._woken.clear()

    def _tell(self, *, is_listening: bool, text: str) -> None:
        if (is_listening, text) != (self.state.is_listening, self.state.text):
            self._say(f"duty by radio: {text or 'the broker lets us listen'}")
        self.state = replace(self.state, is_listening=is_listening, text=text)

    def _today(self) -> date:
        return datetime.fromtimestamp(self._clock.utc_ns() / NS_PER_S, UTC).date()


def settings_of_bench(settings: MqttSettings, bench_id: str) -> MqttSettings:
    """Return how to reach the broker; benches that share one must not share a client id."""
    if settings.client_id != DEFAULT_CLIENT_ID:
        return settings
    return replace(settings, client_id=f"{DEFAULT_CLIENT_ID}-{bench_id[:8]}")


def _utc_text(utc_ns: int) -> str:
    return f"{datetime.fromtimestamp(utc_ns // NS_PER_S, UTC):%Y-%m-%dT%H:%M:%SZ}"
