"""The desk that has trips reviewed: each once, one at a time, slow, bounded, and gone when the pages are."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from dutylog.web.jobs import NICENESS
from dutylog.web.review_desk import (
    DONE,
    FAILED,
    MOST_KEPT,
    MOST_WAITING,
    NONE,
    WAITING,
    WORKING,
    DeskLimits,
    ReviewDesk,
)
from web.review_samples import program

pytestmark = pytest.mark.anyio
LONG = "import time; time.sleep(60)"
Make = Callable[..., ReviewDesk]


@pytest.fixture
async def make(tmp_path: Path) -> AsyncIterator[Make]:
    """Give a function that makes a desk whose command is a line of Python; ends them all."""
    desks: list[ReviewDesk] = []

    def one(code: str, **limits: float) -> ReviewDesk:
        desks.append(ReviewDesk(tmp_path, DeskLimits(**{"time_s": 30.0, **limits}), program(code)))  # type: ignore[arg-type]
        return desks[-1]

    yield one
    for desk in desks:
        await desk.close()


async def until(predicate: Callable[[], object]) -> None:
    async with asyncio.timeout(30):
        while not predicate():
            await asyncio.sleep(0.01)


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


async def test_the_command_gets_folder_and_key(make: Make, tmp_path: Path) -> None:
    """As shared/REVIEW.md has it, the key apart from options."""
    desk = make(f"import sys; open({str(tmp_path / 'said')!r}, 'w').write(' '.join(sys.argv[1:]))")
    assert desk.state("7.2").state == NONE
    assert desk.want("7.2", 1).state == WORKING
    await until(lambda: desk.state("7.2").state == DONE)
    assert (tmp_path / "said").read_text() == f"trip review --progress --data={tmp_path} -- 7.2"
    desk.want("7.2", 1, again=True, whole=True)
    await until(lambda: desk.state("7.2").state == DONE)
    assert (tmp_path / "said").read_text() == f"trip review --progress --again --data={tmp_path} -- 7.2"


async def test_a_trip_is_not_reviewed_twice_at_once_nor_again_of_the_same(make: Make, tmp_path: Path) -> None:
    """Ten phones open the same trip; somebody reloads; only news or a button starts it anew."""
    log = tmp_path / "log"
    desk = make(f"open({str(log)!r}, 'a').write('x')\nimport time; time.sleep(0.2)")
    for _ in range(10):
        desk.want("7", 1, again=True)
    await until(lambda: desk.state("7").state == DONE)
    assert log.read_text() == "x"
    desk.want("7", 1)
    await asyncio.sleep(0.1)
    assert (desk.state("7").state, log.read_text()) == (DONE, "x")
    for expected, version, again in (("xx", 2, False), ("xxx", 2, True)):
        assert desk.want("7", version, again).is_busy
        await until(lambda: not desk.state("7").is_busy)
        assert log.read_text() == expected


async def test_progress_is_told_as_it_comes(make: Make, tmp_path: Path) -> None:
    """Line by line, however they are cut up; what is no progress is not taken for it."""
    gate = tmp_path / "gate"
    desk = make(
        "import os, sys, time\n"
        "def say(text): sys.stderr.write(text); sys.stderr.flush()\n"
        "say('progress 0.1\\nprog'); time.sleep(0.1); say('ress 0.42\\nprogress nan\\nprogress 7\\nprogress -1\\n')\n"
        f"while not os.path.exists({str(gate)!r}): time.sleep(0.01)\n"
    )
    desk.want("7", 1)
    await until(lambda: desk.state("7").ratio == 0.42)
    assert desk.state("7").state == WORKING
    gate.touch()
    await until(lambda: desk.state("7").state == DONE)
    assert desk.state("7").ratio == 1.0


async def test_one_at_a_time_the_others_wait(make: Make, tmp_path: Path) -> None:
    """Two trips opened side by side must not take both processors from core."""
    log = tmp_path / "log"
    desk = make(
        f"import time; log = open({str(log)!r}, 'a', buffering=1)\n"
        "log.write('begin\\n'); time.sleep(0.2); log.write('end\\n')"
    )
    for key in ("1", "2", "3"):
        desk.want(key, 1)
    await until(lambda: desk.state("1").state == WORKING)
    assert [desk.state(key).state for key in ("2", "3")] == [WAITING, WAITING]
    await until(lambda: desk.state("3").state == DONE)
    assert log.read_text().split() == ["begin", "end"] * 3


async def test_it_has_the_lowest_priority(make: Make, tmp_path: Path) -> None:
    """Core and the live stream go first; helpers that the command starts have it too."""
    said = tmp_path / "said"
    desk = make(
        "import os, subprocess, sys, time\n"
        f"while os.nice(0) != {NICENESS}: time.sleep(0.01)\n"
        "nice = subprocess.run([sys.executable, '-c', 'import os; print(os.nice(0))'], stdout=subprocess.PIPE).stdout\n"
        f"open({str(said)!r}, 'wb').write(nice)"
    )
    desk.want("7", 1)
    await until(lambda: desk.state("7").state == DONE)
    assert said.read_text().strip() == str(NICENESS)


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("import sys; sys.exit('dutylog: trip 7: its log is gone')", "trip 7: its log is gone"),
        ("import sys; sys.stderr.write('progress 0.3\\ndutylog: disk full'); sys.exit(2)", "disk full"),
        ("import sys; sys.stderr.write('dutylog: no\\nprogress 0.9\\n'); sys.exit(2)", "no"),
        ("import os; os._exit(3)", "this trip could not be reviewed: it ended with status 3"),
        ("import os; os.kill(os.getpid(), 9)", "this trip could not be reviewed: signal 9 ended it"),
        ("import sys; sys.stderr.buffer.write(b'a\\x00\\xff\\x1b[31mb'); sys.exit(1)", "a \ufffd [31mb"),
        ("import sys; sys.stderr.write('y' * 5000); sys.exit(1)", "y" * 300),
    ],
)  # fmt: skip
async def test_a_failure_is_one_line(make: Make, code: str, text: str) -> None:
    """Whatever the command says, or if it says nothing."""
    desk = make(code)
    desk.want("7", 1)
    await until(lambda: not desk.state("7").is_busy)
    assert (desk.state("7").state, desk.state("7").text) == (FAILED, text)
    assert desk.want("7", 1).state == FAILED
    assert desk.want("7", 1, again=True).state == WORKING


async def test_what_takes_too_long_is_ended_with_its_helpers(make: Make, tmp_path: Path) -> None:
    """A process that hangs holds the board; so does one it left behind."""
    pids = tmp_path / "pids"
    desk = make(
        "import os, subprocess, sys, time\n"
        f"helper = subprocess.Popen([sys.executable, '-c', {LONG!r}])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{helper.pid}}')\n"
        "time.sleep(60)",
        time_s=1.5,
    )
    desk.want("7", 1)
    await until(lambda: not desk.state("7").is_busy)
    assert "longer than 1.5 s and was stopped; `dutylog trip review 7` in a terminal" in desk.state("7").text
    for pid in map(int, pids.read_text().split()):
        await until(lambda pid=pid: not is_alive(pid))


async def test_what_says_too_much_is_ended(make: Make) -> None:
    """Memory of the pages is bounded, a line without an end included."""
    for code in ("while True: sys.stderr.write('x' * 1000)", "while True: sys.stderr.write('x\\n' * 1000)"):
        desk = make(f"import sys\n{code}", output_bytes=100_000)
        desk.want("7", 1)
        await until(lambda desk=desk: not desk.state("7").is_busy)
        assert desk.state("7").text == "the review said more than 100000 bytes and was stopped"


async def test_what_it_prints_is_not_read(make: Make) -> None:
    """The files it writes are the answer; a long table must not block it."""
    desk = make("import sys\nfor _ in range(10_000): sys.stdout.write('x' * 1000)")
    desk.want("7", 1)
    await until(lambda: not desk.state("7").is_busy)
    assert desk.state("7").state == DONE


async def test_it_ends_when_the_pages_stop(make: Make) -> None:
    """Nothing is left running, nothing new begins, and who still waits is told."""
    desk = make(LONG)
    desk.want("1", 1)
    desk.want("2", 1)
    await until(lambda: desk.running_pid)
    pid = desk.running_pid
    assert pid is not None
    await desk.close()
    assert not is_alive(pid)
    assert {desk.state(key).state for key in ("1", "2")} == {FAILED}
    assert "stopping" in desk.state("2").text
    assert desk.want("3", 1).state == FAILED
    await desk.close()


async def test_too_many_at_once_are_told_so(make: Make) -> None:
    """A list of trips opened in tabs."""
    desk = make(LONG)
    for number in range(MOST_WAITING):
        assert desk.want(str(number + 1), 1).state == (WAITING if number else WORKING)
    assert "too many trips wait" in desk.want("100", 1).text
    assert desk.state("100").state == NONE


async def test_old_states_are_forgotten(make: Make) -> None:
    """Years of looking at trips take no memory."""
    desk = make("")
    for number in range(MOST_KEPT + 5):
        key = str(number + 1)
        desk.want(key, 1)
        await until(lambda key=key: desk.state(key).state == DONE)
    assert desk.state("1").state == NONE
    assert sum(desk.state(str(n + 1)).state == DONE for n in range(MOST_KEPT + 5)) <= MOST_KEPT


async def test_no_folder_and_no_program_are_said(tmp_path: Path) -> None:
    """Pages without data, and an installation that is broken."""
    assert "no data folder" in ReviewDesk(None).want("7", 1).text
    desk = ReviewDesk(tmp_path, program=(str(tmp_path / "nothing"),))
    desk.want("7", 1)
    await until(lambda: not desk.state("7").is_busy)
    assert desk.state("7").text.startswith("no process could be started to review this trip: ")
    await desk.close()


async def test_the_command_is_ours() -> None:
    """Of this installation, not whatever the path finds."""
    assert ReviewDesk(None)._program == (sys.executable, "-m", "dutylog.cli.main")
