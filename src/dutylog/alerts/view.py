"""What alerts are judged by: the vehicle at one moment, with what the last minutes brought."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from dutylog.units import NS_PER_S

COVERAGE_NS = 600 * NS_PER_S
COVERAGE_STEP_NS = 10 * NS_PER_S
LEAST_MOVING_US = 60_000_000
"""With less motion than this in the window a share of it says nothing."""
BOTTOMED_NS = 300 * NS_PER_S
MOST_BOTTOM_OUTS = 100
"""So many are told apart; more say nothing more."""


@dataclass(slots=True)
class DamperView:
    """One damper; names and units as in shared/SNAPSHOT.md, None: unknown.

    unit_id: empty before the first reading: then nothing is known of it. recent_measured_ratio: share of the motion
    of the last 10 minutes that was measured, None with too little of it; has_ten_minutes: whether so much is known.
    recent_bottom_outs_count: of the last 5 minutes; has_five_minutes: as above.
    """

    position: str
    unit_id: str
    state: str
    state_text: str
    faults: tuple[str, ...]
    body_c: float | None
    body_limit_c: float
    oil_c: float | None = None
    oil_limit_c: float | None = None
    forecast_kind: str | None = None
    to_limit_low_s: float | None = None
    forecast_text: str | None = None
    damping_state: str | None = None
    damping_text: str | None = None
    gas_leaking: bool | None = None
    gas_text: str | None = None
    recent_measured_ratio: float | None = None
    has_ten_minutes: bool = False
    recent_bottom_outs_count: int = 0
    trip_bottom_outs_count: int | None = None
    has_five_minutes: bool = False


@dataclass(slots=True)
class VehicleView:
    """The vehicle. not_stored_s: the longest that the disk has taken nothing of something [s]."""

    dampers: dict[str, DamperView]
    not_stored_s: float
    source_text: str
    utc_trusted: bool


class RecentMotion:
    """Motion and bottom-outs of one damper in the last minutes, from totals that only rise."""

    def __init__(self) -> None:
        self._unit_id = ""
        self._since_ns = 0
        self._marks: deque[tuple[int, int, int]] = deque()
        self._newest = (0, 0, 0)
        self._bottom_outs_count = 0
        self._bottom_outs_ns: deque[int] = deque(maxlen=MOST_BOTTOM_OUTS)

    def take(self, now_ns: int, unit_id: str, moving_us: int, measured_us: int, bottom_outs_count: int) -> None:
        """Take life totals of a moment in; another damper, or totals that fell, begin anew.

        Args:
            now_ns: a clock of its own that never goes back [ns]. moving_us, measured_us: time in motion, and
                the measured part of it.
        """
        if unit_id != self._unit_id or moving_us < self._newest[1] or bottom_outs_count < self._bottom_outs_count:
            self._unit_id, self._since_ns, self._bottom_outs_count = unit_id, now_ns, bottom_outs_count
            self._marks.clear()
            self._bottom_outs_ns.clear()
        self._newest = (now_ns, moving_us, measured_us)
        marks = self._marks
        if not marks or now_ns - marks[-1][0] >= COVERAGE_STEP_NS:
            marks.append(self._newest)
            while now_ns - marks[0][0] > COVERAGE_NS:
                marks.popleft()
        if bottom_outs_count > self._bottom_outs_count:
            new = min(bottom_outs_count - self._bottom_outs_count, MOST_BOTTOM_OUTS)
            self._bottom_outs_ns.extend([now_ns] * new)
            self._bottom_outs_count = bottom_outs_count
        while self._bottom_outs_ns and now_ns - self._bottom_outs_ns[0] > BOTTOMED_NS:
            self._bottom_outs_ns.popleft()

    def measured_ratio(self) -> float | None:
        """Return the measured share of the motion of the last 10 minutes, None with less than a minute of it."""
        _, first_moving_us, first_measured_us = self._marks[0]
        moving_us = self._newest[1] - first_moving_us
        if moving_us < LEAST_MOVING_US:
            return None
        return (self._newest[2] - first_measured_us) / moving_us

    @property
    def bottom_outs_count(self) -> int:
        """Return the bottom-outs of the last 5 minutes."""
        return len(self._bottom_outs_ns)

    def lasts(self, span_ns: int) -> bool:
        """Return whether a span of time before now is known in full."""
        return self._newest[0] - self._since_ns >= span_ns
