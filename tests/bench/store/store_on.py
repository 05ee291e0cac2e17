"""Fresh stores for tests: SQLite in a file of a test's own, PostgreSQL in a cluster of the run's own.

Other tests take the fixture `bench_store` (SQLite), or call `sqlite_store(folder)`.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

import psycopg
import pytest

from dutylog.bench.store import Store, Who
from dutylog.clock import ManualClock
from publish.brokers import free_port

MANAGER = Who("Ada Quill", "manager")
TECHNICIAN = Who("Bo Lind", "technician")
START_UTC_NS = 1_796_030_102 * 10**9
"""2026-11-30T09:15:02Z."""
PASSWORD = "only for this cluster"  # noqa: S105
DAMPER = {"construction": "floating_piston", "reservoir": "hose", "joints": "rod_end"}


def sqlite_store(folder: Path, clock=None) -> Store:
    """Return a new store in a file of a folder."""
    return Store.open(folder / "bench.sqlite", clock or ManualClock(utc_ns=START_UTC_NS))


@pytest.fixture
def bench_store(tmp_path):
    """A new SQLite store."""
    with sqlite_store(tmp_path) as store:
        yield store


def binaries() -> Path | None:
    """Return the folder of the newest PostgreSQL that is installed, None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[4]))
    if found:
        return found[-1].parent
    path = shutil.which("postgres")
    return None if path is None else Path(path).resolve().parent


needs_postgres = pytest.mark.skipif(binaries() is None, reason="no PostgreSQL here; .ci/run brings it in")


class Cluster:
    """A PostgreSQL server on a free port, in a temporary folder, of a user without rights when we are root."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="dutylog-postgres-", dir="/tmp"))
        self.port = free_port()
        self.user = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.geteuid() == 0 else {}
        self.password_file = self.folder / "client" / "passwords"
        self.process = None
        self.free: list[str] = []
        self.lent: list[str] = []
        self._make()
        self.start()

    def _make(self):
        self.password_file.parent.mkdir()
        (self.folder / "password").write_text(PASSWORD)
        self.password_file.write_text(f"127.0.0.1:*:*:*:{PASSWORD}\n")
        self.password_file.chmod(0o600)
        if self.user:
            owner = pwd.getpwnam("postgres")
            os.chown(self.folder, owner.pw_uid, owner.pw_gid)
        words = [
            str(binaries() / "initdb"), "-D", str(self.folder / "data"), "-U", "dutylog", "-A", "scram-sha-256",
            "--pwfile", str(self.folder / "password"), "-E", "UTF8", "--locale", "C.UTF-8", "--no-sync",
        ]  # fmt: skip
        done = subprocess.run(words, capture_output=True, text=True, cwd=self.folder, **self.user)
        assert done.returncode == 0, done.stderr

    def start(self):
        words = [
            str(binaries() / "postgres"), "-D", str(self.folder / "data"), "-p", str(self.port),
            "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", "fsync=off",
            "-c", "max_connections=30", "-c", "shared_buffers=32MB",
        ]  # fmt: skip
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                words, stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self.folder, **self.user
            )
        deadline = time.monotonic() + 30
        while True:
            try:
                self.connect("postgres").close()
                return
            except psycopg.OperationalError:
                assert self.process.poll() is None, (self.folder / "log").read_text()
                assert time.monotonic() < deadline, (self.folder / "log").read_text()
                time.sleep(0.05)

    def stop(self):
        """Stop it as its own manual says: SIGINT ends all sessions; safe to call twice."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(30)

    def remove(self):
        """Stop it and take its folder away."""
        self.stop()
        shutil.rmtree(self.folder)

    def connect(self, name):
        return psycopg.connect(
            host="127.0.0.1", port=self.port, user="dutylog", dbname=name, passfile=str(self.password_file),
            autocommit=True,
        )  # fmt: skip

    def url(self, name):
        return f"postgresql://dutylog@127.0.0.1:{self.port}/{name}?passfile={self.password_file}"

    def new_url(self):
        """Return the address of an empty database; one that a test gave back costs a tenth of a new one."""
        if not self.free:
            self.free.append(f"bench_{len(self.lent)}_{self.port}")
            with self.connect("postgres") as connection:
                connection.execute(f"CREATE DATABASE {self.free[0]}")
        self.lent.append(self.free.pop())
        return self.url(self.lent[-1])

    def take_back(self):
        """Empty all databases that a test had."""
        for name in self.lent:
            with self.connect(name) as connection:
                others = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s AND pid <> %s"
                connection.execute(others, (name, connection.info.backend_pid))
                connection.execute("DROP SCHEMA public CASCADE")
                connection.execute("CREATE SCHEMA public")
        self.free += self.lent
        self.lent = []


@pytest.fixture(scope="session")
def cluster():
    """One server for the run; gone at its end."""
    cluster = Cluster()
    try:
        yield cluster
    finally:
        cluster.remove()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=needs_postgres)])
def url(request, tmp_path):
    """The address of a store that isn't there yet, of each kind."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'bench.sqlite'}"
        return
    cluster = request.getfixturevalue("cluster")
    yield cluster.new_url()
    cluster.take_back()


@pytest.fixture
def store(url):
    """A new store of each kind; its clock stands still."""
    with Store.open(url, ManualClock(utc_ns=START_UTC_NS)) as store:
        yield store
