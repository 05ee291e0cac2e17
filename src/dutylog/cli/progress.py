"""How far a long command is, on standard error."""

from __future__ import annotations

import click

from dutylog.clock import Clock
from dutylog.units import NS_PER_S

_STEP = 0.01


class ProgressLine:
    """One line for a person, written anew; only of work that lasts over a second."""

    def __init__(self, clock: Clock, what: str) -> None:
        """what: is going on, in two or three words."""
        self._clock = clock
        self._what = what
        self._next_ns = clock.mono_ns() + NS_PER_S
        self._is_shown = False

    def show(self, share: float) -> None:
        """Tell the share done, 0..1, twice a second at most."""
        now_ns = self._clock.mono_ns()
        if now_ns >= self._next_ns:
            self._next_ns, self._is_shown = now_ns + NS_PER_S // 2, True
            click.echo(f"\r{self._what}: {share:4.0%}", err=True, nl=False)

    def clear(self) -> None:
        """Take the line away."""
        if self._is_shown:
            click.echo("\r" + " " * (len(self._what) + 8) + "\r", err=True, nl=False)


class ProgressLines:
    """A line for each hundredth, for a program that shows it."""

    def __init__(self) -> None:
        self._next = 0.0

    def show(self, share: float) -> None:
        """Tell the share done, 0..1."""
        if share >= self._next:
            self._next = share + _STEP
            click.echo(f"progress {share:.2f}", err=True)

    def clear(self) -> None:
        """Say nothing more."""
