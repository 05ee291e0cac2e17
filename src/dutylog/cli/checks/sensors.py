"""Do the sensors answer? Asked of themselves, or of the daemon where one has them in its hands."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from functools import partial

from dutylog.acquire.driver import Driver, Finding
from dutylog.acquire.sensors import make_drivers
from dutylog.cli.checks.findings import fail, failed_by, look, passed, split_remedy
from dutylog.cli.checks.live import Live
from dutylog.cli.checks.scene import Scene
from dutylog.cli.checks.within import Job
from dutylog.clock import Clock
from dutylog.errors import DutylogError
from dutylog.ledger.calibrations import in_force, overlaid
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.publish.snapshot import DamperNow, DeviceNow, Snapshot
from dutylog.units import NS_PER_S

SUBJECT = "sensors"
PROBE_S = 10.0
"""Longest time for all lines to sensors, which are asked side by side."""
WORDS = {"waiting": "no reading yet", "lost": "gone, asked again and again", "wrong": "something else answers"}
HELD = "devices can't be probed while the daemon holds them"
_PLUG = "at the next stop check power, plug and cable"


def check_sensors(scene: Scene) -> list[Finding]:
    """Return what each line to sensors says of its devices, or what the daemon's readings say."""
    sensors = None if scene.settings is None else scene.settings.sensors
    if scene.live.is_running:
        return _from_daemon(scene.live, sensors is not None)
    if sensors is None:
        return []
    try:
        drivers = make_drivers(sensors, scene.clock)
    except ImportError as err:
        return [fail(SUBJECT, f"a library for them isn't there ({err})", "install dutylog again, with all it needs")]
    scales = _mm_per_count(scene)
    return [_in_mm(finding, scales) for finding in _probe_all(drivers, scene.clock)]


def _mm_per_count(scene: Scene) -> dict[str, float]:
    """Return the mean scale of each calibrated travel sensor; the ledger's calibrations go before the file's."""
    if scene.settings is None:
        return {}
    vehicle = scene.settings.vehicle
    if scene.data_dir is not None:
        with contextlib.suppress(DutylogError), Ledger.open(scene.data_dir / LEDGER_NAME, read_only=True) as ledger:
            vehicle, _ = overlaid(vehicle, in_force(ledger))
    ends = {d.position: (d.calibration[0], d.calibration[-1]) for d in vehicle.dampers if d.calibration}
    return {position: abs((b[1] - a[1]) / (b[0] - a[0])) for position, (a, b) in ends.items()}


def _in_mm(finding: Finding, scales: dict[str, float]) -> Finding:
    """Return a finding about noise with the noise in millimetres too, where the sensor is calibrated."""
    if finding.noise_counts is None:
        return finding
    if finding.position not in scales:
        return replace(finding, text=f"{finding.text}; not calibrated yet")
    return replace(finding, text=f"{finding.text}, {finding.noise_counts * scales[finding.position]:.2f} mm")


def _from_daemon(live: Live, has_sensors: bool) -> list[Finding]:
    if live.snapshot is not None:
        return _from_snapshot(live.snapshot)
    if not has_sensors:
        return []
    return [look(SUBJECT, f"{HELD}, and it shows no readings yet", "try again in a minute, or stop it and check again")]


def _from_snapshot(snapshot: Snapshot) -> list[Finding]:
    found = [finding for damper in snapshot.dampers for finding in _damper(damper)]
    count = len(snapshot.dampers) - len({finding.subject for finding in found})
    found = [finding for device in snapshot.devices for finding in _device(device)] + found
    if count:
        found.append(passed(SUBJECT, f"{count} of {len(snapshot.dampers)} dampers send sound readings; {HELD}"))
    else:
        found.append(look(SUBJECT, f"no damper sends sound readings; {HELD}", "stop it and check again to probe them"))
    return found


def _device(device: DeviceNow) -> list[Finding]:
    """Return how a line to sensors is; its channels only while the line itself works."""
    subject = f"{SUBJECT}: {device.name}"
    if device.state != "working":
        return [_trouble(subject, device.state, device.text)]
    bad = [channel for channel in device.channels if channel.state != "working"]
    found = [
        _trouble(f"{subject}, {f'{channel.position} {channel.quantity}'.strip()}", channel.state, channel.text)
        for channel in bad
    ]
    counted = ", ".join(f"{name} {count}" for name, count in device.counters.items() if count)
    text = f"working, {len(device.channels) - len(bad)} of {len(device.channels)} channels read; {HELD}"
    return [passed(subject, text + (f"; counted: {counted}" if counted else "")), *found]


def _trouble(subject: str, state: str, line: str) -> Finding:
    text, remedy = split_remedy(line or WORDS[state], _PLUG)
    return look(subject, text, remedy) if state == "waiting" else fail(subject, text, remedy)


def _damper(damper: DamperNow) -> list[Finding]:
    subject = f"{SUBJECT}: {damper.position}"
    faults = ", ".join(name.replace("_", " ") for name in damper.faults)
    if damper.state == "waiting":
        return [look(subject, "nothing came of it yet", "try again in a minute")]
    if "not_calibrated" in damper.faults:
        return [fail(subject, "its travel sensor isn't calibrated", f"dutylog calibrate travel {damper.position}")]
    if damper.state == "no_data":
        return [fail(subject, f"nothing comes of it ({faults or 'no reading'})", _PLUG)]
    if damper.faults == ("bandwidth_limited",):
        return [passed(subject, "energy is bandwidth-limited: travel is sampled less than 500 times a second")]
    if faults:
        return [fail(subject, f"faults: {faults}", _PLUG)]
    if damper.state == "no_temperature":
        return [look(subject, "travel comes, but no body temperature", "check thermocouple and plug, if it has one")]
    return []


def _probe_all(drivers: list[Driver], clock: Clock) -> list[Finding]:
    if not drivers:
        return [look(SUBJECT, "none are made from the vehicle file", "look at its sensors")]
    jobs = [(driver, Job(partial(_probe, driver, clock))) for driver in drivers]
    until_ns = clock.mono_ns() + round(PROBE_S * NS_PER_S)
    return [finding for driver, job in jobs for finding in _findings_of(driver, job, until_ns, clock)]


def _probe(driver: Driver, clock: Clock) -> list[Finding]:
    """Open a line, have it look at its devices, and let go of it."""
    try:
        driver.open(clock.mono_ns())
        return driver.probe()
    finally:
        driver.close()


def _findings_of(driver: Driver, job: Job[list[Finding]], until_ns: int, clock: Clock) -> list[Finding]:
    subject = f"{SUBJECT}: {driver.name}"
    try:
        found = job.result((until_ns - clock.mono_ns()) / NS_PER_S)
    except TimeoutError:
        return [fail(subject, f"no answer within {PROBE_S:g} s", f"{_PLUG}; look at dmesg")]
    except DutylogError as err:
        return [failed_by(subject, err, _PLUG)]
    return found or [passed(subject, "opened, it has nothing more to tell")]
