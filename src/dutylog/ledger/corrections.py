"""Calibrations that were wrong ever since their sensor was mounted, and the raw log as it reads without them.

A correction replaces one position's calibration in the log's config frames, from the mounting to the correction
itself. The log is never changed: whoever counts it again takes its frames through `CorrectedLog`. Rules:
shared/CALIBRATION.md, Counting the past again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.errors import InputError
from dutylog.ledger.calibrations import ENTRY_KIND, BodyCalibration, TravelCalibration, history
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.recording.block import BODY_TEMPERATURE, TRAVEL
from dutylog.recording.frame import Frame, FrameType

RECOUNTED = "recounted"
"""Kind of the entry that tells which corrections the totals have in them."""
Value = tuple[tuple[float, float], ...] | float
"""A map of counts to mm, or an offset [K]."""
Key = tuple[int | None, int, str, str]


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A calibration as entry and event tell it. entry: None where the log alone knows it. sequence: its place there.

    quantity: TRAVEL or BODY_TEMPERATURE.
    """

    entry: int | None
    sequence: int
    position: str
    quantity: str
    value: Value
    is_remounted: bool
    corrects: bool

    @property
    def key(self) -> Key:
        """Return what names it for ever."""
        return self.entry, self.sequence, self.position, self.quantity

    def value_in(self, damper: Damper) -> Value | None:
        """Return a damper's value of this kind; None where another position's sensor is used."""
        if damper.position != self.position:
            return None
        if self.quantity == BODY_TEMPERATURE:
            return damper.body_offset_k
        return damper.calibration if damper.travel_from is None else None

    def put_in(self, damper: Damper) -> Damper:
        """Return a damper with this calibration."""
        if isinstance(self.value, float):
            return replace(damper, body_offset_k=self.value)
        return replace(damper, calibration=self.value)


@dataclass(frozen=True, slots=True)
class Correction:
    """A calibration that holds for the past, too. mounted: the one since which it does, None: since ever."""

    made: Calibrated
    mounted: Calibrated | None


@dataclass(frozen=True, slots=True)
class Recount:
    """An earlier counting again. sequence: how far the log had been counted. keys: the corrections then in it."""

    sequence: int
    keys: frozenset[Key]


def read_calibrated(ledger: Ledger) -> list[Calibrated]:
    """Return every calibration of the ledger in the order of its chain."""
    return [_of_entry(one) for one in history(ledger)]


def of_event(frame: Frame) -> Calibrated | None:
    """Return the calibration an event of the log tells of, None for any other frame; `entry` as the event says."""
    data = frame.data
    if frame.type is not FrameType.EVENT or data is None or data.get("kind") != ENTRY_KIND:
        return None
    try:
        quantity = str(data["quantity"])
        value: Value = float(data["offset_k"]) if quantity == BODY_TEMPERATURE else _read_map(data)
        flags = data["is_remounted"] is True, data["corrects"] is True
        return Calibrated(int(data["entry"]), frame.sequence, str(data["position"]), quantity, value, *flags)
    except (KeyError, TypeError, ValueError) as err:
        raise InputError(f"event calibrate in frame {frame.sequence} lacks or garbles {err}") from err


def merge(known: Sequence[Calibrated], told: Iterable[Calibrated]) -> list[Calibrated]:
    """Return the ledger's calibrations and those that the log alone knows (a ledger begun anew), by their place.

    known: from `read_calibrated`. told: from `of_event`.
    """
    there = {(one.entry, one.position, one.quantity, one.value) for one in known}
    lost = [replace(one, entry=None) for one in told if (one.entry, one.position, one.quantity, one.value) not in there]
    return sorted([*known, *lost], key=lambda one: one.sequence)


def find_corrections(calibrated: Iterable[Calibrated]) -> list[Correction]:
    """Return the corrections among calibrations given in order, each with the mounting it reaches back to."""
    found, mounted = [], {}
    for one in calibrated:
        sensor = one.position, one.quantity
        if one.is_remounted:
            mounted[sensor] = one
        elif one.corrects:
            found.append(Correction(one, mounted.get(sensor)))
    return found


def read_recounts(ledger: Ledger) -> list[Recount]:
    """Return what was counted again so far, oldest first."""
    found = []
    for entry in ledger.entries_of(RECOUNTED):
        with decoding(ledger.path, f"entry {entry.row}"):
            keys = frozenset(_read_key(one) for one in json.loads(entry.data)["corrections"])
        found.append(Recount(entry.sequence or 0, keys))
    return found


def find_pending(corrections: Iterable[Correction], recounts: Iterable[Recount]) -> list[Correction]:
    """Return the corrections that no recount has taken in yet."""
    done = {key for recount in recounts for key in recount.keys}
    return [one for one in corrections if one.made.key not in done]


def key_to_json(key: Key) -> dict[str, Any]:
    """Return a key as the entry `recounted` has it."""
    entry, sequence, position, quantity = key
    return {"entry": entry, "sequence": sequence, "position": position, "quantity": quantity}


class CorrectedLog:
    """Hands on the frames of a log, in order from its begin, with corrected calibrations in its config frames.

    A damper whose calibration was right must come out the same to the bit, and a change of the configuration ends
    a run of every damper. So where the log's own configuration changed, the engine is made to see a change.
    """

    def __init__(self, corrections: Iterable[Correction], recounts: Iterable[Recount] = ()) -> None:
        self._spans = [_Span(one) for one in corrections]
        self._recounts = sorted(recounts, key=lambda one: one.sequence)
        self._done: set[Key] = set()
        self._logged: Vehicle | None = None
        self._counted: Vehicle | None = None
        self._given: Vehicle | None = None

    @classmethod
    def of_ledger(cls, ledger: Ledger, told: Iterable[Calibrated] = ()) -> CorrectedLog:
        """Return one with the corrections that the ledger's totals have in them. told: the log's own, `of_event`."""
        recounts = read_recounts(ledger)
        done = {key for recount in recounts for key in recount.keys}
        found = find_corrections(merge(read_calibrated(ledger), told))
        return cls((one for one in found if one.made.key in done), recounts)

    @property
    def vehicle(self) -> Vehicle | None:
        """Return the corrected configuration in force, None before the first."""
        return self._given

    @property
    def corrected_positions(self) -> set[str]:
        """Return the positions at which a correction is in force now."""
        return {span.made.position for span in self._spans if span.is_on}

    def take(self, frame: Frame) -> tuple[Frame, ...]:
        """Return what the engine is to be fed in place of a frame."""
        if frame.type is not FrameType.CONFIG or frame.data is None:
            return (frame,)
        logged = Vehicle.from_dict(frame.data)
        counted = self._counted_at(frame.sequence)
        for span in self._spans:
            span.take(logged, frame.sequence)
        given, before = self._correct(logged, lambda _: True), self._given
        self._logged = self._counted = logged
        self._given = given
        frames = [frame if given == logged else replace(frame, data=given.to_dict())]
        if given == before and counted is not None and counted != logged:
            other = logged if logged != given else counted
            frames.insert(0, replace(frame, data=other.to_dict()))
        return tuple(frames)

    def _counted_at(self, sequence: int) -> Vehicle | None:
        """Return the configuration that was counted with just before a frame when it was logged."""
        while self._recounts and self._recounts[0].sequence < sequence:
            self._done |= self._recounts.pop(0).keys
            if self._logged is not None:
                self._counted = self._correct(self._logged, lambda span: span.made.key in self._done)
        return self._counted

    def _correct(self, vehicle: Vehicle, counts: Callable[[_Span], bool]) -> Vehicle:
        dampers = list(vehicle.dampers)
        for span in self._spans:
            if span.is_on and counts(span):
                hit = (d for d in range(len(dampers)) if span.made.value_in(dampers[d]) is not None)
                for d in hit:
                    dampers[d] = span.made.put_in(dampers[d])
        return replace(vehicle, dampers=tuple(dampers))


class _Span:
    """From which config frame to which a correction holds; `take` moves on frame by frame."""

    def __init__(self, correction: Correction) -> None:
        self.made, self._mounted = correction.made, correction.mounted
        self.is_on = self._is_over = False
        self._before: Value | None = None

    def take(self, vehicle: Vehicle, sequence: int) -> None:
        """Take the next configuration of the log.

        A command without a daemon has as its place how far the ledger had counted, and the log may go on a little
        behind that with the old calibration. So begin and end are where the value changes behind the place.
        """
        value = _value_in(vehicle, self.made)
        if value is None or self._is_over:
            return
        mounted = self._mounted
        if mounted is not None and not self.is_on:
            is_behind = sequence > mounted.sequence
            if not is_behind or (value == self._before and value != mounted.value):
                self._before = value
                return
            self._before = None
        if sequence <= self.made.sequence:
            self.is_on, self._before = True, value
        elif value != self._before:
            self.is_on, self._is_over = False, True


def _value_in(vehicle: Vehicle, made: Calibrated) -> Value | None:
    values = (made.value_in(damper) for damper in vehicle.dampers)
    return next((value for value in values if value is not None), None)


def _of_entry(one: TravelCalibration | BodyCalibration) -> Calibrated:
    signed = one.signed
    is_travel = isinstance(one, TravelCalibration)
    value: Value = one.fit.calibration if isinstance(one, TravelCalibration) else one.offset_k
    quantity = TRAVEL if is_travel else BODY_TEMPERATURE
    flags = signed.is_remounted, signed.corrects
    return Calibrated(signed.row, signed.sequence or 0, signed.position, quantity, value, *flags)


def _read_map(data: Mapping[str, Any]) -> Value:
    return tuple((float(raw), float(mm)) for raw, mm in data["calibration_raw_mm"])


def _read_key(data: Mapping[str, Any]) -> Key:
    entry = data["entry"]
    return None if entry is None else int(entry), int(data["sequence"]), str(data["position"]), str(data["quantity"])
