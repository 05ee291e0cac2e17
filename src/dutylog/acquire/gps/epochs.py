"""Puts together what a receiver says of one instant: its RMC and its GGA, in whatever order they come."""

from __future__ import annotations

from dataclasses import dataclass, field

from dutylog.acquire.gps.sentences import Gga, Rmc
from dutylog.units import NS_PER_S

OPEN_FOR_NS = NS_PER_S
"""Judgement: a second's worth of sentences takes up to a second at 4800 baud; longer nothing is waited for."""
GGA_EXPECTED_NS = 10 * NS_PER_S
"""Judgement: a receiver that sent no GGA for so long doesn't send any, and RMC alone is an epoch."""
KEPT_TIMES = 4
"""Times of day whose late or repeated sentences are passed over (a receiver that names two systems repeats them)."""
SAME_TIME_S = 1e-4
"""Two sentences of one instant print its time with one to three decimals."""


@dataclass(frozen=True, slots=True)
class Epoch:
    """One instant of the receiver. mono_ns: arrival [ns] of its first sentence; tod_s None: it knows no time yet."""

    mono_ns: int
    tod_s: float | None
    rmc: Rmc | None
    gga: Gga | None


@dataclass(slots=True)
class EpochBuilder:
    """Collects sentences until an epoch is whole, another one begins, or it took too long.

    repeats: sentences passed over because their epoch had been handed out.
    """

    repeats: int = 0
    _mono_ns: int = 0
    _tod_s: float | None = None
    _rmc: Rmc | None = None
    _gga: Gga | None = None
    _gga_seen_ns: int | None = None
    _done: list[float] = field(default_factory=list)

    def add(self, sentence: Rmc | Gga, mono_ns: int) -> list[Epoch]:
        """Return the epochs that this sentence ends, oldest first."""
        if self._gga_seen_ns is None or isinstance(sentence, Gga):
            self._gga_seen_ns = mono_ns
        if sentence.tod_s is None:
            # Before its first fix a receiver may know no time: RMC says so, its GGA would only say it again.
            return [*self.flush(), *([Epoch(mono_ns, None, sentence, None)] if isinstance(sentence, Rmc) else [])]
        if any(abs(sentence.tod_s - known) < SAME_TIME_S for known in self._done):
            self.repeats += 1
            return []
        ended = []
        if self._tod_s is None or abs(sentence.tod_s - self._tod_s) >= SAME_TIME_S:
            ended = self.flush()
            self._tod_s, self._mono_ns = sentence.tod_s, mono_ns
        if isinstance(sentence, Rmc):
            self._rmc = self._rmc or sentence
        else:
            self._gga = self._gga or sentence
        waits_for_gga = self._gga is None and mono_ns - self._gga_seen_ns < GGA_EXPECTED_NS
        if self._rmc is not None and not waits_for_gga:
            ended += self.flush()
        return ended

    def expire(self, mono_ns: int) -> list[Epoch]:
        """Return the open epoch when it has waited too long for its other half."""
        if self._tod_s is None or mono_ns - self._mono_ns < OPEN_FOR_NS:
            return []
        return self.flush()

    def flush(self) -> list[Epoch]:
        """Return the open epoch, if there is one, and close it."""
        if self._tod_s is None:
            return []
        epoch = Epoch(self._mono_ns, self._tod_s, self._rmc, self._gga)
        self._done = [*self._done, self._tod_s][-KEPT_TIMES:]
        self._tod_s = self._rmc = self._gga = None
        return [epoch]
