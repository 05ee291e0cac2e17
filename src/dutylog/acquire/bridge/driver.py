"""The sampling microcontroller as a driver: open, read, close, how it is, what a check finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from dutylog.acquire.bridge.conversation import Conversation, Heard, Line, PingTimes, Totals
from dutylog.acquire.bridge.framing import FrameCounters
from dutylog.acquire.bridge.messages import Identity, Samples
from dutylog.acquire.bridge.opening import add_ping, begin_run
from dutylog.acquire.bridge.probing import ProbeTake, judge
from dutylog.acquire.bridge.run import TIME_ESTIMATED, BridgeRun
from dutylog.acquire.bridge.status import describe_channels, describe_run
from dutylog.acquire.bridge.wheel_speed import WHEEL_HZ
from dutylog.acquire.driver import DriverState, Finding, Plan, Rows, Word
from dutylog.acquire.serial_line import SerialLine
from dutylog.clock import Clock
from dutylog.config.sensors import BridgeSettings
from dutylog.errors import FrameError, SourceLost, WrongDevice
from dutylog.recording.block import SPEED, TRAVEL, Channel
from dutylog.units import FS_PER_S, NS_PER_S

SILENCE_NS = NS_PER_S
_PING_EVERY_NS = NS_PER_S
_FIRST_PING_EVERY_NS = NS_PER_S // 10
_FIRST_PINGS_FOR_NS = 10 * NS_PER_S
"""While the fit is short a ping more is worth much, and a hundred of them cost nothing (judgement)."""
_PONG_MISSING_NS = 30 * NS_PER_S
"""Without pings for so long a drift of the crystal by some ppm isn't followed any more (judgement)."""
_GATHER_S = 0.08
"""What 8 channels at 2 kHz send meanwhile, 2.7 kB, is less than the 4 kB a line holds. Source: Linux n_tty.c,
N_TTY_BUF_SIZE."""
_PROBE_S = 2.0
_BAUD = 921_600
"""What 8 channels at 2 kHz need (shared/PROTOCOL.md, Bandwidth); USB serial ports ignore it."""


def open_port(port: str) -> Line:
    """Open the bridge's port."""
    return SerialLine.open(port, what="the bridge", key="[bridge] device", baud=_BAUD)


class BridgeDriver:
    """Travel of every used input, and speed where pulses are counted; see `acquire.driver.Driver`."""

    name = "bridge"
    is_clocked = True

    def __init__(self, settings: BridgeSettings, clock: Clock, open_line: Callable[[str], Line] = open_port) -> None:
        """Nothing is opened yet. open_line: makes a line of a path."""
        self._settings, self._clock, self._open_line = settings, clock, open_line
        self.plans: tuple[Plan, ...] = _make_plans(settings)
        self._totals = Totals(FrameCounters())
        self._line: Line | None = None
        self._talk: Conversation | None = None
        self._run: BridgeRun | None = None
        self._word: Word = "waiting"
        self._text = f"{settings.port}: not opened yet"
        self._openings = 0
        self._opened_ns = self._samples_ns = self._frames_ns = self._ping_ns = self._pong_ns = 0
        self._failure: SourceLost | None = None
        self._state = self._make_state()

    def open(self, t0_ns: int) -> None:  # noqa: ARG002
        """Find the board, start it; t0_ns isn't used, its own clock times the rows."""
        self.close()
        port = self._settings.port
        try:
            self._line = self._open_line(port)
            self._talk = Conversation(self._line, port, self._clock, self._totals)
            self._run = begin_run(self._talk, port, self._settings, self._clock)
        except (SourceLost, WrongDevice) as err:
            self._fail(err)
            self.close()
            raise
        self._totals.reconnects += self._openings > 0
        self._openings += 1
        now_ns = self._clock.mono_ns()
        self._opened_ns = self._samples_ns = self._frames_ns = self._ping_ns = self._pong_ns = now_ns
        self._state = self._make_state()

    def read(self, limit_s: float) -> list[Rows]:
        """Return the rows of the frames that came first; see `acquire.driver.Driver`."""
        until_ns = self._clock.mono_ns() + max(0, round(limit_s * NS_PER_S))
        try:
            while True:
                rows = self._take_all(self._hear(until_ns))
                if rows or self._clock.mono_ns() >= until_ns:
                    return rows
        except (SourceLost, WrongDevice) as err:
            self._fail(err)
            raise

    def close(self) -> None:
        """Let go of the port; the board stops by itself when it hears nothing."""
        line, self._line, self._talk, self._run = self._line, None, None, None
        self._failure = None
        if line is not None:
            line.close()

    def state(self) -> DriverState:
        """Return how it was when the last frame was read; made anew about once a second."""
        return self._state

    def probe(self) -> list[Finding]:
        """Look at what comes for two seconds; its rows are used up."""
        talk, run = self._talk, self._run
        if talk is None or run is None:
            raise SourceLost(f"{self._settings.port}: the bridge isn't open, so there is nothing to look at")
        begin_ns, begin_bytes = self._clock.mono_ns(), talk.received_bytes
        before = replace(self._totals, frames=replace(self._totals.frames))
        frames: list[Samples] = []
        until_ns = begin_ns + round(_PROBE_S * NS_PER_S)
        while self._clock.mono_ns() < until_ns:
            heard = self._hear(until_ns)
            self._take_all(heard)
            frames += [message for message in heard if isinstance(message, Samples)]
        take = ProbeTake(
            frames=tuple(frames),
            span_s=(self._clock.mono_ns() - begin_ns) / NS_PER_S,
            received_bytes=talk.received_bytes - begin_bytes,
            lost_rows=self._totals.lost_rows - before.lost_rows,
            overruns=self._totals.overruns - before.overruns,
            bad_frames=self._totals.frames.bad - before.frames.bad,
        )
        return judge(take, run, self._settings)

    def _hear(self, until_ns: int) -> list[Heard]:
        """Return what comes until then at the latest, pinging when it is time."""
        talk = self._talk
        if talk is None:
            raise SourceLost(f"{self._settings.port}: the bridge isn't open")
        if self._failure is not None:
            raise self._failure
        now_ns = self._clock.mono_ns()
        every_ns = _FIRST_PING_EVERY_NS if now_ns < self._opened_ns + _FIRST_PINGS_FOR_NS else _PING_EVERY_NS
        if now_ns >= self._ping_ns + every_ns:
            self._ping_ns = now_ns
            talk.send_ping()
            self._state = self._make_state()
        elif not talk.is_asking:
            # Nothing that comes is waited for to the instant: whoever wakes for each frame wakes twice as often.
            self._clock.sleep(min(_GATHER_S, max(0, min(until_ns, self._ping_ns + every_ns) - now_ns) / NS_PER_S))
        heard = talk.read(min(max(0, until_ns - now_ns), every_ns) / NS_PER_S)
        now_ns = self._clock.mono_ns()
        if heard:
            self._frames_ns = now_ns
        if now_ns - self._samples_ns > SILENCE_NS and not any(isinstance(message, Samples) for message in heard):
            raise self._silent(now_ns)
        return heard

    def _silent(self, now_ns: int) -> SourceLost:
        port = self._settings.port
        if now_ns - self._frames_ns > SILENCE_NS:
            return SourceLost(f"{port}: nothing from the bridge for 1 s; check plug, cable and supply")
        return SourceLost(f"{port}: the bridge answers but has sent no samples for 1 s; unplug it and plug it in again")

    def _take_all(self, heard: list[Heard]) -> list[Rows]:
        """Return the rows of messages; those before a loss are handed out first, then the loss is told."""
        rows: list[Rows] = []
        for message in heard:
            try:
                rows += self._take(message)
            except SourceLost as err:
                if not rows:
                    raise
                self._failure = err
                break
        return rows

    def _take(self, message: Heard) -> list[Rows]:
        """Return the rows of a message; note what it says."""
        run = self._run
        if run is None:
            return []
        if isinstance(message, Samples):
            return self._take_samples(run, message)
        if isinstance(message, PingTimes):
            self._pong_ns = message.received_ns
            add_ping(run, message)
        elif isinstance(message, Identity) and (message.boot != run.identity.boot or not message.is_running):
            self._totals.resets += 1
            raise _began_anew(self._settings.port, message, run.identity)
        return []

    def _take_samples(self, run: BridgeRun, samples: Samples) -> list[Rows]:
        now_ns = self._clock.mono_ns()
        quality = TIME_ESTIMATED if now_ns - self._pong_ns > _PONG_MISSING_NS else 0
        lost_rows, overruns = run.lost_rows, run.overruns
        try:
            rows = run.take(samples, now_ns, quality)
        except FrameError:
            self._totals.bad_messages += 1
            return []
        except SourceLost:
            self._totals.resets += 1
            raise
        self._samples_ns = now_ns
        self._totals.lost_rows += run.lost_rows - lost_rows
        self._totals.overruns += run.overruns - overruns
        return rows

    def _fail(self, err: SourceLost | WrongDevice) -> None:
        """Remember why it doesn't work."""
        self._word = "wrong" if isinstance(err, WrongDevice) else "lost"
        self._text = str(err)
        self._state = self._make_state(is_failed=True)

    def _make_state(self, is_failed: bool = False) -> DriverState:
        """Return the state now; called by the driver's own thread, read by any as one object."""
        word, text, run = self._word, self._text, None if is_failed else self._run
        if run is not None:
            if not run.clock.rate().is_as_claimed:
                word = "wrong"
            else:
                word = "working" if self._samples_ns > self._opened_ns else "waiting"
            text = describe_run(run, self._talk.last_note if self._talk is not None else "")
            self._word, self._text = word, text
        channels = describe_channels(run, word, text, self._settings)
        return DriverState(self.name, word, text, _make_counters(self._totals), channels)


def _make_plans(settings: BridgeSettings) -> tuple[Plan, ...]:
    """Return travel of the used inputs, then speed where it is measured."""
    plans = []
    used = tuple(Channel(position, TRAVEL, "count") for position in settings.inputs if position)
    if used:
        plans.append(Plan("travel", "i2", round(FS_PER_S / settings.rate_hz), used))
    if settings.wheel_pulses_per_m is not None:
        plans.append(Plan("wheel", "f4", FS_PER_S // WHEEL_HZ, (Channel("", SPEED, "mps"),)))
    return tuple(plans)


def _began_anew(port: str, now: Identity, before: Identity) -> SourceLost:
    """Return the error for a board that doesn't go on with the run it was in."""
    if now.boot == before.boot:
        return SourceLost(f"{port}: the bridge stopped sampling by itself, as it does when it hears nothing for 10 s")
    if now.board_id != before.board_id:
        return SourceLost(f"{port}: another bridge is there now ({now.board_id}, before {before.board_id})")
    return SourceLost(
        f"{port}: the bridge began anew (watchdog or power); if it happens again, check supply, plug and cable"
    )


def _make_counters(totals: Totals) -> dict[str, int]:
    """Return the totals by name."""
    return {
        "frames": totals.frames.frames,
        "lost_rows": totals.lost_rows,
        "bad_frames": totals.frames.bad + totals.bad_messages,
        "unknown_frames": totals.unknown_frames,
        "sequence_jumps": totals.frames.sequence_jumps,
        "resets": totals.resets,
        "reconnects": totals.reconnects,
        "pings": totals.pings,
        "pongs": totals.pongs,
        "notes": totals.notes,
        "overruns": totals.overruns,
    }
