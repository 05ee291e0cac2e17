"""What a raw log has to say before it is counted again: where it is whole, what was corrected, who sat there.

Only headers and the few frames that aren't samples are looked at; the sums of all frames are checked.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dutylog.errors import RecordingError
from dutylog.ledger.corrections import Calibrated, CorrectedLog, of_event
from dutylog.recording.bounds import first_sequence, read_start
from dutylog.recording.codec import BrokenFrameError, Envelope, decode_envelope
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.scan import DAMAGED, Damage, find_segments, scan_segment
from dutylog.recording.state import INSTALL, REMOVE

_KNOWN_TYPES = frozenset(FrameType)


@dataclass(slots=True)
class Survey:
    """What was found.

    begin, begin_file: first frame of the last stretch without a hole, and its file; 0 and None where there is none.
    second: first frame of that stretch's second file. last: last frame, of the log or of what was asked for. flaw:
    why the stretch doesn't begin earlier, None where it begins with frame 1. frame_count, row_count: in it, frames
    of known types and rows of samples. telling: configurations, who came and went, and calibrations, of all files.
    """

    begin: int = 0
    begin_file: Path | None = None
    second: int | None = None
    last: int = 0
    flaw: str | None = None
    frame_count: int = 0
    row_count: int = 0
    telling: list[Frame] = field(default_factory=list)

    @property
    def told(self) -> list[Calibrated]:
        """Return the calibrations that the log tells of."""
        return [one for frame in self.telling if (one := of_event(frame)) is not None]

    def is_whole_from(self, sequence: int) -> bool:
        """Tell whether all from a frame on is there, and a file before it for the signals to have settled."""
        # What was done without a daemon has the last frame of a file as its place, and counts from the next one on.
        return self.begin == 1 or (self.begin > 0 and self.second is not None and sequence >= self.second - 1)

    def begin_text(self) -> str:
        """Return from where on the log is whole, for people."""
        if self.begin_file is None:
            return "it is whole nowhere"
        start = read_start(self.begin_file)
        date = "" if start is None else f" ({_date(start.created_utc_ns, start.utc_trusted)})"
        return f"it is whole from frame {self.begin}{date} on"


def survey_log(folder: Path, until: int) -> Survey:
    """Read a log up to a frame, samples left out.

    Raises:
        RecordingError: there is none, it can't be read, or is of a newer version.
    """
    files = find_segments(folder) if folder.is_dir() else []
    if not files:
        raise RecordingError(f"{folder}: there is no raw log; without it nothing can be counted again")
    surveyor = _Surveyor(until)
    for file in files:
        number = first_sequence(file)
        if number is not None and number > until:
            break
        surveyor.take(file)
    return surveyor.finish()


def find_corrected_units(survey: Survey, corrected: CorrectedLog) -> set[str]:
    """Return the units that by the log sat where a correction was in force. corrected: a fresh one, used up here."""
    places: dict[str, str] = {}
    found: set[str] = set()
    for frame in survey.telling:
        corrected.take(frame)
        data = frame.data or {}
        if data.get("kind") == INSTALL:
            unit_id = str(data["unit_id"])
            places = {position: unit for position, unit in places.items() if unit != unit_id}
            places[str(data["position"])] = unit_id
        elif data.get("kind") == REMOVE:
            places.pop(str(data["position"]), None)
        found |= {places[position] for position in corrected.corrected_positions if position in places}
    return found


class _Surveyor:
    """Takes the files of a log in order."""

    def __init__(self, until: int) -> None:
        self._until = until
        self._found = Survey()
        self._is_broken = True
        self._configs: dict[int, dict[str, Any]] = {}
        self._sitting: dict[str, object] = {}

    def take(self, file: Path) -> None:
        found, is_first = self._found, True
        for piece in scan_segment(file):
            if isinstance(piece, Damage):
                if piece.kind == DAMAGED:
                    found.flaw, self._is_broken = f"{file.name} is damaged: {piece.reason}", True
                continue
            header = piece.header
            if header.sequence > self._until:
                break
            if header.sequence != found.last + 1:
                found.flaw, self._is_broken = _hole(found.last, header.sequence), True
            if is_first:
                self._begin_file(file, piece)
            is_first, found.last = False, max(found.last, header.sequence)
            found.frame_count += header.type in _KNOWN_TYPES
            found.row_count += header.n if header.type == FrameType.SAMPLES else 0
            if header.type in (FrameType.CONFIG, FrameType.EVENT):
                self._keep(_decode(piece, file))

    def finish(self) -> Survey:
        if self._is_broken:
            self._found.begin, self._found.begin_file = 0, None
        return self._found

    def _begin_file(self, file: Path, piece: Envelope) -> None:
        """A segment stands alone, so a new stretch may begin with one."""
        found = self._found
        if self._is_broken and piece.header.type == FrameType.SEGMENT_HEAD:
            found.begin, found.begin_file, found.second = piece.header.sequence, file, None
            found.frame_count = found.row_count = 0
            self._is_broken = False
        elif not self._is_broken and found.second is None:
            found.second = piece.header.sequence

    def _keep(self, frame: Frame) -> None:
        """Keep what tells something; a segment repeats most of it, which takes next to no memory."""
        data = frame.data or {}
        if frame.type is FrameType.CONFIG:
            data = self._configs.setdefault(frame.config_id, data)
            self._found.telling.append(replace(frame, data=data))
        elif data.get("kind") == INSTALL:
            if self._sitting.get(str(data.get("position"))) != data.get("unit_id"):
                self._sitting[str(data.get("position"))] = data.get("unit_id")
                self._found.telling.append(frame)
        else:
            if data.get("kind") == REMOVE:
                self._sitting.pop(str(data.get("position")), None)
            if data.get("kind") == REMOVE or of_event(frame) is not None:
                self._found.telling.append(frame)


def _decode(envelope: Envelope, file: Path) -> Frame:
    try:
        frame = decode_envelope(envelope, {})
    except BrokenFrameError as err:
        raise RecordingError(f"{file}: frame {envelope.header.sequence} can't be read: {err}") from err
    if frame is None:
        raise RecordingError(f"{file}: frame {envelope.header.sequence} is of an unknown type; use a newer dutylog")
    return frame


def _hole(last: int, sequence: int) -> str:
    if sequence <= last:
        return f"frame {sequence} comes after {last}"
    what = "were removed or lost" if last == 0 else "are missing"
    return f"frames {last + 1} to {sequence - 1} {what}"


def _date(utc_ns: int, is_trusted: bool) -> str:
    text = datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%d %H:%MZ")
    return text if is_trusted else f"{text}, clock not checked"
