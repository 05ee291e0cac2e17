"""What every source of samples must do; defined in `dutylog.recording.source`."""

from __future__ import annotations

from dutylog.recording.source import Batch, Source, SourceEvent

__all__ = ["Batch", "Source", "SourceEvent"]
