"""What of a receiver's fixes is believed: nothing because of a checksum alone."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from dutylog.acquire.gps.epochs import Epoch
from dutylog.acquire.gps.fixes import Fix, GateLimits, Track, compute_distance_m, is_reachable
from dutylog.acquire.gps.sentences import Gga, Rmc
from dutylog.units import NS_PER_S

NO_RMC = "no_rmc"
REASONS = (
    "no_fix", "estimated", NO_RMC, "incomplete", "nowhere", "disagree", "hdop", "too_fast",
    "time_back", "time_jump", "speed_step", "jump", "speed_mismatch", "settling",
)  # fmt: skip
"""Why an epoch isn't believed; each is a counter `unbelieved_...` and a row of shared/GPS.md."""

MEASURED_MODES = ("", "A", "D", "F", "P", "R")
MEASURED_QUALITIES = (1, 2, 3, 4, 5)
"""E and 6 are dead reckoning, M and 7 by hand, S and 8 simulated.
Source: gpsd project, "NMEA Revealed" (from memory)."""


@dataclass(slots=True)
class Gate:
    """Believes an epoch or says why not. counts: epochs not believed, by reason; believed: the others."""

    limits: GateLimits = field(default_factory=GateLimits)
    counts: Counter[str] = field(default_factory=Counter)
    believed: int = 0
    last_reason: str = ""
    _track: Track | None = None
    _trial: Track | None = None
    _gga: Gga | None = None
    _gga_ns: int = 0

    @property
    def newest(self) -> Fix | None:
        """Return the fix believed last."""
        return None if self._track is None else self._track.newest

    def judge(self, epoch: Epoch) -> Fix | None:
        """Return the fix where it is believed, else None and one more in `counts`."""
        if epoch.gga is not None:
            self._gga, self._gga_ns = epoch.gga, epoch.mono_ns
        is_known = epoch.mono_ns - self._gga_ns <= self.limits.known_hdop_s * NS_PER_S
        fix = make_fix(epoch, self._gga if is_known else None, self.limits)
        if isinstance(fix, str):
            self._refuse(fix)
            # A GGA by itself contradicts nothing: some receivers send it oftener than RMC, or in turn with it.
            if fix != NO_RMC:
                self._trial = None
            return None
        reason, needed = self._compare_with_track(fix)
        if not reason and self._track is not None:
            self._track.add(fix)
        elif not self._is_settled(fix, needed):
            self._refuse(reason)
            return None
        else:
            self._track = self._trial
        self._trial = None
        self.believed += 1
        self.last_reason = ""
        return fix

    def _compare_with_track(self, fix: Fix) -> tuple[str, int]:
        """Return why this fix isn't believed at once, '' if it is, and how many in a row it takes."""
        limits = self.limits
        if self._track is None:
            return "settling", limits.settle_count
        silent_s = (fix.mono_ns - self._track.newest.mono_ns) / NS_PER_S
        if silent_s <= limits.gap_s:
            return self._track.compare(fix, limits), limits.contrary_count
        if not is_reachable(self._track.newest, fix, silent_s, limits):
            return "jump", limits.contrary_count
        return "settling", limits.settle_count

    def _is_settled(self, fix: Fix, needed: int) -> bool:
        """Add a fix to those on trial, or begin with it anew; return whether enough agree over enough time."""
        if self._trial is None or self._trial.compare(fix, self.limits):
            self._trial = Track(fix)
        else:
            self._trial.add(fix)
        # At 10 Hz three fixes would be 0.2 s, in which nothing can be seen: they must also span the time they
        # take at 1 Hz, a tenth less for jitter of their arrival.
        span_ns = fix.mono_ns - self._trial.first.mono_ns
        return self._trial.count >= needed and span_ns >= 0.9 * (needed - 1) * NS_PER_S

    def _refuse(self, reason: str) -> None:
        self.counts[reason] += 1
        if reason != NO_RMC:
            self.last_reason = reason


def make_fix(epoch: Epoch, gga: Gga | None, limits: GateLimits) -> Fix | str:
    """Return the fix of an epoch where it holds by itself, else the reason against it.

    Args:
        epoch: judged. gga: the newest one known, for the dilution of an epoch that has none of its own.
    """
    rmc = epoch.rmc
    if rmc is None:
        # A receiver that searches often sends a GGA of quality 0 and no more: that is no fix rather than no RMC.
        return "no_fix" if epoch.gga is not None and epoch.gga.quality == 0 else NO_RMC
    reason = _find_invalid(rmc, epoch.gga)
    if reason:
        return reason
    if rmc.tod_s is None or rmc.position_deg is None or rmc.speed_mps is None:
        return "incomplete"
    if rmc.position_deg == (0.0, 0.0):
        return "nowhere"
    if epoch.gga is not None and (
        epoch.gga.position_deg is None or compute_distance_m(rmc.position_deg, epoch.gga.position_deg) > limits.agree_m
    ):
        return "disagree"
    hdop = None if gga is None else gga.hdop
    if hdop is not None and hdop > limits.hdop:
        return "hdop"
    if rmc.speed_mps > limits.speed_mps:
        return "too_fast"
    satellites = None if gga is None else gga.satellites
    return Fix(epoch.mono_ns, rmc.tod_s, *rmc.position_deg, rmc.speed_mps, rmc.date, hdop, satellites)


def _find_invalid(rmc: Rmc, gga: Gga | None) -> str:
    """Return why an epoch is no measured fix by what the receiver itself says, '' where it is one."""
    if not rmc.is_valid or rmc.mode == "N" or (gga is not None and gga.quality == 0):
        # An estimate is often marked void as well; the more telling of the two is counted.
        return "estimated" if rmc.mode == "E" else "no_fix"
    if rmc.mode not in MEASURED_MODES or (gga is not None and gga.quality not in MEASURED_QUALITIES):
        return "estimated"
    return ""
