"""The bench with 10 000 dampers and 100 000 services: what its pages ask the store for, and the pages themselves.

The store is filled through the same chain as by hand, in large transactions. Asked for: an intake page below 300 ms,
the board below 1 s.
"""

from __future__ import annotations

import copy
import os
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx

from bench.card_made import Yard
from bench.store.store_on import Cluster, binaries
from dutylog.bench.job_facts import read_intake
from dutylog.bench.store import Store, Who, backup
from dutylog.bench.store.append import Transaction
from publish.brokers import free_port

DAMPERS, SERVICES_EACH, PROFILES = 10_000, 10, 20
AT_ONCE = 500
"""Dampers a transaction brings in."""
PASSWORD = "nine old seals"  # noqa: S105
OF_MANY = 60
"""Dampers, or boards, of which the median is told."""
TODAY = date(2026, 11, 30)
WHO = Who("Ada Quill", "manager")
PARTS = ("shaft_seal", "oil", "wear_band", "joints", "piston_seal", "charge", "hose")
GRADES = ("as_new", "usable", "worn", "failed")
Json = dict[str, Any]


def bench_lines(folder: Path) -> list[str]:
    """Return the table for SQLite and, where it is installed, PostgreSQL, into which a backup of the first is put."""
    card = Yard(folder / "yard").issue()
    lines = ["| what | database | median ms | 9 of 10 within ms |", "| --- | --- | --- | --- |"]
    home, file = folder / "bench", folder / "bench.backup"
    _run("setup", "--data", str(home), "--name", "Bench", stdin=f"{PASSWORD}\n")
    with Store.open(home / "bench.sqlite") as store:
        lines.append(_once("filling", "SQLite", store, lambda: fill(store, card)))
        lines += _lines_of("SQLite", store, home)
        lines.append(_once("backup", "SQLite", store, lambda: backup.write(store, file)))
    sizes = [(home / "bench.sqlite").stat().st_size / 1e6, file.stat().st_size / 1e6]
    if binaries() is not None:
        lines += _lines_of_postgres(folder, file)
    told = f"{DAMPERS} dampers, {DAMPERS * SERVICES_EACH} services"
    return [*lines, "", f"{told}; SQLite's file {sizes[0]:.0f} MB, its backup {sizes[1]:.0f} MB."]


def _lines_of_postgres(folder: Path, file: Path) -> list[str]:
    cluster = Cluster()
    try:
        url, home = cluster.new_url(), folder / "bench-postgres"
        start_s = time.perf_counter()
        # As a shop has it: the password in libpq's own file, not in the address.
        os.environ["PGPASSFILE"] = str(cluster.password_file)
        _run("restore", str(file), "--data", str(home), "--store", url.split("?")[0])
        took_s = time.perf_counter() - start_s
        with Store.open(url) as store:
            return [f"| restore | PostgreSQL | {1e3 * took_s:.0f} | |", *_lines_of("PostgreSQL", store, home)]
    finally:
        os.environ.pop("PGPASSFILE", None)
        cluster.remove()


def _lines_of(name: str, store: Store, home: Path) -> list[str]:
    draw = random.Random(1)
    ids = [f"damper-{draw.randrange(DAMPERS)}" for _ in range(OF_MANY)]
    jobs = [store.read().jobs_of(one)[0].job_id for one in ids]
    until = (TODAY + timedelta(weeks=12)).isoformat()
    asked: dict[str, list[Callable[[], Any]]] = {
        "data of an intake page": [lambda one=one: _intake(store, one) for one in ids],
        "of it: like units": [lambda i=i: store.read().like_units(f"profile-{i % PROFILES}") for i in range(OF_MANY)],
        "of it: what was found": [
            lambda i=i: store.read().findings_of_profile(f"profile-{i % PROFILES}") for i in range(OF_MANY)
        ],
        "rows of a board, 12 weeks": [lambda: store.read().due_rows(until)] * 10,
        "rows of a board, all": [lambda: store.read().due_rows("2099-01-01")] * 5,
        "search by serial": [lambda one=one: store.read().search(one[-4:]) for one in ids],
        "search by customer": [lambda i=i: store.read().search(f"Customer {i}") for i in range(OF_MANY)],
        "a finding written": [lambda one=one: _write(store, one) for one in ids],
    }
    lines = [_line(what, name, [_took_ms(one) for one in calls]) for what, calls in asked.items()]
    with _signed_in(home) as get:
        pages = {
            "intake page over HTTP": [lambda job=job: get(f"/jobs/{job}") for job in jobs],
            "board over HTTP": [lambda: get("/board")] * 15,
            "first page over HTTP": [lambda: get("/")] * 15,
        }
        lines += [_line(what, name, [_took_ms(one) for one in calls]) for what, calls in pages.items()]
    lines.append(_once("walking the chain", name, store, store.verify))
    return [*lines, _once("making all tables again", name, store, store.rebuild)]


def _once(what: str, name: str, store: Store, act: Callable[[], Any]) -> str:
    took_ms = _took_ms(act)
    return f"| {what}, {store.read().head()[0]} entries | {name} | {took_ms:.0f} | |"


def _run(*words: str, stdin: str = "") -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dutylog.cli.main", "bench", *words], input=stdin, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


@contextmanager
def _signed_in(home: Path) -> Iterator[Callable[[str], None]]:
    """Serve a bench's pages by a process of its own and give what fetches one, signed in."""
    port = free_port()
    words = [sys.executable, "-m", "dutylog.cli.main", "bench", "serve", "--data", str(home), "--port", str(port)]
    log = home / "serve.log"
    with log.open("wb") as said:
        child = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=said, stderr=said)
    base = f"http://127.0.0.1:{port}"
    try:
        with httpx.Client(base_url=base, headers={"Origin": base}, timeout=60, follow_redirects=True) as client:
            for _ in range(600):
                with suppress(httpx.TransportError):
                    client.get("/sign-in")
                    break
                assert child.poll() is None, log.read_text()
                time.sleep(0.1)
            client.post("/sign-in", data={"name": "manager", "password": PASSWORD})

            def get(path: str) -> None:
                answer = client.get(path)
                assert (answer.status_code, answer.url.path) == (200, path), (answer.status_code, answer.url)

            get("/")
            yield get
    finally:
        child.terminate()
        child.wait(30)


def fill(store: Store, card: Json) -> None:
    """Bring in all dampers with their customers, vehicles, cards, forecasts and services."""
    draw = random.Random(0)
    for first in range(0, DAMPERS, AT_ONCE):
        with store.write(WHO) as tx:
            for number in range(first, first + AT_ONCE):
                _bring_in(tx, number, card, draw)


def _bring_in(tx: Transaction, number: int, card: Json, draw: random.Random) -> None:
    damper_id, vehicle = f"damper-{number}", f"vehicle-{number // 4}"
    if number % 4 == 0:
        customer = f"customer-{number // 8}"
        if number % 8 == 0:
            tx.append("customer_put", {"customer_id": customer, "name": f"Customer {number // 8} Made-Up"})
        tx.append("vehicle_put", {"vehicle_key": vehicle, "label": f"Vehicle {number // 4}", "customer_id": customer})
    profile = card["profile"] | {"name": f"profile-{number % PROFILES}"}
    damper = {"construction": "floating_piston", "reservoir": "hose", "joints": "rod_end", "serial": f"SN-{number:05d}"}
    damper |= {"unit_id": f"unit-{number}", "vehicle_key": vehicle, "position": "front_left"}
    tx.append("damper_put", {**damper, "profile_name": profile["name"], "profile": profile}, damper_id)
    digest = f"{number:064x}"
    tx.append("card_imported", _card_data(card, number, digest, profile, draw), damper_id)
    tx.append("due_put", {"day": TODAY.isoformat(), "basis": "card", "rows": list(_due_rows(draw))}, damper_id)
    for visit in range(SERVICES_EACH):
        job_id = tx.append("job_opened", {"basis": "card", "digest": digest}, damper_id).job_id
        day = TODAY - timedelta(days=30 * (SERVICES_EACH - visit) + draw.randrange(30))
        parts = draw.sample(PARTS, 3)
        found = {part: draw.choice(GRADES) for part in parts}
        record = {"record": {"day": day.isoformat()}, "found": found, "replaced": parts[:2], "by": "Bo Lind"}
        made = {"sequence": visit + 1, "digest": f"{number * 100 + visit:064x}", "record": record}
        tx.append("record_made", made, job_id=job_id)
        if visit < SERVICES_EACH - 1 or number % 100:
            tx.append("stage", {"stage": "handed_over"}, job_id=job_id)


def _card_data(card: Json, number: int, digest: str, profile: Json, draw: random.Random) -> Json:
    made = copy.copy(card)
    made["damper"] = card["damper"] | {"unit_id": f"unit-{number}", "serial": f"SN-{number:05d}"}
    made["profile"] = profile
    made["parts"] = [
        one | {"used_share": (share := draw.uniform(0.05, 1.3)), "used_ratio": share} for one in card["parts"]
    ]
    return {
        "ledger_id": f"{number // 4:064x}",
        "unit_id": f"unit-{number}",
        "sequence": 1,
        "digest": digest,
        "key_id": "0123456789abcdef",
        "head_row": card["evidence"]["head_row"],
        "notices": [],
        "accepted": [],
        "card": made,
    }


def _due_rows(draw: random.Random) -> Iterator[Json]:
    for part in PARTS:
        likely = draw.randrange(10, 900)
        days = {"early": likely * 2 // 3, "likely": likely, "late": likely * 2, "order_by": likely - 21}
        told = {key: (TODAY + timedelta(days=value)).isoformat() for key, value in days.items()}
        yield {"part": part, **told, "used_ratio": draw.random()}


def _intake(store: Store, damper_id: str) -> object:
    with store.read() as reading:
        damper, job = reading.damper(damper_id), reading.jobs_of(damper_id)[0]
        assert damper is not None
        return read_intake(reading, job, damper, TODAY)


def _write(store: Store, damper_id: str) -> None:
    with store.write(WHO) as tx:
        job = tx.read.jobs_of(damper_id)[0]
        data = {"item": "seal_head", "grade": "usable", "measures": {}, "photos": []}
        tx.append("finding", data, job_id=job.job_id)


def _took_ms(act: Callable[[], Any]) -> float:
    start_s = time.perf_counter()
    act()
    return 1e3 * (time.perf_counter() - start_s)


def _line(what: str, name: str, took_ms: list[float]) -> str:
    ordered = sorted(took_ms)
    return f"| {what} | {name} | {statistics.median(took_ms):.1f} | {ordered[int(0.9 * (len(ordered) - 1))]:.1f} |"
