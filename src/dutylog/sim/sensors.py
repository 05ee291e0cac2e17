"""What sensors make of the truth: counts, noise, hum, rounding and scripted faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.errors import InputError

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TRAVEL_HZ = 1000
SLOW_HZ = 10
"""Temperatures and speed are one stream: each stream costs a header of a frame a second."""

THERMOCOUPLE_STEP_K = 0.0625
"""Step of common thermocouple converters (reference file 10_i2c_devices.json, hot junction register)."""

SPEED_STEP_MPS = 2.0**-6
"""16 mm/s, a sixth of what satellite receivers promise; a power of two packs in half the room of 0.01. Judgement."""

FAULT_KINDS = ("travel_open", "travel_stuck", "spike", "gap", "thermocouple_open")


@dataclass(frozen=True, slots=True)
class ScriptedFault:
    """Something that goes wrong on purpose.

    kind: travel_open (wire off, reads the upper rail), travel_stuck (value frozen, noise goes on),
    spike (`count` single wrong samples), gap (travel samples of all positions never arrive),
    thermocouple_open (no reading). position: '' for a gap.
    """

    kind: str
    position: str
    start_s: float
    seconds: float
    count: int = 0

    def __post_init__(self) -> None:
        if self.kind not in FAULT_KINDS or self.seconds <= 0.0 or (self.kind == "spike") != (self.count > 0):
            raise InputError(f"scripted fault {self} makes no sense; kinds are {', '.join(FAULT_KINDS)}")


@dataclass(frozen=True, slots=True)
class SensorParameters:
    """How good the sensors are; all noise is gaussian, rms.

    rails_counts: lowest and highest reading of the converter: (0, 4095) for 12 bit, (0, 32767) for
    a 16-bit one that measures against ground. hum: ((Hz, amplitude in mm), ...).
    """

    travel_noise_mm: float = 0.05
    hum: tuple[tuple[float, float], ...] = ()
    rails_counts: tuple[int, int] = (0, 4095)
    body_noise_k: float = 0.05
    ambient_noise_k: float = 0.1
    speed_noise_mps: float = 0.05


class TravelSensors:
    """Travel of all wheels of all runs to counts, one sample after the other."""

    def __init__(
        self,
        dampers: Sequence[Damper],
        parameters: SensorParameters,
        faults: Sequence[ScriptedFault],
        seed: int,
    ) -> None:
        """Raises InputError when a damper has no calibration or a fault names an unknown position."""
        self._parameters = parameters
        self._columns = [_raw_over_mm(damper) for damper in dampers]
        self._wheel_of = {damper.position: wheel for wheel, damper in enumerate(dampers)}
        self._rng = np.random.default_rng((seed, 2))
        self._hum_phases = np.random.default_rng((seed, 3)).uniform(0.0, 2.0 * np.pi, len(parameters.hum))
        self._faults = [_Placed.at(fault, self._wheel_of, seed, number) for number, fault in enumerate(faults)]
        self._frozen_mm: dict[int, Floats] = {}

    def read_counts(self, first_index: int, travel_m: Floats) -> NDArray[np.int16]:
        """Return counts (n, runs, wheels) of true travel [m] from sample `first_index` on."""
        travel_mm = travel_m * 1e3
        self._freeze(first_index, travel_mm)
        noisy_mm = travel_mm + self._parameters.travel_noise_mm * self._rng.standard_normal(travel_mm.shape)
        time_s = (first_index + np.arange(len(travel_mm))) / TRAVEL_HZ
        for (hz, amplitude_mm), phase in zip(self._parameters.hum, self._hum_phases, strict=True):
            noisy_mm += (amplitude_mm * np.sin(2.0 * np.pi * hz * time_s + phase))[:, None, None]
        raw = np.empty_like(noisy_mm)
        for wheel, (mm, counts) in enumerate(self._columns):
            raw[:, :, wheel] = _interpolate(noisy_mm[:, :, wheel], mm, counts)
        self._spoil(first_index, raw)
        low, high = self._parameters.rails_counts
        return np.clip(np.rint(raw), low, high).astype(np.int16)

    def kept(self, first_index: int, n: int) -> Flags:
        """Return which of n samples arrive at all."""
        kept = np.ones(n, dtype=np.bool_)
        for fault in self._faults:
            if fault.kind == "gap":
                kept[fault.span(first_index, n)] = False
        return kept

    def valid(self, first_index: int, n: int) -> Flags | None:
        """Return (n, wheels) True where the signal shows the true travel; None when all of it does.

        Spikes don't count: one sample is mended, not lost.
        """
        valid: Flags | None = None
        for fault in self._faults:
            span = fault.span(first_index, n)
            if fault.kind in ("travel_open", "travel_stuck", "gap") and span.start < span.stop:
                if valid is None:
                    valid = np.ones((n, len(self._columns)), dtype=np.bool_)
                valid[span, slice(None) if fault.kind == "gap" else fault.wheel] = False
        return valid

    def _freeze(self, first_index: int, travel_mm: Floats) -> None:
        """Hold stuck sensors at the value they had when it began."""
        for number, fault in enumerate(self._faults):
            span = fault.span(first_index, len(travel_mm))
            if fault.kind == "travel_stuck" and span.start < span.stop:
                held = self._frozen_mm.setdefault(number, travel_mm[span.start, :, fault.wheel].copy())
                travel_mm[span, :, fault.wheel] = held

    def _spoil(self, first_index: int, raw: Floats) -> None:
        """Put open wires and spikes over the readings."""
        low, high = self._parameters.rails_counts
        for fault in self._faults:
            span = fault.span(first_index, len(raw))
            if fault.kind == "travel_open":
                raw[span, :, fault.wheel] = high
            elif fault.kind == "spike":
                inside = (fault.samples >= first_index) & (fault.samples < first_index + len(raw))
                rows = fault.samples[inside] - first_index
                raw[rows, :, fault.wheel] += (fault.jumps[inside] * (high - low))[:, None]


@dataclass(frozen=True, slots=True)
class _Placed:
    """A fault on the sample grid."""

    kind: str
    wheel: int
    start: int
    stop: int
    samples: NDArray[np.int64]
    jumps: Floats

    @staticmethod
    def at(fault: ScriptedFault, wheel_of: dict[str, int], seed: int, number: int) -> _Placed:
        """Place a fault; spikes get their samples and heights here."""
        if fault.kind != "gap" and fault.position not in wheel_of:
            raise InputError(f"scripted fault names position {fault.position!r}, there are {', '.join(wheel_of)}")
        start = round(fault.start_s * TRAVEL_HZ)
        stop = start + max(1, round(fault.seconds * TRAVEL_HZ))
        rng = np.random.default_rng((seed, 4, number))
        # spikes stand at least 10 samples apart, so that each is a fault of its own
        choices = np.arange(start, stop, 10)
        samples = np.sort(rng.choice(choices, min(fault.count, len(choices)), replace=False))
        jumps = rng.uniform(0.1, 0.4, len(samples)) * rng.choice((-1.0, 1.0), len(samples))
        return _Placed(fault.kind, wheel_of.get(fault.position, -1), start, stop, samples, jumps)

    def span(self, first_index: int, n: int) -> slice:
        """Return the part of samples first_index.. + n that the fault covers, relative to the first."""
        start = min(max(self.start - first_index, 0), n)
        return slice(start, min(max(self.stop - first_index, start), n))


class SlowSensors:
    """Thermocouples of the bodies, air temperature and vehicle speed."""

    def __init__(
        self, dampers: Sequence[Damper], parameters: SensorParameters, faults: Sequence[ScriptedFault], seed: int
    ) -> None:
        self._parameters = parameters
        wheel_of = {damper.position: wheel for wheel, damper in enumerate(dampers)}
        self._open = [(wheel_of[f.position], f) for f in faults if f.kind == "thermocouple_open"]
        self._body_rng, self._ambient_rng, self._speed_rng = (np.random.default_rng((seed, n)) for n in (5, 6, 7))

    def read_body_c(self, time_s: float, body_c: Floats) -> NDArray[np.float32]:
        """Return one reading (runs, wheels) [degC], NaN where the thermocouple is open."""
        noisy = body_c + self._parameters.body_noise_k * self._body_rng.standard_normal(body_c.shape)
        reading = np.rint(noisy / THERMOCOUPLE_STEP_K) * THERMOCOUPLE_STEP_K
        for wheel, fault in self._open:
            if fault.start_s <= time_s < fault.start_s + fault.seconds:
                reading[:, wheel] = np.nan
        return reading.astype(np.float32)

    def read_ambient_c(self, ambient_c: float) -> float:
        """Return one reading of the air temperature [degC], of the moment of the bodies'."""
        noisy = ambient_c + self._parameters.ambient_noise_k * float(self._ambient_rng.standard_normal())
        return round(noisy / THERMOCOUPLE_STEP_K) * THERMOCOUPLE_STEP_K

    def read_speed_mps(self, speed_mps: float) -> float:
        """Return one reading of the speed over ground [m/s], never negative."""
        noisy = speed_mps + self._parameters.speed_noise_mps * float(self._speed_rng.standard_normal())
        return abs(round(noisy / SPEED_STEP_MPS)) * SPEED_STEP_MPS


def _raw_over_mm(damper: Damper) -> tuple[Floats, Floats]:
    """Return a damper's calibration turned round: travel [mm], increasing, and its counts."""
    if len(damper.calibration) < 2:
        raise InputError(f"damper {damper.position} has no calibration; a simulated sensor needs two points or more")
    counts, mm = (np.array(column) for column in zip(*damper.calibration, strict=True))
    order = slice(None) if mm[-1] > mm[0] else slice(None, None, -1)
    if np.any(np.diff(mm[order]) <= 0.0):
        raise InputError(f"calibration of damper {damper.position} turns back; travel must rise or fall throughout")
    return mm[order], counts[order]


def _interpolate(value: Floats, points: Floats, results: Floats) -> Floats:
    """Return a polyline's value, its end pieces extended."""
    piece = np.clip(np.searchsorted(points, value, side="right") - 1, 0, len(points) - 2)
    slope = np.diff(results) / np.diff(points)
    return np.asarray(results[piece] + slope[piece] * (value - points[piece]))
