"""The source a configuration names."""

from __future__ import annotations

from dutylog.clock import Clock
from dutylog.daemon.core_settings import CoreSettings
from dutylog.errors import ConfigError
from dutylog.recording.source import Source


def open_source(settings: CoreSettings, clock: Clock) -> Source:
    """Return the source, opened but not started; imports only what that source needs."""
    if settings.source_kind == "recording" and settings.file is not None:
        from dutylog.acquire.recording_file import RecordingFileSource

        vehicle = settings.vehicle
        return RecordingFileSource(
            settings.file,
            [d.position for d in vehicle.dampers if d.travel_from is None],
            block_rows=settings.block_rows,
            pace=settings.pace or None,
            clock=clock,
            body_positions=[d.position for d in vehicle.dampers],
            sources=settings.columns,
        )
    if settings.source_kind == "simulated":
        from dutylog.sim.scenario import built_in_scenario
        from dutylog.sim.source import SimulatedSource

        scenario = built_in_scenario(settings.scenario or "desert")
        return SimulatedSource(settings.vehicle, scenario, settings.seed, settings.pace, clock)
    if settings.source_kind == "sensors" and settings.sensors is not None:
        from dutylog.acquire.sensors import SensorSource, make_drivers

        return SensorSource(make_drivers(settings.sensors, clock), clock)
    raise ConfigError([f"source: kind {settings.source_kind!r} can't be opened; known: sensors, recording, simulated"])
