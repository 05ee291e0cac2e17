"""`dutylog run` with [mqtt], from a recording to the broker: what it holds is the ledger, to the last unit."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys

from daemon.processes import CASES, LIMIT_S, recording, wait_until
from daemon.test_daemon import children_of
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from publish.brokers import Reader, free_port, needs_mosquitto, retained
from publish.contract import complaints

__all__ = ["recording"]
SCALES = {"j": 1e6, "m": 1e6, "s": 1e6, "mps": 1e6, "c": 1e3, "count": 1}


def health_of(port):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
    try:
        connection.request("GET", "/health.json")
        return json.loads(connection.getresponse().read())
    except (OSError, ValueError, http.client.HTTPException):
        return {}
    finally:
        connection.close()


def column_of(field):
    """Return the ledger's column behind a published total and how many of its units one published unit has."""
    name, _, unit = field.replace("_total", "").rpartition("_")
    ours = {"j": "uj", "m": "um", "s": "us", "mps": "umps", "c": "mc", "count": "count"}[unit]
    return f"{name}_{ours}", SCALES[unit]


def states(reader):
    return [message.object["state"] for message in reader.of("status")]


@needs_mosquitto
def test_retained_duty_equals_the_ledger_exactly(recording, broker, tmp_path):
    file, _ = recording
    vehicle = tmp_path / "truck.toml"
    text = (CASES / "F_faults" / "truck.toml").read_text(encoding="utf-8")
    vehicle.write_text(f'{text}\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\n')
    port = free_port()
    reader = Reader(broker.port)
    command = ["run", "--config", str(vehicle), "--data", str(tmp_path / "data"), "--recording", str(file)]
    run = subprocess.Popen(
        [sys.executable, "-m", "dutylog.cli.main", *command, "--pace", "3", "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    try:
        wait_until(lambda: reader.of("live"), "live values", LIMIT_S)
        told = wait_until(lambda: (health_of(port).get("publish") or {}).get("told"), "the page knows", LIMIT_S)
        assert [(one["name"], one["state"]) for one in told] == [("mqtt", "well")]
        first = children_of(run.pid)
        os.kill(first["dutylog.publish"], signal.SIGKILL)
        wait_until(lambda: "offline" in states(reader), "the will", LIMIT_S)
        wait_until(lambda: states(reader)[-1] == "online", "a new process", LIMIT_S)
        again = children_of(run.pid)
        assert again["dutylog.publish"] != first["dutylog.publish"]
        assert again["dutylog.daemon.core"] == first["dutylog.daemon.core"]  # core didn't notice
        wait_until(lambda: reader.of("status")[-1].object["source_state"] == "ended", "the end", LIMIT_S)
    finally:
        run.terminate()
        output, _ = run.communicate(timeout=LIMIT_S)
    assert run.returncode == 0, output
    assert "Traceback" not in output
    wait_until(lambda: reader.of("status")[-1].object["state"] == "offline", "offline", 10)
    held = {t: o for t, o in retained(broker.port).items() if "/duty/" in t}
    with Ledger.open(tmp_path / "data" / LEDGER_NAME, read_only=True) as ledger:
        duties = ledger.unit_duties()
    assert len(duties) == len(held) == 4
    compared = 0
    for unit in duties:
        value = next(o for o in held.values() if o["unit_id"] == unit.unit_id)
        assert (value["revision"], value["seq"]) == (unit.revision, unit.sequence)
        for field in (f for f in value if "_total_" in f or f.startswith("peak_")):
            column, scale = column_of(field)
            assert round(value[field] * scale) == getattr(unit.totals, column), field
            compared += 1
    assert compared == 4 * 15
    assert complaints(reader.messages) == []
    assert all(m.object["energy_total_j"] > 0 for m in reader.of("duty"))  # never a zero on the way
    reader.close()
