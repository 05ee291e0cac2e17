"""Can the wall clock be believed, and does monotonic time go on as it should?"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.clock import SYNCHRONIZED, Clock, KernelClock, read_kernel_clock
from dutylog.units import NS_PER_S

SUBJECT = "clock"
FIRST_YEAR = 2024
"""Before dutylog was: a wall clock that says so was never set."""
LAST_YEAR = 2100
STEP_S = 0.02
STEPS = 5
SLACK_S = 2.0
"""A busy board wakes a sleeper late, by less than this (judgement)."""


def check_clock(scene: Scene) -> list[Finding]:
    """Return how it is with wall time and with monotonic time."""
    return [judge_wall_time(scene.clock.utc_ns(), read_kernel_clock()), _judge_monotonic(scene.clock)]


def judge_wall_time(utc_ns: int, kernel: KernelClock, marker: Path = SYNCHRONIZED) -> Finding:
    """Return whether the date can be believed. utc_ns: what it says now."""
    try:
        now = datetime.fromtimestamp(utc_ns / NS_PER_S, UTC)
    except (ValueError, OverflowError, OSError):
        return fail(SUBJECT, f"wall time makes no date ({utc_ns} ns since 1970)", "set the clock, or let NTP set it")
    seen = f"wall time {now:%Y-%m-%d %H:%M} UTC"
    is_possible = FIRST_YEAR <= now.year < LAST_YEAR
    if kernel.is_trusted(marker) and is_possible:
        error = f", off by {kernel.max_error_s:.2f} s at most" if 0 < kernel.max_error_s < 100 else ""
        return passed(SUBJECT, f"{seen} is vouched for{error}")
    if kernel.is_trusted(marker):
        return fail(SUBJECT, f"{seen} is vouched for but can't be", "look at the time server this machine asks")
    why = "was never set" if not is_possible else "isn't vouched for"
    return look(
        SUBJECT,
        f"{seen} {why} since the start; duty is counted by monotonic time, dates will be filled in later",
        "nothing has to be done; a network with a time server for a minute, or a clock with a battery, gives the dates",
    )


def _judge_monotonic(clock: Clock) -> Finding:
    """Sleep a few times and see that monotonic time goes on by as much, or a little more."""
    before_ns = clock.mono_ns()
    for _ in range(STEPS):
        now_ns = clock.mono_ns()
        clock.sleep(STEP_S)
        step_s = (clock.mono_ns() - now_ns) / NS_PER_S
        # A sleep never ends early; the tenth is for clocks that tick coarsely.
        if not 0.9 * STEP_S <= step_s <= STEP_S + SLACK_S:
            text = f"monotonic time went on by {step_s:.3f} s in {STEP_S:g} s of sleep, duty would be wrong"
            return fail(
                SUBJECT, text, "start the machine again; if it stays, its kernel or virtual machine is at fault"
            )
    span_s = (clock.mono_ns() - before_ns) / NS_PER_S
    return passed(SUBJECT, f"monotonic time goes on evenly ({span_s * 1e3:.0f} ms for {STEPS} sleeps)")
