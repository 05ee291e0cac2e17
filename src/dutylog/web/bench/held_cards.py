"""Cards that were refused and that a manager may still accept: their bytes, for a few minutes, in memory alone."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

from dutylog.bench.taking_in import TakenIn
from dutylog.clock import Clock
from dutylog.units import NS_PER_S

MOST_HELD = 8
HELD_S = 900.0
"""Until the owner was asked on the telephone. Judgement, as the other."""


@dataclass(frozen=True, slots=True)
class RefusedCard:
    """A card that was read and refused. refusals: (code, line) each. by: who brought it. key: '' while not held."""

    name: str
    data: bytes
    label: str
    sequence: int
    key_id: str
    refusals: tuple[tuple[str, str], ...]
    is_acceptable: bool
    by: str
    key: str = ""
    since_ns: int = 0


def refused_card(name: str, data: bytes, found: TakenIn, by: str) -> RefusedCard:
    """Return what a page tells of a card that was refused. name: of its file. by: who brought it."""
    lines = tuple((one.code, one.text) for one in found.verdict.refusals)
    card, is_acceptable = found.card, bool(found.verdict.acceptable)
    return RefusedCard(name, data, card.label, card.sequence, card.key_id, lines, is_acceptable, by)


class HeldCards:
    """Finds a card's bytes by their SHA-256; may be asked by several threads."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._held: OrderedDict[str, RefusedCard] = OrderedDict()
        self._lock = threading.Lock()

    def hold(self, card: RefusedCard) -> RefusedCard:
        """Keep a card and return it with the name it is found by."""
        key = hashlib.sha256(card.data).hexdigest()
        kept = replace(card, key=key, since_ns=self._clock.mono_ns())
        with self._lock:
            self._held.pop(key, None)
            self._held[key] = kept
            if len(self._held) > MOST_HELD:
                self._held.popitem(last=False)
        return kept

    def find(self, key: str) -> RefusedCard | None:
        """Return a card, None where it is held no longer."""
        return next((one for one in self.listed() if one.key == key), None)

    def listed(self) -> tuple[RefusedCard, ...]:
        """Return all cards that are held, the newest first."""
        with self._lock:
            for key in [key for key, one in self._held.items() if self.left_s(one) < 0.0]:
                del self._held[key]
            return tuple(reversed(self._held.values()))

    def left_s(self, card: RefusedCard) -> float:
        """Return for how long a card is still held [s]."""
        return HELD_S - (self._clock.mono_ns() - card.since_ns) / NS_PER_S

    def drop(self, key: str) -> None:
        """Forget a card."""
        with self._lock:
            self._held.pop(key, None)
