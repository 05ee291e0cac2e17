"""The feed of a page that follows a vehicle over a broker: listens, never publishes (shared/TOPICS.md, Followers)."""

from __future__ import annotations

import asyncio
import contextlib
import random
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict
from typing import ClassVar, Protocol

from dutylog.clock import Clock
from dutylog.errors import OutputDown
from dutylog.publish.backoff import Backoff
from dutylog.publish.broker import Connection, Event, Heard, Lost, Wanted
from dutylog.web.feed import LiveFeed
from dutylog.web.follow_book import Assembled, FollowBook

NETWORK_S = 1.0
"""What a sound network may take on top of the page's own limit before readings are called stale (judgement)."""
RETRY_FIRST_S, RETRY_LIMIT_S = 0.5, 5.0
"""Somebody looks at the page: a broker that is back is found within seconds (judgement)."""
REFUSED_S = 15.0
SILENT_S = 5.0
"""Connected for so long without a word of the vehicle: said on the page (judgement)."""
STEADY_S = 30.0
LOOK_S = 0.5
STOP_S = 1.0
SILENT_REMEDY = "check its id, our right to read it, and that its dutylog runs and publishes `vehicle`"
OFFLINE_TEXT = "the vehicle's logger is off, or has lost its own way to the broker"


class Listen(Protocol):
    """Opens a connection that only listens, as MqttConnector.listen does."""

    def __call__(
        self, wanted: Sequence[Wanted], take: Callable[[Heard], None], notify: Callable[[Event], None]
    ) -> Connection:
        """Return the connection; OutputDown when there is none to be had."""
        ...


class FollowFeed(LiveFeed):
    """The newest snapshot a broker brought; ages count from when it came here."""

    allowance_s: ClassVar[float] = NETWORK_S
    peer: ClassVar[str] = "broker"

    def __init__(self, vehicle_id: str, clock: Clock) -> None:
        super().__init__(clock)
        self.book = FollowBook(vehicle_id, clock)
        self.vehicle_id = vehicle_id

    def take(self, assembled: Assembled) -> None:
        """Show a snapshot."""
        self.accept(assembled.snapshot, assembled.late_s)

    def counters_dict(self) -> dict[str, int]:
        """Return the counters for /health: those of every feed, and the messages with what was dropped of them."""
        return asdict(self.counters) | asdict(self.book.counters)


class BrokerReader:
    """Keeps a connection to the broker, in a thread of its own, and hands what it brings to the feed's loop."""

    def __init__(
        self, feed: FollowFeed, listen: Listen, say: Callable[[str], None], chance: random.Random | None = None
    ) -> None:
        """say: takes one line for people at each change."""
        self._feed = feed
        self._listen = listen
        self._say = say
        self._backoff = Backoff(chance or random.Random(), RETRY_FIRST_S, RETRY_LIMIT_S)  # noqa: S311 - jitter
        self._stop = threading.Event()
        self._ended = threading.Event()
        self._end: Lost | None = None
        self._lock = threading.Lock()
        self._newest: Assembled | None = None
        self._is_asked = False
        self._connected_s = 0.0

    async def run(self) -> None:
        """Follow for ever; ends by being cancelled."""
        loop = asyncio.get_running_loop()
        # A daemon thread: one that hangs in a connection attempt must not keep the process from ending.
        thread = threading.Thread(target=self._work, args=(loop,), name="broker-reader", daemon=True)
        thread.start()
        try:
            while True:
                await asyncio.sleep(LOOK_S)
                self._look()
        finally:
            self._stop.set()
            self._ended.set()
            await asyncio.shield(asyncio.to_thread(thread.join, STOP_S))

    # on the loop

    def _look(self) -> None:
        """Say what is wrong while the connection stands and yet nothing comes."""
        feed = self._feed
        if not feed.connected:
            return
        notice = ""
        if feed.book.is_online is False:
            notice = OFFLINE_TEXT
        elif feed.newest is None and feed.mono_s() - self._connected_s > SILENT_S:
            notice = f"nothing comes of vehicle {feed.vehicle_id}; {SILENT_REMEDY}"
        feed.say(notice)

    def _show(self) -> None:
        with self._lock:
            newest, self._newest, self._is_asked = self._newest, None, False
        if newest is not None:
            self._feed.take(newest)

    def _note(self, is_connected: bool, problem: str) -> None:
        """Show a change of the connection."""
        feed = self._feed
        if is_connected:
            feed.counters.connects_count += 1
            self._connected_s = feed.mono_s()
        elif feed.connected:
            feed.counters.disconnects_count += 1
        feed.connected = is_connected
        text = problem or "the broker lets us listen"
        if text != feed.last_problem:
            self._say(text)
        feed.last_problem = problem
        feed.say(problem)

    # in the thread

    def _work(self, loop: asyncio.AbstractEventLoop) -> None:
        while self._is_to_go_on():
            self._end = None
            self._feed.book.is_online = None
            try:
                connection = self._listen(
                    self._feed.book.wanted(), lambda heard: self._hear(loop, heard), self._notice_end
                )
            except OutputDown as err:
                self._pause(loop, str(err), err.is_refused)
                continue
            self._call(loop, lambda: self._note(True, ""))
            is_steady = not self._ended.wait(STEADY_S)
            if is_steady:
                self._backoff.reset()
                self._ended.wait()
            connection.close()
            end = self._end
            if end is not None and not self._stop.is_set():
                self._pause(loop, end.text, end.is_refused)

    def _is_to_go_on(self) -> bool:
        self._ended.clear()
        return not self._stop.is_set()  # asked after: a stop meanwhile sets both

    def _pause(self, loop: asyncio.AbstractEventLoop, problem: str, is_refused: bool) -> None:
        self._call(loop, lambda: self._note(False, problem))
        self._stop.wait(REFUSED_S if is_refused else self._backoff.next_s())

    def _notice_end(self, event: Event) -> None:
        if isinstance(event, Lost):
            self._end = event
            self._ended.set()

    def _hear(self, loop: asyncio.AbstractEventLoop, heard: Heard) -> None:
        """Take a message in the connection's thread, so that a flood waits in the network and not in memory."""
        assembled = self._feed.book.take(heard)
        if assembled is None:
            return
        with self._lock:
            self._newest = assembled
            is_asked, self._is_asked = self._is_asked, True
        if not is_asked:
            self._call(loop, self._show)

    def _call(self, loop: asyncio.AbstractEventLoop, work: Callable[[], None]) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(work)
