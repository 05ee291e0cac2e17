"""What a ledger lacks of the raw log it stands beside: dampers, where they sat, and epochs.

A ledger that was moved aside or put back from a backup knows less than the log. Dampers keep their
unit_id, for it names them for ever, and epochs their numbers, so that nothing is counted twice.
"""

from __future__ import annotations

from typing import Any

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.engine import is_named
from dutylog.errors import LedgerCorrupt, LedgerError
from dutylog.ledger.calibrations import ENTRY_KIND
from dutylog.ledger.corrections import merge, of_event, read_calibrated
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Epoch
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.state import INSTALL, REMOVE

RECORDING = "recording"


class Adopter:
    """Follows the frames of a log and writes what the ledger doesn't know of them.

    notes: lines for people.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        # A ledger put right lacks what was changed since its backup: there the log knows who sits where.
        self._is_recovering = ledger.is_recovering()
        self._adopted: set[str] = set()
        self._refining = 0
        self.notes: list[str] = []

    def follow(self, frame: Frame) -> None:
        """Take the next frame, before the engine does."""
        data = frame.data or {}
        if frame.type is FrameType.EVENT and data.get("kind") == INSTALL and is_named(str(data["unit_id"])):
            self._take_unit(data)
            if self._is_recovering:
                self._move(str(data["position"]), str(data["unit_id"]), frame.sequence)
        elif frame.type is FrameType.EVENT and data.get("kind") == REMOVE and self._is_recovering:
            self._move(str(data["position"]), None, frame.sequence)
        elif frame.type is FrameType.EVENT and data.get("kind") == ENTRY_KIND and self._is_recovering:
            self._note_calibration(frame)
        elif frame.type is FrameType.SEGMENT_HEAD and frame.epoch:
            self._take_epoch(frame, data)
        elif frame.type is FrameType.CLOCK and self._refining == frame.epoch:
            self._take_clock(frame.epoch, data)

    def reinstall(self, vehicle: Vehicle, installs: dict[str, dict[str, Any]], sequence: int) -> None:
        """Put adopted dampers where the log says they are, unless the ledger or the configuration knows better.

        installs: fields of the install events in force. sequence: number of the next frame.
        """
        if self._is_recovering:
            self._settle(vehicle, installs, sequence)
            return
        installed = self._ledger.installed()
        for damper in vehicle.dampers:
            fields = installs.get(damper.position, {})
            unit_id = fields.get("unit_id")
            if unit_id not in self._adopted or damper.position in installed or fields["profile"] != damper.profile:
                continue
            if damper.serial in (None, fields["serial"]):
                self._ledger.install(unit_id, damper.position, sequence=sequence)

    def _settle(self, vehicle: Vehicle, installs: dict[str, dict[str, Any]], sequence: int) -> None:
        """Put every damper where the log says it is now; what the configuration said before counts as said."""
        positions = {damper.position for damper in vehicle.dampers}
        for position, fields in installs.items():
            if position in positions and is_named(str(fields["unit_id"])):
                self._take_unit(fields)
                self._move(position, str(fields["unit_id"]), sequence)
        serials = {d.position: d.serial for d in vehicle.dampers if d.position in installs}
        self._ledger.put_config_serials({**self._ledger.config_serials(), **serials})
        self._ledger.end_recovery()
        self._is_recovering = False

    def _move(self, position: str, unit_id: str | None, sequence: int) -> None:
        """Make a damper, or none, sit at a position from a frame on."""
        try:
            installed = self._ledger.installed()
            there = {unit.unit_id: place for place, unit in installed.items()}
            if position in installed and installed[position].unit_id == unit_id:
                return
            if position in installed:
                self._ledger.remove(installed[position].unit_id, sequence=sequence)
            if unit_id is not None and unit_id in there:
                self._ledger.remove(unit_id, sequence=sequence)
            if unit_id is not None:
                self._ledger.install(unit_id, position, sequence=sequence)
        except LedgerCorrupt:
            raise
        except LedgerError as err:  # a position or profile that the configuration no longer has
            self.notes.append(f"frame {sequence} of the raw log puts a damper at {position}, but {err}")

    def _take_unit(self, data: dict[str, Any]) -> None:
        unit_id, serial = str(data["unit_id"]), data.get("serial")
        if self._ledger.unit(unit_id) is not None:
            return
        try:
            unit = self._ledger.add_unit(serial, str(data["profile"]), unit_id=unit_id)
        except LedgerError:
            unit = self._ledger.add_unit(None, str(data["profile"]), f"{serial} in the raw log", unit_id)
        self._adopted.add(unit_id)
        self.notes.append(f"damper {unit.label} is in the raw log but not in the ledger; it was added, as {unit_id}")

    def _note_calibration(self, frame: Frame) -> None:
        """Say which calibration the ledger lost: its points are gone, what the log has of it is the map alone."""
        told = of_event(frame)
        if told is None or all(one.entry is not None for one in merge(read_calibrated(self._ledger), [told])):
            return
        line = (
            f"frame {frame.sequence} of the raw log has a calibration of {told.position} ({told.quantity}) that the "
            "ledger lost: calibrate that sensor again"
        )
        recount = "; it corrects the past: then stop the daemon and type `dutylog ledger recount`"
        self.notes.append(line + (recount if told.corrects else ""))

    def _take_epoch(self, frame: Frame, data: dict[str, Any]) -> None:
        if self._ledger.epoch(frame.epoch) is not None:
            return
        kind, text = str(data["source"]["kind"]), str(data["source"]["text"])
        mono_ns = 0 if kind == RECORDING else frame.t0_ns
        # Until the clock frame that follows: where it was lost the time the segment was made is all there is.
        self._ledger.put_epoch(
            Epoch(frame.epoch, kind, text, str(data["boot_id"]), mono_ns, int(data["created_utc_ns"]), False)
        )
        self._refining = frame.epoch

    def _take_clock(self, number: int, data: dict[str, Any]) -> None:
        self._refining = 0
        epoch = self._ledger.epoch(number)
        if epoch is None or epoch.source_kind == RECORDING:
            return
        clock = int(data["mono_ns"]), int(data["utc_ns"]), data["trusted"] is True
        self._ledger.put_epoch(Epoch(number, epoch.source_kind, epoch.source_text, epoch.boot_id, *clock))
