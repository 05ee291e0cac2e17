"""The receiver as a driver: reads its line, hands on what is believed, says how it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from dutylog.acquire.driver import ChannelState, DriverState, Finding, Plan, Rows, Word
from dutylog.acquire.gps.dates import BUILD_YEAR, DateWatch
from dutylog.acquire.gps.epochs import Epoch, EpochBuilder
from dutylog.acquire.gps.fixes import Fix, GateLimits
from dutylog.acquire.gps.gate import Gate
from dutylog.acquire.gps.probe import Glance, describe_waiting, list_findings
from dutylog.acquire.gps.sentences import Gga, Rmc, parse_sentence
from dutylog.acquire.gps.slots import SlotKeeper
from dutylog.acquire.gps.splitter import Splitter
from dutylog.acquire.serial_line import SerialLine
from dutylog.clock import Clock
from dutylog.config.sensors import GpsSettings
from dutylog.errors import FrameError, SourceLost, WrongDevice
from dutylog.recording.block import LATITUDE, LONGITUDE, SPEED, Channel
from dutylog.units import FS_PER_S, NS_PER_S

LATENCY_NS = 200_000_000
"""From the instant of a fix to its first sentence. Judgement: 0.1 to 0.3 s is common practice for 1 Hz receivers,
no published source; a vehicle at 30 m/s is 3 m wrong for each tenth."""
ANSWER_S = 3.0
"""A receiver talks by itself, once a second or oftener; nothing for so long at `open` is no receiver. Judgement."""
SILENT_S = 10.0
"""A line that was talking and hasn't for so long is lost. Judgement."""
FRESH_S = 5.0
"""A fix older than this is no 'working' any more; as `GateLimits.gap_s`."""
PROBE_S = 3.0
"""How long `probe` listens: three epochs at 1 Hz."""
STEP_S = 0.2
"""One wait for bytes within a longer one."""


class Line(Protocol):
    """A serial line. Raises SourceLost where the device is gone."""

    def read(self, limit_s: float) -> bytes:
        """Return the bytes there are, at the latest after about limit_s [s]; b'' when none came."""
        ...

    def close(self) -> None:
        """Let go of the port; safe to call twice, never raises."""
        ...


OpenLine = Callable[[str, int], Line]
"""Opens a port (path, baud); SourceLost where it isn't there, WrongDevice where it is no serial line."""


def open_serial_line(port: str, baud: int) -> Line:
    """Open a receiver's port; errors as in `SerialLine.open`."""
    return SerialLine.open(port, what="the GPS receiver", key="[gps] device", baud=baud)


@dataclass(slots=True)
class _Talk:
    """Totals of one driver over all its openings."""

    splitter: Splitter = field(default_factory=Splitter)
    epochs: EpochBuilder = field(default_factory=EpochBuilder)
    gate: Gate = field(default_factory=Gate)
    dates: DateWatch = field(default_factory=DateWatch)
    counts: Counter[str] = field(default_factory=Counter)
    satellites: int | None = None
    hdop: float | None = None


class GpsDriver:
    """A receiver that speaks NMEA 0183: speed and position, one row a second at most.

    A second without a believed fix has no row: a gap, never a zero. A row's time is its slot, and the slot
    that of the fix's arrival less LATENCY_NS; the receiver's own time is only compared.

    Args:
        settings: port and baud. clock: monotonic time of arrival. open_line: opens the port.
        period_fs: spacing of rows [fs]. limits: of belief. build_year: no date before it is believed.
    """

    name = "gps"
    is_clocked = False

    def __init__(
        self,
        settings: GpsSettings,
        clock: Clock,
        open_line: OpenLine = open_serial_line,
        period_fs: int = FS_PER_S,
        limits: GateLimits | None = None,
        build_year: int = BUILD_YEAR,
    ) -> None:
        channels = (Channel("", SPEED, "mps"), Channel("", LATITUDE, "deg"), Channel("", LONGITUDE, "deg"))
        self._first = 0 if settings.has_speed else 1
        self.plans = (Plan("gps", "f8", period_fs, channels[self._first :]),)
        self._settings = settings
        self._clock = clock
        self._open_line = open_line
        self._talk = _Talk(gate=Gate(limits or GateLimits()), dates=DateWatch(build_year))
        self._line: Line | None = None
        self._slots = SlotKeeper(0, period_fs)
        self._fixes: list[Fix] = []
        self._opened_ns = self._heard_ns = 0
        self._sentence_ns: int | None = None
        self._trouble: tuple[Word, str] | None = ("lost", f"gps {settings.port}: not opened yet")
        self._snapshot = self._describe()

    def open(self, t0_ns: int) -> None:
        """Open the port and wait for the receiver to say something.

        Raises:
            SourceLost: no such port, or no byte within ANSWER_S.
            WrongDevice: the port is no serial line.
        """
        self.close()
        try:
            self._line = self._open_line(self._settings.port, self._settings.baud)
            self._begin_anew(t0_ns)
            while not self._pump(STEP_S):
                if self._clock.mono_ns() - self._heard_ns > ANSWER_S * NS_PER_S:
                    raise SourceLost(
                        f"gps {self._settings.port}: no byte within {ANSWER_S:.0f} s; "
                        "check the receiver's power, its transmit wire and the port's name"
                    )
        except (SourceLost, WrongDevice) as err:
            self._lose(err)
            raise
        self._trouble = None
        self._snapshot = self._describe()

    def read(self, limit_s: float) -> list[Rows]:
        """Return the rows that became final, waiting at most about `limit_s` [s] for bytes.

        Raises:
            SourceLost: the port is gone, or nothing came for SILENT_S.
        """
        try:
            self._pump(limit_s)
            now_ns = self._clock.mono_ns()
            if now_ns - self._heard_ns > SILENT_S * NS_PER_S:
                raise SourceLost(f"gps {self._settings.port}: silent for {SILENT_S:.0f} s; check power and plug")
        except SourceLost as err:
            self._lose(err)
            raise
        fixes, self._fixes = self._fixes, []
        rows = [row for fix in fixes for row in self._slots.put(*_to_row(fix))]
        rows += self._slots.expire(now_ns)
        self._talk.counts["rows"] += len(rows)
        self._snapshot = self._describe()
        return [
            Rows(0, index, self._slots.instant_ns(index), self.plans[0].period_fs, np.array([values[self._first :]]))
            for index, values in rows
        ]

    def close(self) -> None:
        """Let go of the port; safe to call twice, never raises."""
        line, self._line = self._line, None
        if line is not None:
            line.close()
            if self._trouble is None:
                self._trouble = ("lost", f"gps {self._settings.port}: closed")
        self._snapshot = self._describe()

    def state(self) -> DriverState:
        """Return how it was after the last `open`, `read` or `close`."""
        return self._snapshot

    def probe(self) -> list[Finding]:
        """Listen for PROBE_S and say what came; rows of this time are given up.

        Raises:
            SourceLost: the port is gone.
        """
        start_ns = self._clock.mono_ns()
        before = dict(self._count())
        byte_count = 0
        self._fixes = []
        while self._clock.mono_ns() - start_ns < PROBE_S * NS_PER_S:
            byte_count += self._pump(STEP_S)
        fixes, self._fixes = self._fixes, []
        after = self._count()
        seconds = (self._clock.mono_ns() - start_ns) / NS_PER_S
        gained = {name: count - before.get(name, 0) for name, count in after.items()}
        return list_findings(self._glance(), gained, byte_count, seconds, fixes[-1] if fixes else None)

    def utc(self) -> tuple[int, int] | None:
        """Return the newest believed (UTC [ns since 1970], monotonic [ns]) of one instant, None where there is none.

        To about 0.2 s: the arrival less LATENCY_NS. Behind it stand several fixes in a row whose dates and
        times advance like our clock, and a date that is sane.
        """
        pair = self._talk.dates.utc()
        return None if pair is None else (pair[0], pair[1] - LATENCY_NS)

    def _begin_anew(self, t0_ns: int) -> None:
        """Forget half a sentence and half an epoch of another opening; what was believed stays to compare with."""
        if self._slots.t0_ns != t0_ns:
            self._talk.counts["spare"] += self._slots.spare
            self._slots = SlotKeeper(t0_ns, self.plans[0].period_fs)
        self._fixes = []
        self._talk.splitter.clear()
        self._talk.epochs.flush()
        self._opened_ns = self._heard_ns = self._clock.mono_ns()
        self._sentence_ns = None

    def _pump(self, limit_s: float) -> int:
        """Read once; keep the fixes believed and return how many bytes came."""
        if self._line is None:
            raise SourceLost(f"gps {self._settings.port}: not open")
        data = self._line.read(limit_s)
        now_ns = self._clock.mono_ns()
        if data:
            self._heard_ns = now_ns
        epochs: list[Epoch] = []
        for body, mono_ns in self._talk.splitter.push(data, now_ns):
            self._sentence_ns = now_ns
            epochs += self._add(body, mono_ns)
        epochs += self._talk.epochs.expire(now_ns)
        for epoch in epochs:
            fix = self._talk.gate.judge(epoch)
            if fix is not None:
                self._talk.dates.judge(fix)
                self._fixes.append(fix)
        return len(data)

    def _add(self, body: bytes, mono_ns: int) -> list[Epoch]:
        """Return the epochs that one sentence ends."""
        talk = self._talk
        try:
            sentence = parse_sentence(body)
        except FrameError:
            talk.counts["malformed"] += 1
            return []
        if sentence is None:
            talk.counts["other"] += 1
            return []
        talk.counts["rmc" if isinstance(sentence, Rmc) else "gga"] += 1
        if isinstance(sentence, Gga):
            talk.satellites, talk.hdop = sentence.satellites, sentence.hdop
        return talk.epochs.add(sentence, mono_ns)

    def _lose(self, err: SourceLost | WrongDevice) -> None:
        self._trouble = ("wrong" if isinstance(err, WrongDevice) else "lost", str(err))
        self._snapshot = self._describe()

    def _count(self) -> dict[str, int]:
        """Return all totals by name (shared/GPS.md, Counters)."""
        talk = self._talk
        return {
            "sentences": talk.splitter.counts.good,
            "bad_checksums": talk.splitter.counts.bad_checksums,
            "broken": talk.splitter.counts.broken,
            **{name: talk.counts[name] for name in ("rmc", "gga", "other", "malformed", "rows")},
            "repeats": talk.epochs.repeats,
            "spare": talk.counts["spare"] + self._slots.spare,
            "fixes": talk.gate.believed,
            **{f"unbelieved_{reason}": count for reason, count in sorted(talk.gate.counts.items())},
            **{f"date_{reason}": count for reason, count in sorted(talk.dates.counts.items())},
        }

    def _glance(self) -> Glance:
        talk = self._talk
        since_ns = self._opened_ns if self._sentence_ns is None else self._sentence_ns
        return Glance(
            port=self._settings.port,
            baud=self._settings.baud,
            is_garbled=self._heard_ns - since_ns >= FRESH_S * NS_PER_S,
            has_rmc=talk.counts["rmc"] > 0,
            has_gga=talk.counts["gga"] > 0,
            reason=talk.gate.last_reason,
            satellites=talk.satellites,
            hdop=talk.hdop,
            date_reason=talk.dates.last_reason,
            last_date=talk.dates.last_date,
        )

    def _describe(self) -> DriverState:
        """Return the state now, for `state` to hand out to other threads."""
        newest = self._talk.gate.newest
        word: Word = "waiting"
        if self._trouble is not None:
            word, text = self._trouble
        elif newest is not None and self._clock.mono_ns() - newest.mono_ns < FRESH_S * NS_PER_S:
            word, text = "working", ""
        else:
            text = describe_waiting(self._glance())
        channels = tuple(ChannelState(c.name, c.quantity, word, text) for c in self.plans[0].channels)
        return DriverState(self.name, word, text, self._count(), channels)


def _to_row(fix: Fix) -> tuple[int, tuple[float, ...]]:
    """Return the instant [monotonic ns] and the values of a fix, in the plan's order."""
    return fix.mono_ns - LATENCY_NS, (fix.speed_mps, fix.latitude_deg, fix.longitude_deg)
