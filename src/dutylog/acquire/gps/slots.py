"""Gives fixes, which come when they come, their places on the grid of rows."""

from __future__ import annotations

from dataclasses import dataclass

from dutylog.units import FS_PER_NS, NS_PER_S

STRETCH = 0.75
"""How far from its row's instant a fix of a 1 Hz receiver may lie, in periods, before a slot is left out. Half would
do, but then a receiver whose instants fall between two rows would lose rows with every jitter; judgement."""
FAST = 0.6
"""Fixes closer together than this, in periods, come from a receiver faster than the grid."""
WAIT_NS = 2 * NS_PER_S
"""A row kept back for a nearer fix goes out after this long."""


@dataclass(frozen=True, slots=True)
class _Held:
    """A fix that a slot holds. away_ns: from the slot's instant."""

    index: int
    away_ns: int
    values: tuple[float, ...]


class SlotKeeper:
    """One fix a slot: the nearest to its instant where a receiver is faster than the grid.

    Row i lies at t0_ns [monotonic] + i periods. A slot without a fix is left out, none is filled twice, order is kept.
    spare: fixes that no slot needed.
    """

    def __init__(self, t0_ns: int, period_fs: int) -> None:
        self.spare = 0
        self.t0_ns = t0_ns
        self._period_fs = period_fs
        self._last = -1
        self._held: _Held | None = None
        self._previous_ns: int | None = None

    def instant_ns(self, index: int) -> int:
        """Return the instant [monotonic ns] of a row."""
        return self.t0_ns + index * self._period_fs // FS_PER_NS

    def put(self, fix_ns: int, values: tuple[float, ...]) -> list[tuple[int, tuple[float, ...]]]:
        """Return the rows (index, values) that this fix, taken at fix_ns [monotonic], makes final."""
        period_ns = self._period_fs / FS_PER_NS
        is_fast = self._previous_ns is not None and fix_ns - self._previous_ns < FAST * period_ns
        index = self._choose(fix_ns, is_fast)
        self._previous_ns = fix_ns
        rows = self._release() if self._held is not None and index > self._held.index else []
        if index <= self._last:
            self.spare += 1
            return rows
        away_ns = abs(fix_ns - self.instant_ns(index))
        if self._held is None:
            self._held = _Held(index, away_ns, values)
        else:
            self.spare += 1
            if away_ns <= self._held.away_ns:
                self._held = _Held(index, away_ns, values)
        if not is_fast or fix_ns >= self.instant_ns(index):
            rows += self._release()
        return rows

    def expire(self, mono_ns: int) -> list[tuple[int, tuple[float, ...]]]:
        """Return the row that has waited too long for a nearer fix."""
        if self._held is None or mono_ns < self.instant_ns(self._held.index) + WAIT_NS:
            return []
        return self._release()

    def _choose(self, fix_ns: int, is_fast: bool) -> int:
        """Return the slot of a fix: the nearest, or the next in turn where that is still near enough."""
        period_ns = self._period_fs / FS_PER_NS
        nearest = round((fix_ns - self.t0_ns) / period_ns)
        following = self._last + 1
        is_in_turn = self._last >= 0 and self._held is None and not is_fast
        if is_in_turn and abs(fix_ns - self.instant_ns(following)) <= STRETCH * period_ns:
            return following
        return nearest

    def _release(self) -> list[tuple[int, tuple[float, ...]]]:
        held, self._held = self._held, None
        if held is None:
            return []
        self._last = held.index
        return [(held.index, held.values)]
