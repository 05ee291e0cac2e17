"""What every output is to the publish process: a name, a life in a thread of its own, and its health.

`MqttOutput` (mqtt_output.py) and `InfluxOutput` (influx_output.py) keep to it. An output that hangs
holds up neither the other one nor the intake: it only ever touches the outbox, whose calls are short.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Protocol

STOP_S = 4.0
"""What an output gets after `stop` is set, to send what is ready and hang up; then it is left behind."""
MISSED_PERIODS = 3


@dataclass(frozen=True, slots=True)
class OutputHealth:
    """How an output is doing.

    period_s: how often something is acknowledged when all is well [s]. acked_age_s: time since the last
    acknowledgement, or since the start where none came yet [s]. is_due: something waits to be
    acknowledged. is_refused: the receiver answers, but refuses us (password, token, no such bucket).
    problem: one line for people, "" when there is none; never holds a secret.
    """

    name: str
    period_s: float
    acked_age_s: float
    was_acked: bool
    is_due: bool
    is_refused: bool = False
    problem: str = ""

    @property
    def is_well(self) -> bool:
        """Return whether the receiver acknowledged lately, or nothing was due; 'connected' proves nothing."""
        if self.is_refused:
            return False
        return not self.is_due or self.acked_age_s <= MISSED_PERIODS * self.period_s


class Output(Protocol):
    """One receiver outside."""

    @property
    def name(self) -> str:
        """Return the word that stands in the outbox, in health and in alerts: `mqtt` or `influxdb`."""
        ...

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then finish within STOP_S and return; called again after a failure.

        Errors of the receiver are handled inside (keep, back off). Anything else may be raised: it is
        logged, counted, and `run` is called anew after a while.
        """
        ...

    def wake(self) -> None:
        """Look at the outbox at once (something urgent is there, or `stop` was set); any thread may call."""
        ...

    def health(self) -> OutputHealth:
        """Return how it is doing; any thread may ask, the answer never waits for the receiver."""
        ...
