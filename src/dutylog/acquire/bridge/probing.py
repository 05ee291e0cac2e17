"""What `dutylog check` finds on the bridge from two seconds of its samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.bridge.messages import Samples
from dutylog.acquire.bridge.run import FULL_SCALE, RAW_FULL_SCALE, BridgeRun, scale_counts
from dutylog.acquire.bridge.status import TRY_OUT, describe_rate, describe_supply
from dutylog.acquire.driver import Finding
from dutylog.config.sensors import BridgeSettings

FULL_SPEED_BYTES_PER_S = 1_216_000
"""19 bulk packets of 64 bytes in a frame of 1 ms (USB 2.0, section 5.8.4, from memory)."""
_BUSY_PERCENT = 60.0
_ROUGH_RATE = 0.01
"""Two seconds tell a rate to some 0.02 %; more than 1 % off is never the clock's unsureness (judgement)."""
_NOISY_COUNT = 33.0
"""0.1 % of full scale, 0.3 mm of 300 mm: what bad wiring gives, and more than shaft speed can stand (judgement)."""
_RAIL_RATIO = 0.005
_HUM_HZ = (50, 60)
_HUM_TIMES = 20.0
"""A peak of so many times the median power beside it comes from noise once in a million (exponential law)."""
_LEAST_HUM_COUNT = 2.0


@dataclass(frozen=True, slots=True)
class ProbeTake:
    """What came within span_s [s]; the rest are differences of counters over it."""

    frames: tuple[Samples, ...]
    span_s: float
    received_bytes: int
    lost_rows: int
    overruns: int
    bad_frames: int


def judge(take: ProbeTake, run: BridgeRun, settings: BridgeSettings) -> list[Finding]:
    """Return the findings: board, rate, rows, line, clock, supply, then each channel."""
    findings = [_judge_board(run), _judge_rate(take, run, settings), _judge_rows(take), _judge_line(take)]
    findings += [_judge_clock(run), _judge_supply(run)]
    if settings.wheel_pulses_per_m is not None:
        findings.append(_judge_wheel(run, settings.wheel_pulses_per_m))
    counts = _longest_run(take.frames)
    positions = [position for position in settings.inputs if position]
    for position, column in zip(positions, run.columns, strict=True):
        findings.append(_judge_channel(position, counts[:, column], settings.rate_hz))
    return findings


def _judge_board(run: BridgeRun) -> Finding:
    who = run.identity
    text = (
        f"firmware {who.version_text}, board {who.board_id}, {len(who.inputs)} inputs of {who.adc_bits} bits, "
        f"buffer of {who.ring_rows} rows"
    )
    if who.is_internal_adc:
        return Finding("bridge", "look", f"{text}; {TRY_OUT}", "use a converter of its own for duty")
    return Finding("bridge", "pass", text)


def _judge_rate(take: ProbeTake, run: BridgeRun, settings: BridgeSettings) -> Finding:
    """Rows a second by the board's ticks and the host's clock against the claimed ones."""
    subject, claimed_hz = "bridge rate", settings.rate_hz
    if not take.frames:
        return Finding(subject, "fail", f"no rows in {take.span_s:.1f} s", "unplug the bridge and plug it in again")
    rate = run.clock.rate()
    text = f"{rate.rate_hz:.2f} rows a second of {claimed_hz} claimed"
    if not rate.is_as_claimed or abs(rate.error_ppm) > _ROUGH_RATE * 1e6:
        return Finding(
            subject, "fail", f"{text}; {describe_rate(run)}", "put the firmware on it anew; else another board"
        )
    return Finding(subject, "pass", text)


def _judge_rows(take: ProbeTake) -> Finding:
    got = sum(len(frame.raw) for frame in take.frames)
    text = f"{got} rows came, {take.lost_rows} lost ({take.overruns} on the board), {take.bad_frames} damaged frames"
    if take.lost_rows or take.bad_frames or not got:
        return Finding("bridge rows", "fail", text, "another cable, plug into the computer itself, away from the coil")
    return Finding("bridge rows", "pass", text)


def _judge_line(take: ProbeTake) -> Finding:
    bytes_per_s = take.received_bytes / take.span_s
    percent = 100.0 * bytes_per_s / FULL_SPEED_BYTES_PER_S
    text = f"{bytes_per_s / 1e3:.1f} kB/s, {percent:.1f} % of what a full-speed USB line carries"
    if percent > _BUSY_PERCENT:
        return Finding("bridge line", "look", text, "lower [bridge] rate_hz")
    return Finding("bridge line", "pass", text)


def _judge_clock(run: BridgeRun) -> Finding:
    best_ns = run.clock.best_round_trip_ns or 0
    text = f"round trip {best_ns * 1e-6:.2f} ms at best, so rows are timed to {best_ns * 0.5e-6:.2f} ms"
    if best_ns > 4_000_000:
        return Finding("bridge clock", "look", text, "plug it into the computer itself; is the computer busy?")
    return Finding("bridge clock", "pass", text)


def _judge_supply(run: BridgeRun) -> Finding:
    subject = "potentiometer supply"
    if not run.reference_raw:
        text = "not measured: travel follows every change of the supply"
        return Finding(subject, "look", text, "wire the supply to the bridge's reference input")
    if not run.has_supply:
        return Finding(subject, "fail", describe_supply(run), "check its wire and fuse")
    return Finding(subject, "pass", f"{100.0 * run.reference_raw / RAW_FULL_SCALE:.1f} % of the converter's range")


def _judge_wheel(run: BridgeRun, pulses_per_m: float) -> Finding:
    if run.wheel is None:
        text = "the bridge has no pulse input"
        return Finding("wheel", "fail", text, "take wheel_pulses_per_m out of [bridge] or use another board")
    text = (
        f"{pulses_per_m:g} pulses a metre: speed is told in steps of {run.wheel.resolution_mps:.2f} m/s when crawling"
    )
    return Finding("wheel", "pass", text)


def _longest_run(frames: tuple[Samples, ...]) -> NDArray[np.int16]:
    """Return the rows of the longest run without a hole, each put to the log's scale by its own reference."""
    best: list[Samples] = []
    now: list[Samples] = []
    for frame in frames:
        if now and frame.first_index32 != (now[-1].first_index32 + len(now[-1].raw)) % (1 << 32):
            now = []
        now.append(frame)
        if sum(len(f.raw) for f in now) > sum(len(f.raw) for f in best):
            best = list(now)
    if not best:
        return np.empty((0, 256), np.int16)
    return np.concatenate([scale_counts(frame.raw, frame.reference_raw) for frame in best])


def _judge_channel(position: str, counts: NDArray[np.int16], rate_hz: int) -> Finding:
    """One channel: does it stand at an end, how much noise, is there hum."""
    subject = f"travel {position}"
    if len(counts) < rate_hz / 2:
        return Finding(subject, "fail", f"{len(counts)} rows in a run, too few to judge", "see bridge rows")
    values = counts.astype(np.float64)
    end = _RAIL_RATIO * FULL_SCALE
    middle = float(np.median(values))
    if np.mean(values <= end) > 0.99 or np.mean(values >= FULL_SCALE - end) > 0.99:
        text = f"at {middle:.0f} of 0 to {FULL_SCALE} counts: not connected or at its end?"
        return Finding(subject, "look", text, "move the damper; if it stays, check plug, signal and supply wire")
    noise = compute_noise_count(values)
    text = f"at {middle:.0f} counts, noise {noise:.1f} counts rms"
    hum = find_hum(values, rate_hz)
    if hum is not None:
        text += f", hum of {hum[0]} Hz with {hum[1]:.1f} counts"
        remedy = "shielded cable, shield to ground at one end, away from mains and alternator"
        return Finding(subject, "look", text, remedy, position, noise)
    if noise > _NOISY_COUNT:
        return Finding(subject, "look", text, "check plug, ground and shield of the sensor", position, noise)
    return Finding(subject, "pass", text, "", position, noise)


def compute_noise_count(values: NDArray[np.float64]) -> float:
    """Return the rms of white noise on a slow signal [counts].

    Source:
        The second difference of white noise has 1 + 4 + 1 = 6 times its variance, and motion slow against the
        spacing of rows leaves next to nothing in it (derivation).
    """
    return float(np.std(np.diff(values, 2)) / np.sqrt(6.0))


def find_hum(values: NDArray[np.float64], rate_hz: int) -> tuple[int, float] | None:
    """Return mains frequency [Hz] and amplitude [counts] of a hum that stands out of what is beside it, or None."""
    if rate_hz < 4 * max(_HUM_HZ) or len(values) < rate_hz / 2:
        return None
    window = np.hanning(len(values))
    power = np.abs(np.fft.rfft((values - values.mean()) * window)) ** 2
    frequencies = np.fft.rfftfreq(len(values), 1.0 / rate_hz)
    found = []
    for hum_hz in _HUM_HZ:
        near = np.abs(frequencies - hum_hz) <= 1.5
        beside = (np.abs(frequencies - hum_hz) > 4.0) & (np.abs(frequencies - hum_hz) <= 25.0)
        peak = float(power[near].max())
        amplitude = 2.0 * float(np.sqrt(peak)) / float(window.sum())
        if amplitude >= _LEAST_HUM_COUNT and peak > _HUM_TIMES * float(np.median(power[beside])):
            found.append((amplitude, hum_hz))
    return (max(found)[1], max(found)[0]) if found else None
