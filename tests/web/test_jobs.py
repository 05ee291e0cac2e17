"""The runner of commands beside the pages: one at a time, slow, bounded, and gone when the pages are."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.duty.totals import Totals
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.jobs import MOST_KEPT, MOST_WAITING, NICENESS, JobFailed, JobLimits, Jobs
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.settings import WebSettings
from life.lived import START, Lived
from web.life_samples import fake_jobs
from web.samples import fake_ledger

pytestmark = pytest.mark.anyio
SAY = "import sys; print(sys.argv[1:])"
LONG = "import time; time.sleep(60)"
LIMITS = JobLimits(time_s=30.0, output_bytes=10_000, kept_s=30.0)
Make = Callable[..., Jobs]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Give a function that makes a runner whose program is a line of Python."""
    return lambda code, clock=None, **limits: Jobs(
        tmp_path, replace(LIMITS, **limits), clock, (sys.executable, "-c", code)
    )


async def until(predicate: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not predicate():
            await asyncio.sleep(0.01)


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


async def test_names_are_never_options(make: Make, tmp_path: Path) -> None:
    """A serial is whatever somebody stamped on a damper."""
    said = await make(SAY).ask(("life", "show"), ("--help", "-x"), 1)
    assert said == f"{['life', 'show', f'--data={tmp_path}', '--', '--help', '-x']}\n"


async def test_a_serial_that_looks_like_an_option_is_found_by_the_command(tmp_path: Path) -> None:
    """The real command on a real ledger: the damper `--help` has a life too."""
    lived = Lived(tmp_path)
    lived.tell_plain("add", serial="--help", profile="desert")
    lived.ids[3] = lived.ledger.find_unit("--help").unit_id
    lived.totals[lived.ids[3]] = Totals()
    lived.drive(START, 2)
    lived.close()
    said = json.loads(await Jobs(tmp_path).ask(("life", "show", "--format=json"), ("--help",), 1))
    assert [one["serial"] for one in said["dampers"]] == ["--help"]


async def test_a_job_has_the_lowest_priority(make: Make) -> None:
    """The live stream and core go first on a board with one slow processor."""
    code = (
        "import os, time\n"
        "end = time.monotonic() + 10\n"
        f"while os.nice(0) != {NICENESS} and time.monotonic() < end: time.sleep(0.01)\n"
        "print(os.nice(0))"
    )
    assert (await make(code).ask((), (), 1)).strip() == "19"


async def test_what_takes_too_long_is_ended(make: Make) -> None:
    """A request that hangs for ever holds a phone's page; a process that does holds the board."""
    jobs = make(LONG, time_s=0.5)
    asked = asyncio.create_task(jobs.ask(("life", "show"), (), 1))
    await until(lambda: jobs.running_pid)
    pid = jobs.running_pid
    assert pid is not None
    with pytest.raises(JobFailed, match=r"longer than 0\.5 s and was stopped; `dutylog life show` in a terminal"):
        await asked
    assert not is_alive(pid)
    assert jobs.running_pid is None


@pytest.mark.parametrize("end", ["stdout", "stderr"])
async def test_what_says_too_much_is_ended(make: Make, end: str) -> None:
    """Memory of the pages is bounded, whatever a damaged ledger makes a command print."""
    jobs = make(f"import sys\nwhile True: sys.{end}.write('x' * 1000)")
    with pytest.raises(JobFailed, match="longer than 10000 bytes and was stopped"):
        await jobs.ask((), (), 1)
    assert jobs.running_pid is None


async def test_one_at_a_time(make: Make, tmp_path: Path) -> None:
    """Four phones that open four dampers must not take four processors."""
    log = tmp_path / "log"
    code = (
        "import sys, time\n"
        f"log = open({str(log)!r}, 'a', buffering=1)\n"
        "log.write('begin\\n'); time.sleep(0.1); log.write('end\\n')\n"
        "print(sys.argv[-1])"
    )
    jobs = make(code)
    said = await asyncio.gather(*(jobs.ask((), (f"unit {n}",), 1) for n in range(4)))
    assert said == [f"unit {n}\n" for n in range(4)]
    assert log.read_text().split() == ["begin", "end"] * 4


async def test_the_same_question_is_worked_out_once(make: Make, tmp_path: Path) -> None:
    """Also while it is under way, and for a short while after; what somebody told the ledger asks anew."""
    log, clock = tmp_path / "log", ManualClock(mono_ns=10**12)
    jobs = make(f"open({str(log)!r}, 'a').write('x'); print('so')", clock=clock)

    def runs() -> int:
        return len(log.read_text())

    assert await asyncio.gather(*(jobs.ask(("a",), (), 1) for _ in range(5))) == ["so\n"] * 5
    assert runs() == 1
    clock.advance(29.9)
    await jobs.ask(("a",), (), 1)
    assert runs() == 1
    await jobs.ask(("a",), (), 2)
    await jobs.ask(("b",), (), 1)
    assert runs() == 3
    clock.advance(0.2)
    await jobs.ask(("a",), (), 1)
    assert runs() == 4


async def test_only_so_many_answers_are_kept(make: Make) -> None:
    """Memory stays bounded in a shop of many dampers."""
    jobs = make("print('x')", clock=ManualClock(mono_ns=10**12))
    for version in range(3):
        await jobs.ask((), (), version)
    jobs._kept.update({((str(n),), 0): (0, "") for n in range(2 * MOST_KEPT)})
    await jobs.ask((), (), 9)
    assert len(jobs._kept) == MOST_KEPT


async def test_only_so_many_bytes_are_kept(make: Make) -> None:
    """32 answers of four megabytes would be half the memory of a small board; the newest stays."""
    jobs = make("print('x')", clock=ManualClock(mono_ns=10**12))
    jobs._kept.update({((str(n),), 0): (0, "x" * 4_000_000) for n in range(8)})
    await jobs.ask((), (), 9)
    assert len(jobs._kept) == 4
    assert list(jobs._kept.values())[-1][1] == "x\n"


async def test_who_comes_too_late_is_told_so(make: Make) -> None:
    """A queue without an end would hold every connection there is."""
    jobs = make(LONG)
    asked = [asyncio.create_task(jobs.ask((), (str(n),), 1)) for n in range(MOST_WAITING)]
    await until(lambda: jobs.running_pid)
    with pytest.raises(JobFailed, match="too many ask for this at once"):
        await jobs.ask((), ("one more",), 1)
    await jobs.close()
    found = await asyncio.gather(*asked, return_exceptions=True)
    assert {type(one) for one in found} == {JobFailed}


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("import sys; sys.stderr.write('note\\ndutylog: no damper x; see\\x1b[1m the list\\n'); sys.exit(2)",
         r"^no damper x; see \[1m the list$"),
        ("import sys; sys.exit(70)", "^this could not be worked out: it ended with status 70$"),
        ("import os; os.kill(os.getpid(), 9)", "^this could not be worked out: signal 9 ended it$"),
        ("import sys; sys.exit('x' * 1000)", "^x{300}$"),
    ],
)  # fmt: skip
async def test_what_went_wrong_is_one_line(make: Make, code: str, text: str) -> None:
    """Whatever the command prints: printable, short, without our program's name in front."""
    with pytest.raises(JobFailed, match=text):
        await make(code).ask((), (), 1)


async def test_what_failed_is_tried_again(make: Make, tmp_path: Path) -> None:
    """A busy ledger a second ago says nothing of now."""
    mark = tmp_path / "mark"
    jobs = make(
        f"import os, sys; p = {str(mark)!r}\nif not os.path.exists(p): open(p, 'w'); sys.exit('busy')\nprint(1)"
    )
    with pytest.raises(JobFailed, match="busy"):
        await jobs.ask((), (), 1)
    assert await jobs.ask((), (), 1) == "1\n"


async def test_no_folder_and_no_program_are_said(tmp_path: Path) -> None:
    """Neither is a fault of the reader."""
    with pytest.raises(JobFailed, match="no data folder"):
        await Jobs(None).ask((), (), 1)
    with pytest.raises(JobFailed, match="no process could be started"):
        await Jobs(tmp_path, program=(str(tmp_path / "none"),)).ask((), (), 1)


async def test_closing_ends_what_is_under_way(make: Make) -> None:
    """No process of ours outlives the pages."""
    jobs = make(LONG)
    asked = asyncio.create_task(jobs.ask((), (), 1))
    await until(lambda: jobs.running_pid)
    pid = jobs.running_pid
    assert pid is not None
    await jobs.close()
    with pytest.raises(JobFailed, match="the pages are stopping"):
        await asked
    assert not is_alive(pid)
    with pytest.raises(JobFailed, match="the pages are stopping"):
        await jobs.ask((), (), 2)


async def test_a_request_that_is_cancelled_takes_its_process_along(make: Make) -> None:
    """The server cancels requests that are still under way when it stops."""
    jobs = make(LONG)
    asked = asyncio.create_task(jobs.ask((), (), 1))
    await until(lambda: jobs.running_pid)
    pid = jobs.running_pid
    assert pid is not None
    asked.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asked
    assert not is_alive(pid)


async def test_the_application_closes_its_runner() -> None:
    """The end of the pages reaches the runner."""
    jobs = fake_jobs()
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), fake_ledger(), WebSettings(), jobs=jobs)
    async with app.router.lifespan_context(app):
        assert not jobs.is_closed
    assert jobs.is_closed


async def test_live_values_go_on_while_a_job_runs(make: Make) -> None:
    """The reason for a process of its own: the live page waits for nothing."""
    jobs, view = make(LONG), fake_ledger()
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), view, WebSettings(), jobs=jobs)
    transport: Any = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8321") as client:
        waiting = asyncio.create_task(client.get("/due"))
        await until(lambda: jobs.running_pid)
        for _ in range(5):
            assert (await client.get("/api/live")).status_code == 200
        assert not waiting.done()
        await jobs.close()
        answer = await waiting
    assert answer.status_code == 503
    assert "The figures are not here: the pages are stopping" in answer.text


async def test_the_real_command_answers_the_real_page(tmp_path: Path) -> None:
    """Ledger, command, runner and pages together: a year of drives, a service and a mark."""
    lived = Lived(tmp_path)
    lived.drive(START, 30)
    lived.tell("service", unit="SN-1", on="2026-02-01", note="all well", replaced=["oil"], found={"oil": "usable"})
    lived.tell("shaft_mark", unit="SN-1", mark="nick", distance_mm=60.0, size_mm=1.5, is_sharp=True)
    lived.close()
    app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), SqliteLedgerView(tmp_path), WebSettings(data_dir=tmp_path))
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://127.0.0.1:8321") as client:
        page = await client.get("/dampers/SN-1/life")
        told = (await client.get("/api/dampers/SN-1/life")).json()["dampers"][0]
        due, part = await client.get("/due"), await client.get("/dampers/SN-1/life/oil")
        absent = await client.get("/dampers/SN-1/life/bladder")
    assert [answer.status_code for answer in (page, due, part, absent)] == [200, 200, 200, 404]
    for one in told["parts"]:
        assert f'id="part-{one["part"]}"' in page.text
    assert {one["part"]: one["since_entry"] for one in told["parts"]}["oil"] is not None
    assert "Ada</span>: service: replaced oil; found oil usable" in page.text
    assert "Mark on the shaft" in page.text
    assert [f"SN-{n}" in due.text for n in range(1, 5)] == [True] * 4
    assert "energy turned to heat / mass of the oil" in part.text
    assert "no part &#39;bladder&#39; of this damper" in absent.text
