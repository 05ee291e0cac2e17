"""The whole daemon as a person runs it: real processes, real page, real kills."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.processes import DEMO, LIMIT_S, wait_until
from dutylog import config
from dutylog.ledger.client import run_command, send_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def children_of(pid):
    """Return {module: pid} of the processes a supervisor started."""
    found = {}
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        try:
            words = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
        except OSError:
            continue
        if "-m" in words:
            found[words[words.index("-m") + 1]] = int(child)
    return found


class Daemon:
    def __init__(self, data_dir, *arguments):
        self.port = free_port()
        self.data_dir = data_dir
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(DEMO), "--data", str(data_dir),
             "--port", str(self.port), "--pace", "4", *arguments],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    def live(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=2)
        try:
            connection.request("GET", "/api/live")
            reply = connection.getresponse()
            return json.loads(reply.read()) if reply.status == 200 else None
        except (OSError, ValueError, http.client.HTTPException):
            return None
        finally:
            connection.close()

    def snapshot(self):
        return (self.live() or {}).get("snapshot")

    def strokes(self):
        snapshot = self.snapshot()
        return sum(d["strokes_total_count"] for d in snapshot["dampers"]) if snapshot else 0

    def child(self, module):
        return wait_until(lambda: children_of(self.process.pid).get(module), f"{module} runs")


@pytest.fixture
def daemon(tmp_path):
    started = []

    def start(*arguments):
        started.append(Daemon(tmp_path / "data", *arguments))
        return started[-1]

    yield start
    for one in started:
        for pid in [*children_of(one.process.pid).values()] if one.process.poll() is None else []:
            os.kill(pid, signal.SIGKILL)
        if one.process.poll() is None:
            one.process.kill()
        one.process.communicate()


def test_sigterm_ends_everything_cleanly_and_keeps_the_duty(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 20, "strokes on the page")
    children = [one.child("dutylog.daemon.core"), one.child("dutylog.web")]
    one.process.terminate()
    output, _ = one.process.communicate(timeout=LIMIT_S)
    assert one.process.returncode == 0, output
    assert "Traceback" not in output
    assert not any(Path(f"/proc/{pid}").exists() for pid in children)
    with Ledger.open(one.data_dir / LEDGER_NAME, read_only=True) as ledger:
        assert sum(t.strokes_count for t in ledger.all_totals().values()) > 20


def test_core_killed_is_started_again_and_goes_on_counting(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 20, "strokes on the page")
    first = one.snapshot()
    core, page = one.child("dutylog.daemon.core"), one.child("dutylog.web")
    os.kill(core, signal.SIGKILL)
    again = wait_until(lambda: (s := one.snapshot()) and s["boot_id"] != first["boot_id"] and s, "a new core")
    before = {d["unit_id"]: d["strokes_total_count"] for d in first["dampers"]}
    wait_until(
        lambda: all(d["strokes_total_count"] >= before.get(d["unit_id"], 1) for d in one.snapshot()["dampers"]),
        "totals at least as before",
    )
    assert again["engine"] == first["engine"]
    assert one.child("dutylog.web") == page


def test_page_killed_is_started_again_and_core_does_not_notice(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 5, "strokes on the page")
    core, page, boot_id = one.child("dutylog.daemon.core"), one.child("dutylog.web"), one.snapshot()["boot_id"]
    os.kill(page, signal.SIGKILL)
    wait_until(lambda: children_of(one.process.pid).get("dutylog.web", page) != page, "a new page process")
    snapshot = wait_until(one.snapshot, "the page answers again")
    assert snapshot["boot_id"] == boot_id
    assert one.child("dutylog.daemon.core") == core


def test_supervisor_killed_takes_its_children_along_and_the_next_start_goes_on(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 20, "strokes on the page")
    children = [one.child("dutylog.daemon.core"), one.child("dutylog.web")]
    one.process.kill()
    one.process.wait()
    two = daemon()
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in children), "the children end")
    wait_until(lambda: two.strokes() > 20, "the next start goes on")


def test_install_while_running_moves_the_count_to_the_new_damper(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 20, "strokes on the page")
    dampers = one.snapshot()["dampers"]
    old, before = dampers[2], dampers[3]["strokes_total_count"]
    run_command(one.data_dir, {"command": "add", "serial": "SPARE", "profile": profile_of("rear_left")})
    run_command(one.data_dir, {"command": "remove", "unit": old["serial"]})
    run_command(one.data_dir, {"command": "install", "unit": "SPARE", "position": "rear_left"})
    dampers = wait_until(
        lambda: (d := one.snapshot()["dampers"]) and d[2]["serial"] == "SPARE" and d, "the spare is in"
    )
    # Between the two commands the place is empty; how long that is, the machine decides.
    meanwhile = dampers[3]["strokes_total_count"] - before
    dampers = wait_until(
        lambda: (
            (d := one.snapshot()["dampers"]) and d[2]["serial"] == "SPARE" and d[2]["strokes_total_count"] > 3 and d
        ),
        "the spare counts",
    )
    with Ledger.open(one.data_dir / LEDGER_NAME, read_only=True) as ledger:
        stopped = ledger.totals(ledger.find_unit(old["serial"]).unit_id)
    assert stopped.strokes_count >= old["strokes_total_count"]
    # Both sides drive the same road: what the two dampers on the left did adds up to what the right one did.
    left, right = stopped.strokes_count + dampers[2]["strokes_total_count"], dampers[3]["strokes_total_count"]
    assert abs(left - right) <= 0.2 * right + 5 + meanwhile


def profile_of(position):
    return next(d.profile for d in config.load(DEMO).vehicle.dampers if d.position == position)


def test_hostile_bytes_on_the_command_socket_are_answered_with_one_line(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 5, "strokes on the page")
    for garbage in (b"\0\xff" * 500 + b"\n", b"{" * 2000 + b"\n", b'{"schema":1,"command":"drop"}\n', b"x" * 70_000):
        with socket.socket(socket.AF_UNIX) as end:
            end.settimeout(5)
            end.connect(str(one.data_dir / "core.sock"))
            try:
                end.sendall(garbage)
                reply = end.recv(65_536)
            except OSError:
                continue
            assert json.loads(reply)["ok"] is False
    assert send_command(one.data_dir, {"command": "ping"})["ok"] is True
    assert (one.data_dir / "core.sock").stat().st_mode & 0o077 == 0
    assert (one.data_dir / "live.sock").stat().st_mode & 0o077 == 0


def test_second_daemon_on_the_same_data_is_refused_with_one_line(daemon):
    one = daemon()
    wait_until(lambda: one.strokes() > 5, "strokes on the page")
    two = daemon()
    output, _ = two.process.communicate(timeout=LIMIT_S)
    assert two.process.returncode == 2
    assert "in use by process" in output
    assert "Traceback" not in output


def test_folder_that_cannot_be_made_is_said_in_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    done = subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(DEMO), "--data", str(tmp_path / "file/x")],
        capture_output=True, text=True, timeout=LIMIT_S,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "can be written" in done.stderr


def test_recording_that_is_not_there_is_said_in_one_line(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(DEMO), "--data", str(tmp_path / "data"),
         "--recording", str(tmp_path / "none.parquet"), "--no-page"],
        capture_output=True, text=True, timeout=LIMIT_S,
    )  # fmt: skip
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert [line for line in done.stderr.splitlines() if "none.parquet" in line]
    assert "again" not in done.stderr
