"""A bench with a damper on it, served for real in a thread: what tests of a job's pages share. Names are invented."""

from __future__ import annotations

import asyncio
import re
import shutil
import socket
import threading
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any, Self

import httpx
import pytest
import uvicorn
from fastapi import FastAPI

from bench.card_made import Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.job_state import JobState, fold
from dutylog.bench.keys import BENCH_KEY_FILE, load_or_make
from dutylog.bench.owning import Owner, give_owner
from dutylog.bench.roles import MANAGER, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.bench.store.store import Store
from dutylog.bench.taking_in import take_card
from dutylog.clock import SystemClock
from dutylog.config.bench import BenchSettings
from dutylog.web.bench.accounts import set_account
from dutylog.web.bench.app import create_bench_app
from dutylog.web.settings import WebSettings
from web.access_parts import CODE, quick_code

NOBODY = Who("test", "program")
PEOPLE = {"Mina": MANAGER, "Tom": TECHNICIAN, "Ulla": TECHNICIAN, "Vic": VIEWER}
TODAY = date(2026, 11, 30)
_SEEN = re.compile(r'name="seen" value="([0-9]+)"')
_CSRF = re.compile(r'name="csrf" value="([^"]+)"')


def make_bench(folder: Path, card: dict[str, Any]) -> None:
    """Make the folder of a bench that knows four people and one damper, taken in by its card."""
    folder.mkdir(mode=0o700)
    key = load_or_make(folder / BENCH_KEY_FILE, SystemClock().utc_ns())
    with Store.open(folder / "bench.sqlite") as store:
        with store.write(NOBODY) as tx:
            told = {"bench_id": "b-1", "name": "Shed", "key_id": key.key_id, "public_key": key.public_key}
            tx.append("bench_put", told)
        for name, role in PEOPLE.items():
            set_account(store, NOBODY, name, role, code=quick_code(salt=name.encode().ljust(16, b".")))
        taken = take_card(store, NOBODY, encode_file(card), TODAY, name="one.card.json")
        assert taken.job_id == 1, taken.verdict
        with store.write(NOBODY) as tx:
            damper = tx.read.damper(taken.damper_id or "")
            assert damper is not None
            give_owner(tx, damper, Owner("Dee Example", "Old Red"))


class JobBench:
    """The real application over a real store, as `make_bench` left it; within `with` it is served for browsers too."""

    job = 1

    def __init__(self, folder: Path, units: str = "metric") -> None:
        self.folder = folder
        self.store = Store.open(folder / "bench.sqlite")
        self._listener = socket.create_server(("127.0.0.1", 0))
        port = self._listener.getsockname()[1]
        self.address = f"http://127.0.0.1:{port}"
        settings = BenchSettings(folder, "Shed", port=port, units=units)
        self.app = create_bench_app(self.store, settings, WebSettings(port=port))
        config = uvicorn.Config(self.app, log_level="warning", access_log=False, ws="none", timeout_graceful_shutdown=1)
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._listener]})

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self._server.should_exit = True
        self._thread.join(10)
        assert not self._thread.is_alive()
        self.close()

    def close(self) -> None:
        """Close what no server closed."""
        self._listener.close()
        self.store.close()

    @property
    def is_served(self) -> bool:
        """Return whether a browser reaches it."""
        return self._thread.is_alive()

    def path(self, rest: str = "") -> str:
        """Return a page of the job."""
        return f"/jobs/{self.job}{rest}"

    def store_who(self) -> Who:
        """Return who writes what no person of the test does."""
        return NOBODY

    def state(self) -> JobState:
        """Return what the job has come to."""
        return fold(self.store.read().entries_of_job(self.job))


class InProcess(httpx.BaseTransport):
    """Calls an application in this process, one request after the other."""

    def __init__(self, app: FastAPI) -> None:
        self._transport = httpx.ASGITransport(app, client=("127.0.0.1", 40_000))
        self._runner = asyncio.Runner()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Return the answer to a request, read as a whole."""
        return self._runner.run(self._ask(request))

    async def _ask(self, request: httpx.Request) -> httpx.Response:
        answer = await self._transport.handle_async_request(request)
        return httpx.Response(answer.status_code, headers=answer.headers, content=await answer.aread())

    def close(self) -> None:
        """End its loop."""
        self._runner.close()


class Person:
    """Somebody signed in at a bench, with a browser that keeps cookies and runs no script."""

    def __init__(self, bench: JobBench, name: str) -> None:
        self.bench = bench
        transport = None if bench.is_served else InProcess(bench.app)
        self.client = httpx.Client(transport=transport, base_url=bench.address, follow_redirects=True, timeout=30.0)
        answer = self.client.post("/sign-in", data={"name": name, "password": CODE, "next": bench.path("/inspection")})
        assert answer.status_code == 200, answer.text
        self.csrf = _CSRF.findall(answer.text)[0]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, _kind: object, _err: object, _trace: object) -> None:
        self.client.close()

    def get(self, rest: str = "", **more: Any) -> httpx.Response:
        """Open a page of the job; one that begins with two strokes is no page of it."""
        return self.client.get(self._path(rest), **more)

    def post(self, rest: str, fields: dict[str, str], files: dict[str, Any] | None = None) -> httpx.Response:
        """Send a form of such a page."""
        return self.client.post(self._path(rest), data={"csrf": self.csrf, **fields}, files=files)

    def answer(self, item: str, grade: str, files: dict[str, Any] | None = None, **fields: str) -> httpx.Response:
        """Answer a point as its form does; seen: entry of the answer that stood on its page."""
        told = {"grade": grade, "seen": self.seen(f"/inspection/{item}"), **fields}
        return self.post(f"/inspection/{item}", told, files)

    def seen(self, rest: str) -> str:
        """Return what the form of a page sends so that nobody is overruled unseen."""
        return str(_SEEN.findall(self.get(rest).text)[0])

    def _path(self, rest: str) -> str:
        return rest[1:] if rest.startswith("//") else self.bench.path(rest)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a bench with a damper of a life behind it, to be copied."""
    base = tmp_path_factory.mktemp("made")
    make_bench(base / "bench", Yard(base / "vehicle").issue())
    return base / "bench"


@pytest.fixture
def bench(tmp_path: Path, made: Path) -> Iterator[JobBench]:
    """Give a bench of a test's own."""
    opened = JobBench(shutil.copytree(made, tmp_path / "bench"))
    yield opened
    opened.close()


@pytest.fixture
def tom(bench: JobBench) -> Iterator[Person]:
    """Give a technician."""
    with Person(bench, "Tom") as person:
        yield person


@pytest.fixture
def ulla(bench: JobBench) -> Iterator[Person]:
    """Give another technician."""
    with Person(bench, "Ulla") as person:
        yield person


@pytest.fixture
def mina(bench: JobBench) -> Iterator[Person]:
    """Give a manager."""
    with Person(bench, "Mina") as person:
        yield person


def entries_of(bench: JobBench) -> int:
    return len(bench.store.read().entries_of_job(bench.job))
