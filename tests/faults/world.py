"""The whole daemon with a real broker and a real database, all of them killed and started again at random."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from benchmark_source import write_counts, write_vehicle
from daemon.processes import DEMO, LIMIT_S, wait_until
from daemon.test_daemon import children_of
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from publish.brokers import Mosquitto, free_port, retained
from publish.influx_servers import ORG, TOKEN, RealInflux

DATABASE = "world"
MODULES = {"core": "dutylog.daemon.core", "page": "dutylog.web", "publish": "dutylog.publish"}
FAULTS = (*MODULES, "broker", "database", "front")
SITE = Path(__file__).with_name("site")
ROOT = Path(__file__).parents[2]


class World:
    """One vehicle's daemon and who it tells.

    folder: of its own, for everything. speed: of a fast clock, with a sensor that costs nothing; None for
    real time and the simulated vehicle, `pace` times as fast.
    """

    def __init__(self, folder, seed, pace, speed=None):
        self._random = random.Random(seed)
        self.data = folder / "data"
        # A pipe that nobody empties would stop the daemon once it is full.
        self._said = folder / "said"
        self.broker = Mosquitto(folder / "broker")
        (folder / "influx").mkdir()
        self.influx = RealInflux(folder / "influx")
        token = folder / "token"
        token.write_text(TOKEN + "\n")
        token.chmod(0o600)
        self._vehicle = folder / "vehicle.toml"
        self._speed, self._counts = speed, None
        base = DEMO.read_text(encoding="utf-8")
        if speed is not None:
            self._counts = write_counts(folder)
            base = write_vehicle(folder).read_text(encoding="utf-8") + '\n[source]\nkind = "simulated"\n'
        self._vehicle.write_text(
            base
            + f'\n[mqtt]\nhost = "127.0.0.1"\nport = {self.broker.port}\ntls = false\n'
            + f'\n[influxdb]\nurl = "{self.influx.url}"\norg = "{ORG}"\nbucket = "{DATABASE}"\n'
            + f'token_file = "{token}"\n',
            encoding="utf-8",
        )
        self._pace = pace
        self.fired = Counter()
        self._down = {}

    def start(self, with_network=True):
        if with_network:
            self.start_network()
        env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(SITE), str(ROOT / "src"), str(ROOT)])}
        if self._speed is not None:
            zero_ns = time.time_ns() - self._speed * time.monotonic_ns()
            env |= {"DUTYLOG_TEST_SPEED": str(self._speed), "DUTYLOG_TEST_UTC0_NS": str(zero_ns)}
            env |= {"DUTYLOG_TEST_COUNTS": str(self._counts)}
        command = [
            sys.executable, "-m", "dutylog.cli.main", "run", "--config", str(self._vehicle),
            "--data", str(self.data), "--port", str(free_port()), "--pace", str(self._pace),
        ]  # fmt: skip
        with self._said.open("a", encoding="utf-8") as said:
            self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said, env=env)
        wait_until(lambda: self.health() and all(self.children().values()), "all processes run")

    def start_network(self):
        self.broker.start()
        self.influx.start()
        self.influx.make_database(DATABASE)

    def torment(self, seconds, faults=FAULTS):
        """Let something die every second or two; what was killed outside the daemon comes back after a while."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            time.sleep(self._random.uniform(0.5, 2.0))
            for name in [name for name, due_s in self._down.items() if time.monotonic() > due_s]:
                self._revive(name)
            name = self._random.choice(faults)
            if name not in self._down:
                self._kill(name)
        for name in list(self._down):
            self._revive(name)

    def settle(self):
        """Wait until all that waited has been told, then stop the daemon: (status, what it said)."""
        wait_until(lambda: all(self.children().values()), "all processes run again")
        wait_until(self._is_told, "all is told")
        # A broker that has just begun anew has forgotten all, and whoever tells it may be waiting to try again.
        wait_until(lambda: len(self.held_by_broker()) == len(self.ledger()), "the broker knows of every damper")
        self.process.terminate()
        self.process.wait(timeout=LIMIT_S)
        errors = self._said.read_text(encoding="utf-8")
        return self.process.returncode, errors

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.broker.kill()
        self.influx.stop()

    # what must be equal in the end

    def compare(self):
        """Hold ledger, broker and database against each other."""
        ledger, told, stored = self.ledger(), self.held_by_broker(), self.held_by_database()
        assert len(ledger) == 4
        assert all(duty.totals.strokes_count > 0 for duty in ledger.values())
        for unit, duty in ledger.items():
            last = [duty.totals.energy_uj / 1e6, duty.totals.strokes_count, duty.sequence]
            one = told[unit]
            assert [one["energy_total_j"], one["strokes_total_count"], one["seq"]] == last
            points = stored[unit]
            assert points[-1][1:] == last
            # A point told twice under two times would have the sequence of the one before.
            sequences = [point[3] for point in points]
            assert sequences == sorted(set(sequences))
            assert [point[1] for point in points] == sorted(point[1] for point in points)

    def ledger(self):
        """Return {unit_id: its duty} of the ledger."""
        with Ledger.open(self.data / LEDGER_NAME, read_only=True) as ledger:
            assert ledger.check_file() == []
            assert ledger.verify_chain() is None
            return {duty.unit_id: duty for duty in ledger.unit_duties()}

    def held_by_broker(self):
        """Return {unit_id: the retained duty}."""
        return {o["unit_id"]: o for topic, o in retained(self.broker.port).items() if "/duty/" in topic}

    def held_by_database(self):
        """Return {unit_id: [(time, energy, strokes, seq), ...]} of the database, in order of time."""
        fields = "energy_total_j, strokes_total_count, seq"
        series = self.influx.query(f"SELECT {fields} FROM duty GROUP BY unit", DATABASE)
        return {one["tags"]["unit"]: one["values"] for one in series}

    def health(self):
        """Return what the publish process says of itself, None while it doesn't."""
        try:
            with socket.socket(socket.AF_UNIX) as asker:
                asker.settimeout(2)
                asker.connect(str(self.data / "publish.sock"))
                text = b"".join(iter(lambda: asker.recv(65536), b""))
            return json.loads(text)
        except (OSError, ValueError):
            return None

    # harm

    def children(self):
        """Return {process: pid}."""
        found = children_of(self.process.pid)
        return {name: found.get(module) for name, module in MODULES.items()}

    def _kill(self, name):
        if name in MODULES:
            pid = self.children()[name]
            if pid is None:
                return  # it has just died and isn't back yet
            os.kill(pid, signal.SIGKILL)
            wait_until(lambda: self.children()[name] != pid, f"{name} is gone")
        else:
            {"broker": self.broker.kill, "database": self.influx.kill_database, "front": self.influx.stop_front}[name]()
            self._down[name] = time.monotonic() + self._random.uniform(0.5, 6.0)
        self.fired[name] += 1

    def _revive(self, name):
        del self._down[name]
        {"broker": self.broker.start, "database": self.influx.start_database, "front": self.influx.start_front}[name]()

    def _is_told(self):
        health = self.health()
        if not health or len(health["outputs"]) != 2:
            return False
        return all(not any(output["waiting"].values()) and output["state"] == "well" for output in health["outputs"])
