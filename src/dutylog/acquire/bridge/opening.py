"""From an open port to a board that samples: who is there, does it fit, how far is its clock."""

from __future__ import annotations

from dutylog.acquire.bridge.conversation import Conversation, PingTimes
from dutylog.acquire.bridge.messages import (
    DONE,
    IDENTIFY,
    NOT_NOW,
    RATE,
    START,
    STOP,
    Identity,
)
from dutylog.acquire.bridge.run import BridgeRun
from dutylog.clock import Clock
from dutylog.config.sensors import BridgeSettings
from dutylog.errors import SourceLost, WrongDevice
from dutylog.units import NS_PER_S

IDENTIFY_LIMIT_S = 2.0
_ASK_EVERY_S = 0.5
"""A board that is starting, or a frame damaged on the way: it is asked four times in all."""
FIRST_PINGS = 20
"""The best of 20 round trips evenly spread over 0.3 to 5 ms is 0.5 ms on average, so rows begin within a quarter of
a millisecond of the truth (derivation)."""
_PING_LIMIT_S = 0.05
_PINGS_LIMIT_S = 1.0


def begin_run(talk: Conversation, port: str, settings: BridgeSettings, clock: Clock) -> BridgeRun:
    """Find the board, make it fit and start it.

    Raises:
        SourceLost: silent, or it doesn't answer commands; asked again later.
        WrongDevice: something else answers, or a board that doesn't do what the vehicle file asks of it.
    """
    identity = _identify(talk, port, clock)
    _check(identity, port, settings)
    if identity.is_running:
        _obey(talk, STOP, port)
    if identity.rate_hz != settings.rate_hz:
        _obey(talk, RATE, port, settings.rate_hz)
    run = BridgeRun(identity, settings)
    _ping(talk, run, port, clock)
    _obey(talk, START, port)
    return run


def _identify(talk: Conversation, port: str, clock: Clock) -> Identity:
    """Return who is there, asked again and again within IDENTIFY_LIMIT_S."""
    talk.end_unfinished()
    begin_ns = clock.mono_ns()
    asked = 0
    while (since_s := (clock.mono_ns() - begin_ns) / NS_PER_S) < IDENTIFY_LIMIT_S:
        if since_s >= asked * _ASK_EVERY_S:
            talk.send(IDENTIFY)
            asked += 1
        until_s = min(asked * _ASK_EVERY_S, IDENTIFY_LIMIT_S)
        for message in talk.read(until_s - since_s):
            if isinstance(message, Identity):
                return message
    raise _nobody(talk, port)


def _nobody(talk: Conversation, port: str) -> SourceLost | WrongDevice:
    """Return the error that says what came instead of an identity."""
    waited = f"{IDENTIFY_LIMIT_S:g} s"
    if not talk.received_bytes:
        return SourceLost(
            f"{port}: silent for {waited}, expected the bridge's identity; has it power, is its firmware on it, "
            "is this the right port?"
        )
    if talk.echoes:
        return WrongDevice(
            f"{port}: sends back what it is sent, expected the bridge's identity; another device or a loop in the "
            "wiring: set [bridge] device"
        )
    if talk.frames:
        return SourceLost(
            f"{port}: the bridge sends frames but no identity within {waited}; unplug it and plug it in again"
        )
    return WrongDevice(
        f"{port}: {talk.received_bytes} bytes in {waited} that are no frames of the bridge, beginning with "
        f"{talk.describe_bytes()}; another device, wrong baud or no firmware on it: set [bridge] device"
    )


def _check(identity: Identity, port: str, settings: BridgeSettings) -> None:
    """Raise WrongDevice where the board lacks an input that the vehicle file names."""
    there = ", ".join(str(number) for number in identity.inputs)
    for number, position in enumerate(settings.inputs):
        if position and number not in identity.inputs:
            raise WrongDevice(
                f"{port}: the bridge has {len(identity.inputs)} inputs ({there}), [bridge] inputs puts {position} on "
                f"input {number}; use one it has"
            )


def _obey(talk: Conversation, kind: int, port: str, rate_hz: int | None = None) -> None:
    """Have a command carried out."""
    reply = talk.command(kind, rate_hz)
    if reply.status == DONE:
        return
    if kind == RATE and reply.status != NOT_NOW:
        raise WrongDevice(f"{port}: the bridge refuses {rate_hz} rows a second ({reply.text}); set [bridge] rate_hz")
    names = {START: "to start", STOP: "to stop", RATE: f"{rate_hz} rows a second"}
    raise SourceLost(f"{port}: the bridge refuses {names[kind]} ({reply.text}); unplug it and plug it in again")


def _ping(talk: Conversation, run: BridgeRun, port: str, clock: Clock) -> None:
    """Exchange the first pings, one after the other."""
    end_ns = clock.mono_ns() + round(_PINGS_LIMIT_S * NS_PER_S)
    answered = 0
    for _ in range(FIRST_PINGS):
        talk.send_ping()
        until_ns = min(clock.mono_ns() + round(_PING_LIMIT_S * NS_PER_S), end_ns)
        before = answered
        while answered == before and (left_ns := until_ns - clock.mono_ns()) > 0:
            for message in talk.read(left_ns / NS_PER_S):
                if isinstance(message, PingTimes):
                    add_ping(run, message)
                    answered += 1
    if not answered:
        raise SourceLost(f"{port}: the bridge answers no pings; unplug it and plug it in again")


def add_ping(run: BridgeRun, times: PingTimes) -> None:
    """Give a ping to the clock of a run."""
    run.clock.add_ping(times.sent_ns, times.received_ns, times.pong.received_tick32, times.pong.sent_tick32)
