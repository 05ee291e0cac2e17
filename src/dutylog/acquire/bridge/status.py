"""How the bridge is, in words."""

from __future__ import annotations

from dutylog.acquire.bridge.run import RAW_FULL_SCALE, BridgeRun
from dutylog.acquire.driver import ChannelState, Word
from dutylog.config.sensors import BridgeSettings
from dutylog.recording.block import SPEED, TRAVEL

TRY_OUT = "try-out only: the microcontroller's own converter has steps in its curve; for duty use one of its own"


def describe_run(run: BridgeRun, note: str) -> str:
    """Return one line on a bridge that runs: firmware, clock, what it said last."""
    rate = run.clock.rate()
    parts = [f"firmware {run.identity.version_text}"]
    best_ns = run.clock.best_round_trip_ns
    if best_ns is not None:
        parts.append(f"round trip {best_ns * 1e-6:.2f} ms, clock {run.clock.drift_ppm:+.0f} ppm")
    if not rate.is_as_claimed:
        parts.append(describe_rate(run))
    if note:
        parts.append(f'it said "{note}"')
    return "; ".join(parts)


def describe_rate(run: BridgeRun) -> str:
    """Return the words for a rate that can't be a crystal's error."""
    rate = run.clock.rate()
    return (
        f"a rate that isn't what it claims: {rate.rate_hz:.2f} rows a second, {rate.error_ppm:+.0f} ppm; times are "
        "right all the same, but its crystal or firmware is wrong"
    )


def describe_supply(run: BridgeRun) -> str:
    """Return the words for a supply of the potentiometers that isn't there."""
    percent = 100.0 * (run.reference_raw or 0) / RAW_FULL_SCALE
    return f"the potentiometers' supply reads {percent:.1f} % of the converter's range; check its wire and fuse"


def describe_channels(
    run: BridgeRun | None, word: Word, text: str, settings: BridgeSettings
) -> tuple[ChannelState, ...]:
    """Return each channel's state, in the order of plans; the line's own word and text while nothing is better known.

    run: None while there is none.
    """
    channels = []
    for position in settings.inputs:
        if not position:
            continue
        if run is not None and not run.has_supply:
            channels.append(ChannelState(position, TRAVEL, "wrong", describe_supply(run)))
        elif run is not None and run.identity.is_internal_adc:
            channels.append(ChannelState(position, TRAVEL, word, TRY_OUT))
        else:
            channels.append(ChannelState(position, TRAVEL, word, "" if word == "working" else text))
    if settings.wheel_pulses_per_m is not None:
        if run is not None and not run.identity.has_pulse_input:
            lacking = "the bridge has no pulse input; take wheel_pulses_per_m out of [bridge] or use another board"
            channels.append(ChannelState("", SPEED, "wrong", lacking))
        else:
            channels.append(ChannelState("", SPEED, word, "" if word == "working" else text))
    return tuple(channels)
