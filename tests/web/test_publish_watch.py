"""What the pages know of publishing: asked of its process, believed only when it makes sense."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from pathlib import Path

import pytest

from dutylog.clock import SystemClock
from dutylog.sockets import PUBLISH
from dutylog.web.feed import LiveFeed
from dutylog.web.health import _published
from dutylog.web.publish_watch import NOT_RUNNING, PublishWatch, Told, parse_answer

pytestmark = pytest.mark.anyio

OUTPUT = {
    "name": "mqtt", "state": "late", "period_s": 30.0, "acked_age_s": 120.0, "problem": "broker x is out of reach",
    "waiting": {"alert": 2, "live": 1}, "dropped": {"live": 5}, "undated": {"live": 1, "duty": 1}, "rejected_count": 3,
    "acked_count": 9, "restarts_count": 0,
}  # fmt: skip
GOOD = {"schema": 1, "engine": "1", "outputs": [OUTPUT]}


def line_of(**changes: object) -> bytes:
    return json.dumps({**GOOD, "outputs": [{**OUTPUT, **changes}]}).encode() + b"\n"


def test_counts_are_added_up() -> None:
    (told,) = parse_answer(line_of()).told
    assert told == Told("mqtt", "late", 3, 7, 3, 120.0, "broker x is out of reach")


def test_health_says_it_in_one_line() -> None:
    counts = {"waiting_count": 3, "dropped_count": 7, "rejected_count": 1, "acked_age_s": None, "problem": "why"}
    publish = {"told": [{"name": "mqtt", "state": "not_running", **counts}]}
    assert _published(publish) == "mqtt not running, nothing acknowledged yet, 3 wait, 7 dropped, 1 rejected (why)"
    assert _published(None) == "to nobody"


@pytest.mark.parametrize(
    "line",
    [
        b"", b"\n", b"[]\n", b"null\n", b"\xff\n", b'{"outputs": 3}\n', b'{"outputs": [3]}\n', b"[" * 60_000,
        line_of(state="splendid"), line_of(state=None), line_of(waiting=3), line_of(rejected_count="many"),
        line_of(acked_age_s=float("nan")), line_of(name=None), line_of(problem=7),
    ],
)  # fmt: skip
def test_nonsense_is_refused(line: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_answer(line)


def test_text_stays_one_line() -> None:
    (told,) = parse_answer(line_of(problem="a\nb\u2028c" + "x" * 999)).told
    assert told.problem is not None
    assert told.problem.startswith("a b c")
    assert len(told.problem) == 300


async def answer_of(data_dir: Path, data: bytes) -> object:
    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            writer.write(data)
            await writer.drain()
        writer.close()

    server = await asyncio.start_unix_server(serve, str(data_dir / PUBLISH))
    try:
        return await PublishWatch(LiveFeed(SystemClock()), data_dir).ask()
    finally:
        server.close()


async def test_nobody_is_told_where_there_is_no_socket(tmp_path: Path) -> None:
    assert await PublishWatch(LiveFeed(SystemClock()), tmp_path).ask() is None


async def test_a_good_answer(tmp_path: Path) -> None:
    now = await answer_of(tmp_path, line_of())
    assert now == parse_answer(line_of())


@pytest.mark.parametrize("data", [b"", b"garbage\n", b"x" * 300_000, b"{\n"])
async def test_a_bad_answer_counts_as_not_running(tmp_path: Path, data: bytes) -> None:
    now = await answer_of(tmp_path, data)
    assert [told.state for told in now.told] == [NOT_RUNNING]  # type: ignore[attr-defined]


async def test_a_socket_that_a_killed_process_left_behind(tmp_path: Path) -> None:
    server = await asyncio.start_unix_server(lambda *_: None, str(tmp_path / PUBLISH))
    server.close()
    assert os.path.exists(tmp_path / PUBLISH)
    now = await PublishWatch(LiveFeed(SystemClock()), tmp_path).ask()
    assert now is not None
    assert [told.state for told in now.told] == [NOT_RUNNING]


async def test_a_process_that_hangs_does_not_hold_the_pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dutylog.web.publish_watch.ANSWER_S", 0.05)
    hang = asyncio.Event()

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await hang.wait()
        writer.close()

    server = await asyncio.start_unix_server(serve, str(tmp_path / PUBLISH))
    now = await PublishWatch(LiveFeed(SystemClock()), tmp_path).ask()
    hang.set()
    server.close()
    assert now is not None
    assert [told.state for told in now.told] == [NOT_RUNNING]
