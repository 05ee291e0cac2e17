"""Alerts of a real core: through kills each is told under one id, acknowledged over the socket, shown and stored."""

from __future__ import annotations

import json
import random
import socket
import time
from dataclasses import replace

import pytest

from daemon.processes import wait_until
from dutylog.ledger.client import send_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.publish.snapshot import parse_snapshot
from dutylog.sockets import LIVE, unix_address

OPTIONS = {"commit_ns": 100_000_000, "cold_ns": 700_000_000, "shown_ns": 60_000_000_000}
"""Shown without being stored: never, so that a machine under load can't fail the test."""


@pytest.fixture
def too_hot(demo_settings):
    """The demo vehicle with limits below the air around it: every body is over its limit from the first reading."""
    vehicle = demo_settings.vehicle
    profiles = tuple(replace(profile, body_limit_c=5.0) for profile in vehicle.profiles)
    return replace(demo_settings, vehicle=replace(vehicle, profiles=profiles), pace=20.0)


class Listener:
    """Reads core's live socket as an outlet does."""

    def __init__(self, data_dir):
        self._socket = wait_until(lambda: self._connect(data_dir), "core listens")
        self._socket.settimeout(30.0)
        self._rest = b""

    @staticmethod
    def _connect(data_dir):
        end = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            with unix_address(data_dir, LIVE) as address:
                end.connect(address)
        except OSError:
            end.close()
            return None
        return end

    def next(self):
        """Return the next snapshot, None at the end."""
        while b"\n" not in self._rest:
            try:
                piece = self._socket.recv(65_536)
            except ConnectionError:
                piece = b""
            if not piece:
                return None
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\n")
        return parse_snapshot(line)

    def close(self):
        self._socket.close()


def listen_until(data_dir, is_enough):
    """Return (id, kind, position) of all alerts told until enough were, or until core has gone."""
    listener, told = Listener(data_dir), set()
    try:
        while (snapshot := listener.next()) is not None:
            told |= {(one.id, one.kind, one.position) for one in snapshot.alerts if one.state == "raised"}
            if is_enough(told):
                break
    finally:
        listener.close()
    return told


def over_limit(told):
    return {one for one in told if one[1] == "body_over_limit"}


def drive_through_kills(too_hot, start_core, side_log, stage, options):
    """Kill a core at a stage of its first commit with alerts (None: at any time), then two more at any time.

    Returns what all of them told, up to a last one that is ended in order.
    """
    rng, told = random.Random(5), set()
    for first in (True, False, False):
        die = {"after": 1, "stage": stage} if first and stage else None
        child = start_core(too_hot, side_log, die=die, **options)
        child.wait_for("running")
        end_s = time.monotonic() + rng.uniform(0.1, 1.5)
        told |= listen_until(too_hot.data_dir, lambda _told, die=die, s=end_s: die is None and time.monotonic() > s)
        if die is None:
            child.process.kill()
        assert child.finish()[0] == -9
    child = start_core(too_hot, side_log, **options)
    child.wait_for("running")
    told |= listen_until(too_hot.data_dir, lambda told: len(over_limit(told)) >= 4)
    child.process.terminate()
    assert child.finish()[0] == 0
    return over_limit(told)


def stored_ids(data_dir):
    """Return the ids of all alerts of the kind, and of those that are open."""
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        rows = [one.row for one in ledger.alerts(1000) if one.row.kind == "body_over_limit"]
    return [row.alert_id for row in rows], [row.alert_id for row in rows if row.cleared is None]


@pytest.mark.parametrize(
    "stage", [None, *(pytest.param(stage, marks=pytest.mark.slow) for stage in ("before_alerts", "after_alerts"))]
)
def test_kill_after_kill_an_alert_keeps_its_id(too_hot, start_core, tmp_path, stage):
    """Raised twice it would ring twice, and one of the two would never be cleared."""
    told = drive_through_kills(too_hot, start_core, tmp_path / "side.log", stage, OPTIONS)
    ever, still_open = stored_ids(too_hot.data_dir)
    assert len(told) == len({position for _, _, position in told}) == 4
    assert set(ever) == set(still_open) == {one[0] for one in told}


@pytest.mark.slow
def test_this_harness_notices_an_alert_told_before_it_is_stored(too_hot, start_core, tmp_path):
    """A check that can't fail is worth nothing."""
    options = OPTIONS | {"shown_ns": 0}
    told = drive_through_kills(too_hot, start_core, tmp_path / "side.log", "before_alerts", options)
    assert len(told) > len({position for _, _, position in told}) == 4


def test_acknowledged_over_the_socket_it_stays_raised_with_a_name(too_hot, start_core, tmp_path):
    child = start_core(too_hot, tmp_path / "side.log", **OPTIONS)
    child.wait_for("running")
    told = listen_until(too_hot.data_dir, lambda told: len(over_limit(told)) >= 4)
    alert_id = min(over_limit(told))[0]
    reply = send_command(too_hot.data_dir, {"command": "acknowledge", "alert": alert_id, "by": "Ana"}, limit_s=30.0)
    assert reply["ok"] is True
    listener = Listener(too_hot.data_dir)

    def seen():
        found = {one.id: one for one in listener.next().alerts}
        return found[alert_id] if found[alert_id].acknowledged_by else None

    one = wait_until(seen, "the name is in the snapshot")
    assert (one.state, one.acknowledged_by, one.level) == ("raised", "Ana", "act_now")
    listener.close()
    refused = send_command(too_hot.data_dir, {"command": "acknowledge", "alert": "ffffffff", "by": "A"}, limit_s=30.0)
    assert "no alert" in refused["error"]
    child.process.kill()
    child.finish()
    again = start_core(too_hot, tmp_path / "side.log", **OPTIONS)
    again.wait_for("running")
    listener = Listener(too_hot.data_dir)
    first = {one.id: one.acknowledged_by for one in listener.next().alerts}
    listener.close()
    assert first[alert_id] == "Ana"
    again.process.terminate()
    assert again.finish()[0] == 0
    with Ledger.open(too_hot.data_dir / LEDGER_NAME, read_only=True) as ledger:
        (entry,) = ledger.entries_of("alert_acknowledged")
        assert json.loads(entry.data)["alert"] == alert_id
        (trip,) = ledger.trips(1)
        assert ledger.verify_chain() is None
        assert all(one.row.trip in (None, (trip.row.epoch, trip.row.start_tile)) for one in ledger.open_alerts())


def test_an_alert_is_cleared_by_a_core_that_finds_it_over(too_hot, start_core, tmp_path):
    """Restored under its id, cleared once it has had time to be seen again."""
    child = start_core(too_hot, tmp_path / "side.log", **OPTIONS)
    child.wait_for("running")
    told = over_limit(listen_until(too_hot.data_dir, lambda told: len(over_limit(told)) >= 4))
    child.process.kill()
    child.finish()
    profiles = tuple(replace(profile, body_limit_c=150.0) for profile in too_hot.vehicle.profiles)
    mended = replace(too_hot, vehicle=replace(too_hot.vehicle, profiles=profiles), pace=60.0)
    child = start_core(mended, tmp_path / "side.log", **OPTIONS)
    child.wait_for("running")

    def all_cleared():
        with Ledger.open(mended.data_dir / LEDGER_NAME, read_only=True) as ledger:
            return {one.row.alert_id for one in ledger.alerts(1000) if one.row.cleared is not None} >= {
                one[0] for one in told
            }

    wait_until(all_cleared, "they are cleared")
    child.process.terminate()
    assert child.finish()[0] == 0
