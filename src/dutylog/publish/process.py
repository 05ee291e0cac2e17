"""The publish process: takes core's word in, and hands it to a broker, a database, or both."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys

from dutylog.clock import Clock, SystemClock, read_boot_id
from dutylog.errors import DutylogError
from dutylog.memory import GIVE_BACK_NS, give_back, keep_what_is_loaded
from dutylog.publish.board import Board
from dutylog.publish.core_link import SocketReader
from dutylog.publish.health import HealthView, resident_bytes
from dutylog.publish.health_socket import HealthSocket
from dutylog.publish.intake import Intake
from dutylog.publish.outbox import OUTBOX_NAME, Outbox
from dutylog.publish.output import STOP_S
from dutylog.publish.outputs import OutputThread, Say, make_outputs
from dutylog.publish.settings import PublishSettings
from dutylog.publish.timekeeper import Timekeeper
from dutylog.units import NS_PER_S

TICK_S = 1.0
CORE_ENDS_S = 2.0
"""How long a stop waits for core to end first, so that the last totals told are the last there are."""


class Publisher:
    """Everything of the process: intake and health on one loop, each output on a thread of its own."""

    def __init__(self, settings: PublishSettings, clock: Clock, say: Say) -> None:
        """say: takes one line for people whenever something changes.

        Raises:
            DutylogError: the outbox can't be opened.
        """
        self._data_dir = settings.data_dir
        self._clock = clock
        boot_id = read_boot_id()
        self._outbox = Outbox(settings.data_dir / OUTBOX_NAME, say=say)
        self._outbox.drop_undatable(boot_id)
        board = Board()
        timekeeper = Timekeeper(boot_id)
        self._intake = Intake(settings.data_dir, self._outbox, board, clock, timekeeper, settings.told_to)
        outputs = make_outputs(settings, board, self._outbox, clock, say)
        self._intake.serve(outputs)
        self._threads = [OutputThread(output, say) for output in outputs]
        self._say = say

    async def run(self, stop: asyncio.Event) -> None:
        """Work until `stop`; then tell the last, store what is left, and end within seconds."""
        view = HealthView(self._intake, self._outbox, self._threads, resident_bytes)
        health = HealthSocket(self._data_dir, view.object)
        await health.start()
        reader = asyncio.create_task(SocketReader(self._intake, self._data_dir).run())
        for thread in self._threads:
            thread.start()
        self._say("running: " + ", ".join(thread.output.name for thread in self._threads))
        try:
            await self._tick_until(stop)
            await self._wait_for_core()
        finally:
            reader.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await reader
            self._finish()
            await health.close()

    async def _tick_until(self, stop: asyncio.Event) -> None:
        keep_what_is_loaded()
        give_back_ns = 0
        while not stop.is_set():
            self._intake.tick()
            if self._clock.mono_ns() >= give_back_ns:
                give_back_ns = self._clock.mono_ns() + GIVE_BACK_NS
                give_back()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), TICK_S)

    async def _wait_for_core(self) -> None:
        deadline_ns = self._clock.mono_ns() + round(CORE_ENDS_S * NS_PER_S)
        while self._intake.connected and self._clock.mono_ns() < deadline_ns:
            await asyncio.sleep(0.05)

    def _finish(self) -> None:
        """Hand out the last and let every output finish; one that hangs is left behind."""
        self._intake.finish()
        for thread in self._threads:
            thread.ask_to_stop()
        deadline_ns = self._clock.mono_ns() + round(STOP_S * NS_PER_S)
        for thread in self._threads:
            left_s = max(0.0, (deadline_ns - self._clock.mono_ns()) / NS_PER_S)
            if not thread.join(left_s):
                self._say(f"{thread.output.name} didn't finish in time; what waits stays in the outbox")
        self._outbox.close()


def main() -> int:
    """Read the settings from standard input and publish until SIGTERM; return the exit status."""
    try:
        settings = PublishSettings.from_json(sys.stdin.readline())
    except (ValueError, KeyError, TypeError, AttributeError):
        _say("started without its settings; `dutylog run` starts it")
        return 2
    try:
        publisher = Publisher(settings, SystemClock(), _say)
        asyncio.run(_run(publisher))
    except DutylogError as err:
        for line in str(err).splitlines():
            _say(line)
        return 2
    return 0


async def _run(publisher: Publisher) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    await publisher.run(stop)


def _say(line: str) -> None:
    sys.stderr.write(f"dutylog publish: {line}" + os.linesep)
    sys.stderr.flush()
