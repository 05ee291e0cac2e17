"""What core knows of heat: the same as a batch, kept over a stop, and forgotten when somebody asks."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from daemon.driven import data, driven
from daemon.processes import wait_until
from daemon.test_daemon import daemon
from dutylog.cli.heat import heat as heat_command
from dutylog.daemon.core_settings import CoreSettings
from dutylog.engine.integrate import integrate
from dutylog.errors import InputError, LedgerError
from dutylog.heat.series import HeatSeries
from dutylog.heat.vehicle_heat import DamperHeat
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from faults.conftest import run_core

__all__ = ["daemon", "data", "driven"]


def kept_heats(folder):
    """Return what the ledger kept, by position."""
    with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
        vehicle, found = ledger.vehicle(), {}
        for damper in vehicle.dampers:
            unit = ledger.installed()[damper.position]
            kept = ledger.kept_heat(unit.unit_id, damper.position)
            found[damper.position] = DamperHeat.from_kept(vehicle.profile_of(damper), kept)
    return found


def test_core_comes_to_the_same_heat_as_a_batch(recording, data):
    file, vehicle = recording
    series = HeatSeries()
    integrate(file, vehicle, on_heat=series.take)
    kept, found = kept_heats(data), series.finish()
    assert len(kept) == 4
    for position, heat in kept.items():
        batch = found[position]
        assert heat.observer.oil_c == pytest.approx(batch.oil_c[-1], abs=2e-3)
        assert {speed: heat.observer.laws().ha_w_per_k(float(speed)) for speed in ("0", "16")} == {
            speed: batch.ha_w_per_k[speed] for speed in ("0", "16")
        }


def test_a_recording_cut_by_a_kill_comes_near_the_same_heat(recording, tmp_path, start_core, data):
    """What isn't kept at that instant is bridged; the thermocouple says the rest."""
    file, vehicle = recording
    settings = CoreSettings(vehicle, tmp_path / "cut", "recording", file=file, pace=20, exit_at_end=True)
    child = start_core(settings, tmp_path / "side.log")
    wait_until(lambda: (tmp_path / "cut" / LEDGER_NAME).exists(), "a ledger")
    wait_until(lambda: _sequence(tmp_path / "cut") > 40, "something counted")
    child.process.kill()
    child.finish()
    status, lines = run_core(replace(settings, pace=0))
    assert status == 0, lines
    whole, cut = kept_heats(data), kept_heats(tmp_path / "cut")
    for position, heat in whole.items():
        assert cut[position].observer.body_c == pytest.approx(heat.observer.body_c, abs=0.5)
        assert cut[position].observer.oil_c == pytest.approx(heat.observer.oil_c, abs=3.0)


def _sequence(folder):
    try:
        with Ledger.open(folder / LEDGER_NAME, read_only=True) as ledger:
            return ledger.cursor().hot_sequence
    except LedgerError:
        return 0


def test_a_person_sees_what_was_learned_and_has_it_forgotten_without_a_daemon(data):
    runner = CliRunner()
    shown = runner.invoke(heat_command, ["show", "--data", str(data)])
    assert shown.exit_code == 0, shown.output
    assert "front_left" in shown.output
    before = json.loads(runner.invoke(heat_command, ["show", "--data", str(data), "--format", "json"]).output)
    told = runner.invoke(heat_command, ["reset", "front_left", "--data", str(data)])
    assert "is forgotten" in told.output
    after = json.loads(runner.invoke(heat_command, ["show", "--data", str(data), "--format", "json"]).output)
    by_position = [{one["position"]: one["evidence"] for one in found["dampers"]} for found in (before, after)]
    assert sum(by_position[0]["front_left"].values()) > 20.0
    assert sum(by_position[1]["front_left"].values()) == 0.0
    assert by_position[1]["rear_left"] == by_position[0]["rear_left"]
    with Ledger.open(data / LEDGER_NAME, read_only=True) as ledger:
        assert json.loads(ledger.last_entry("heat_reset").data) == {"position": "front_left", "what": "learning"}


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ({"position": "roof", "what": "learning"}, "no damper counts at 'roof'"),
        ({"position": "front_left", "what": "everything"}, "none of learning, damping"),
        ({"position": "front_left"}, "what is missing"),
    ],
)
def test_what_cannot_be_forgotten_is_said(data, request_, said):
    with pytest.raises((LedgerError, InputError), match=said):
        run_command(data, {"command": "heat_reset", **request_}, None)


@pytest.mark.slow
def test_the_running_daemon_forgets_at_once(daemon):
    one = daemon()
    wait_until(lambda: ((one.snapshot() or {}).get("trip") or {}).get("duration_s", 0.0) > 20.0, "20 s of a trip")
    seen = wait_until(lambda: (s := one.snapshot()) and all(d["oil_c"] for d in s["dampers"]) and s, "oil on the page")
    assert all(d["oil_sd_k"] > 0.0 and d["stop_text"] for d in seen["dampers"])
    run_command(one.data_dir, {"command": "heat_reset", "position": "rear_left", "what": "learning"}, None)
    one.process.terminate()
    output, _ = one.process.communicate(timeout=60)
    assert one.process.returncode == 0, output
    kept = kept_heats(one.data_dir)
    used = {position: sum(_seconds(heat)) for position, heat in kept.items()}
    assert used["rear_left"] < used["rear_right"] - 5.0


def _seconds(heat):
    evidence = heat.observer.learning.evidence
    return evidence.used_s, evidence.refused_s
