"""Puts the messages of one vehicle together into the snapshots they were made of (shared/TOPICS.md, Followers).

A message is nothing to trust: whoever may publish at the broker can send anything. What isn't of the form, of
another vehicle, kept by the broker from earlier, or older than what is there, is dropped and counted by reason.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from dutylog.clock import Clock
from dutylog.errors import FrameError
from dutylog.publish.broker import Heard, Wanted
from dutylog.publish.snapshot import Snapshot
from dutylog.publish.told import MOST_POSITIONS, DamperTold, VehicleTold, parse_live, parse_status, parse_vehicle
from dutylog.publish.topics import live_pattern, status_topic, vehicle_topic
from dutylog.units import NS_PER_S

OLDER_NS = 10 * NS_PER_S
"""While newer ones came so lately, an older number is late; beyond it whoever counts has begun anew (judgement)."""
WINDOW_NS = 60 * NS_PER_S
"""The quickest way is looked for in one to two of these: clocks of 100 ppm drift 12 ms apart meanwhile (judgement)."""


@dataclass(slots=True)
class BookCounters:
    """Messages since the start, and those that were dropped, by reason."""

    messages_count: int = 0
    garbled_count: int = 0
    retained_count: int = 0
    older_count: int = 0
    surplus_count: int = 0
    incomplete_count: int = 0


@dataclass(frozen=True, slots=True)
class Assembled:
    """A whole snapshot. late_s: how much longer its messages were under way than the quickest lately [s]."""

    snapshot: Snapshot
    late_s: float


class DelayWatch:
    """Notices messages that were long under way, from two clocks that have nothing to do with each other.

    Their difference is an unknown constant plus the way's delay; the least difference lately stands for no
    delay. So a constant delay isn't seen, and clocks that are set wrong don't matter.
    """

    def __init__(self) -> None:
        self._bucket_ns = 0
        self._least_s = math.inf
        self._least_before_s = math.inf

    def late_s(self, sent_s: float, heard_ns: int) -> float:
        """Return how much later than the quickest this came [s]."""
        if heard_ns - self._bucket_ns > WINDOW_NS:
            self._least_before_s, self._least_s, self._bucket_ns = self._least_s, math.inf, heard_ns
        offset_s = heard_ns / NS_PER_S - sent_s
        self._least_s = min(self._least_s, offset_s)
        return offset_s - min(self._least_s, self._least_before_s)


class FollowBook:
    """What was heard of one vehicle. Bounded: thousands of made-up positions take no more room than 64."""

    def __init__(self, vehicle_id: str, clock: Clock) -> None:
        self._vehicle_id = vehicle_id
        self._clock = clock
        self._status_topic = status_topic(vehicle_id)
        self._vehicle_topic = vehicle_topic(vehicle_id)
        self._vehicle: VehicleTold | None = None
        self._vehicle_ns = 0
        self._late_s = 0.0
        self._dampers: OrderedDict[str, DamperTold] = OrderedDict()
        self._is_told = True
        self._delays = DelayWatch()
        self.counters = BookCounters()
        self.is_online: bool | None = None
        """What `status` said last on this connection; None: nothing yet."""

    def wanted(self) -> Sequence[Wanted]:
        """Return what to listen to."""
        return (
            Wanted(self._status_topic, 1, takes_retained=True),
            Wanted(self._vehicle_topic, 0, takes_retained=False),
            Wanted(live_pattern(self._vehicle_id), 0, takes_retained=False),
        )

    def take(self, heard: Heard) -> Assembled | None:
        """Take a message; return a snapshot when it is the last that was missing of one."""
        self.counters.messages_count += 1
        try:
            if heard.topic == self._status_topic:
                self.is_online = parse_status(heard.payload)
                return None
            if heard.is_retained:
                self.counters.retained_count += 1
                return None
            if heard.topic == self._vehicle_topic:
                return self._take_vehicle(parse_vehicle(heard.payload, self._vehicle_id))
            return self._take_damper(parse_live(heard.payload, self._vehicle_id, heard.topic))
        except FrameError:
            self.counters.garbled_count += 1
            return None

    def _take_vehicle(self, told: VehicleTold) -> Assembled | None:
        now_ns = self._clock.mono_ns()
        before = self._vehicle
        if before is not None and before.snapshot.boot_id == told.snapshot.boot_id:
            is_older = told.snapshot.seq <= before.snapshot.seq
            if is_older and now_ns - self._vehicle_ns < OLDER_NS:
                self.counters.older_count += 1
                return None
            self._forget_above(told.snapshot.seq)
        else:
            self._delays = DelayWatch()  # perhaps another boot of the machine, whose clock began anew
        if not self._is_told:
            self.counters.incomplete_count += 1
        self._vehicle, self._vehicle_ns, self._is_told = told, now_ns, False
        self._late_s = self._delays.late_s(told.sent_mono_s, now_ns)
        self.is_online = True
        return self._assemble()

    def _take_damper(self, told: DamperTold) -> Assembled | None:
        position = told.damper.position
        before = self._dampers.get(position)
        is_older = before is not None and before.reading[0] == told.reading[0] and told.seq < before.seq
        if is_older and self._clock.mono_ns() - self._vehicle_ns < OLDER_NS:
            self.counters.older_count += 1
            return None
        self._dampers[position] = told
        self._dampers.move_to_end(position)
        self._forget_surplus()
        return self._assemble()

    def _forget_above(self, seq: int) -> None:
        """Forget dampers with higher numbers than those that count again."""
        for position in [position for position, told in self._dampers.items() if told.seq > seq]:
            del self._dampers[position]

    def _forget_surplus(self) -> None:
        """Forget what was heard longest ago of positions that the vehicle doesn't name."""
        named = self._vehicle.positions if self._vehicle else ()
        surplus = [position for position in self._dampers if position not in named]
        for position in surplus[:-MOST_POSITIONS]:
            del self._dampers[position]
            self.counters.surplus_count += 1

    def _assemble(self) -> Assembled | None:
        vehicle = self._vehicle
        if vehicle is None or self._is_told:
            return None
        dampers = [told for position in vehicle.positions if (told := self._dampers.get(position))]
        if len(dampers) < len(vehicle.positions) or any(told.reading != vehicle.reading for told in dampers):
            return None
        self._is_told = True
        return Assembled(replace(vehicle.snapshot, dampers=tuple(told.damper for told in dampers)), self._late_s)
