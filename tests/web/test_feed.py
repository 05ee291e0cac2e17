"""The way from core's socket to the newest snapshot: cut lines, garbage, lost and returned core."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.clock import ManualClock, SystemClock
from dutylog.publish.core_link import LineSplitter, SocketReader
from dutylog.publish.snapshot import MAX_LINE_BYTES, encode_snapshot
from dutylog.sockets import LIVE, RESTING, WATCHED, unix_address
from dutylog.web.events import LiveText
from dutylog.web.feed import LINGER_S, LiveFeed
from web.core_socket import FakeCore
from web.samples import snapshot

pytestmark = pytest.mark.anyio


@given(st.lists(st.binary(max_size=12).filter(lambda b: b"\n" not in b), max_size=8), st.lists(st.integers(1, 9)))
def test_cuts_of_the_stream_do_not_change_the_lines(lines: list[bytes], cuts: list[int]) -> None:
    """A socket may hand over bytes in any pieces."""
    stream = b"".join(line + b"\n" for line in lines)
    splitter = LineSplitter(limit=8)
    got: list[bytes] = []
    at = 0
    for step in [*cuts, len(stream) + 1]:
        got += splitter.push(stream[at : at + step])
        at += step
    assert got == [line for line in lines if 0 < len(line) <= 8]
    assert splitter.oversized_count == sum(len(line) > 8 for line in lines)


def test_unfinished_line_waits_for_its_end() -> None:
    """Half a snapshot is no snapshot."""
    splitter = LineSplitter()
    assert splitter.push(b"ab") == []
    assert splitter.push(b"c\nd") == [b"abc"]


async def test_link_is_waiting_then_live_then_stale() -> None:
    """Three seconds without data are said at once."""
    clock = ManualClock(mono_ns=5_000_000_000)
    feed = LiveFeed(clock)
    assert (feed.link(), feed.age_s()) == ("waiting", None)
    assert feed.accept_line(encode_snapshot(snapshot(1)))
    clock.advance(3.0)
    assert (feed.link(), feed.age_s()) == ("live", 3.0)
    clock.advance(0.1)
    assert feed.link() == "stale"


async def test_readings_that_stand_still_are_stale_however_new_their_snapshot() -> None:
    """A core whose disk takes nothing goes on talking: "live" and "ok" would be a lie about heat."""
    feed = LiveFeed(ManualClock())
    feed.accept_line(encode_snapshot(snapshot(seq=1, standing_s=2.9)).strip())
    assert feed.link() == "live"
    feed.accept_line(encode_snapshot(snapshot(seq=2, standing_s=3.9)).strip())
    assert (feed.link(), feed.age_s()) == ("stale", 3.9)
    feed.accept_line(encode_snapshot(snapshot(seq=3)).strip())
    assert (feed.link(), feed.age_s()) == ("live", 0.0)


async def test_repeated_snapshot_is_no_new_data() -> None:
    """A core that hangs and repeats itself must go stale; a restarted one with the same number is new."""
    feed = LiveFeed(ManualClock())
    assert feed.accept_line(encode_snapshot(snapshot(1)))
    assert not feed.accept_line(encode_snapshot(snapshot(1)))
    assert feed.counters.repeated_count == 1
    assert feed.accept_line(encode_snapshot(snapshot(1, boot_id="boot-2")))


async def test_a_slow_reader_gets_only_the_newest() -> None:
    """What came in between is skipped, not queued."""
    feed = LiveFeed(ManualClock())
    for seq in range(1, 100):
        feed.accept_line(encode_snapshot(snapshot(seq)))
    assert await feed.wait_after(3) == 99
    assert feed.newest is not None
    assert feed.newest.snapshot.seq == 99


async def test_every_waiting_reader_wakes_for_news_and_for_the_end() -> None:
    """No phone may miss the stop."""
    feed = LiveFeed(ManualClock())
    waits = [asyncio.create_task(feed.wait_after(0)) for _ in range(3)]
    await asyncio.sleep(0)
    feed.accept_line(encode_snapshot(snapshot(7)))
    assert await asyncio.gather(*waits) == [1, 1, 1]
    waits = [asyncio.create_task(feed.wait_after(1)) for _ in range(3)]
    await asyncio.sleep(0)
    feed.close()
    assert await asyncio.gather(*waits) == [None, None, None]


async def test_screens_that_wait_share_one_text_and_one_that_comes_later_gets_a_true_age() -> None:
    """Twenty screens cost one; but a text of a minute ago says that its readings are fresh."""
    clock = ManualClock()
    feed = LiveFeed(clock)
    text = LiveText(feed)
    feed.accept_line(encode_snapshot(snapshot(1)))
    first = text.event(1)
    assert text.event(1) is first
    clock.advance(60.0)
    later = text.event(1)
    assert [json.loads(one.split(b"data: ")[1].split(b"\n")[0])["age_s"] for one in (first, later)] == [0.0, 60.0]
    feed.accept_line(encode_snapshot(snapshot(2)))
    assert b'"seq":2,' in text.event(2)


async def test_what_is_wrong_with_the_way_is_told_without_a_new_snapshot() -> None:
    """A screen must not wait for data to learn why there is none; the same words wake nobody twice."""
    feed = LiveFeed(ManualClock())
    wait = asyncio.create_task(feed.wait_after(0))
    await asyncio.sleep(0)
    feed.say("broker x is out of reach")
    assert await wait == 1
    feed.say("broker x is out of reach")
    assert feed.changes_count == 1
    assert b'"notice":"broker x is out of reach"' in LiveText(feed).event(1)
    feed.say("")
    assert b'"notice":null' in LiveText(feed).event(2)


@asynccontextmanager
async def reading(data_dir: Path) -> AsyncIterator[LiveFeed]:
    """Run the reader of a data folder while the body runs."""
    feed = LiveFeed(SystemClock())
    task = asyncio.create_task(SocketReader(feed, data_dir).run())
    try:
        yield feed
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(predicate: Callable[[], object], limit_s: float = 10.0) -> None:
    async with asyncio.timeout(limit_s):
        while not predicate():
            await asyncio.sleep(0.01)


async def test_socket_survives_garbage_oversize_and_a_broken_line(fake_core: FakeCore) -> None:
    """Bad lines are counted one by one and the next good line is shown."""
    async with reading(fake_core.data_dir) as feed:
        await until(lambda: feed.connected)
        good = encode_snapshot(snapshot(1))
        fake_core.push_bytes(b'garbage\n{"schema":1}\n\n' + good[:200])
        fake_core.push_bytes(good[200:])
        await until(lambda: feed.newest)
        assert (feed.counters.garbled_count, feed.counters.oversized_count) == (2, 0)
        too_long = b"x" * (3 * MAX_LINE_BYTES) + b"\n"
        await asyncio.to_thread(fake_core.push_bytes, too_long + encode_snapshot(snapshot(2)))
        await until(lambda: feed.newest and feed.newest.snapshot.seq == 2)
        assert (feed.counters.garbled_count, feed.counters.oversized_count) == (2, 1)
        assert feed.connected


async def test_pages_find_core_again_after_it_was_away(fake_core: FakeCore) -> None:
    """Restarting core must not need a restart of the pages."""
    async with reading(fake_core.data_dir) as feed:
        await until(lambda: feed.connected)
        fake_core.push(snapshot(1))
        await until(lambda: feed.newest)
        fake_core.stop()
        await until(lambda: not feed.connected)
        fake_core.start()
        fake_core.push(snapshot(1, boot_id="boot-2"))
        await until(lambda: feed.newest and feed.newest.snapshot.boot_id == "boot-2")
        assert (feed.counters.connects_count, feed.counters.disconnects_count) == (2, 1)


async def test_half_a_line_before_a_break_is_not_joined_to_the_next(fake_core: FakeCore) -> None:
    """The rest of a cut line belongs to nobody."""
    async with reading(fake_core.data_dir) as feed:
        await until(lambda: feed.connected)
        fake_core.push_bytes(encode_snapshot(snapshot(1))[:-40])
        await asyncio.sleep(0.05)
        fake_core.drop_clients()
        await until(lambda: feed.counters.disconnects_count == 1)
        fake_core.push(snapshot(2))
        await until(lambda: feed.newest)
        assert feed.newest is not None
        assert (feed.newest.snapshot.seq, feed.counters.garbled_count) == (2, 0)


async def test_no_core_is_said_in_words_and_does_not_end_the_reader(tmp_path: Path) -> None:
    """The pages may start first."""
    async with reading(tmp_path) as feed:
        await until(lambda: feed.last_problem)
        assert "no core at" in feed.last_problem
        with FakeCore(tmp_path) as core:
            core.push(snapshot(5))
            await until(lambda: feed.newest)


async def test_a_deep_data_folder_works(tmp_path: Path) -> None:
    """A socket address takes 107 bytes only."""
    deep = tmp_path / ("d" * 120)
    deep.mkdir()
    with unix_address(deep, LIVE) as path:
        assert len(path) < 107
    with FakeCore(deep) as core:
        async with reading(deep) as feed:
            core.push(snapshot(5))
            await until(lambda: feed.newest)


class Line:
    """Stands for the line to core: keeps what is said to it."""

    def __init__(self, feed: LiveFeed) -> None:
        self.said = b""
        feed.line_up(self.say)

    def say(self, octets: bytes) -> None:
        self.said += octets


async def test_core_may_rest_once_nobody_has_looked_for_a_while() -> None:
    """Not while a screen is open, nor at once after it was closed."""
    feed = LiveFeed(clock := ManualClock())
    line = Line(feed)
    feed.accept(snapshot(1))
    with feed.screen():
        clock.advance(LINGER_S + 1.0)
        feed.accept(snapshot(2))
    clock.advance(LINGER_S - 0.1)
    feed.accept(snapshot(3))
    assert line.said == b""
    clock.advance(0.2)
    feed.accept(snapshot(4))
    feed.accept(snapshot(5))
    assert line.said == RESTING


async def test_whoever_looks_while_core_rests_waits_for_news_and_so_does_the_next() -> None:
    """Else the first thing on a screen would be some seconds old."""
    feed = LiveFeed(clock := ManualClock())
    line = Line(feed)
    await feed.look()  # nothing has come yet, and nobody rests
    clock.advance(LINGER_S + 1.0)
    feed.accept(snapshot(1))
    first, second = (asyncio.create_task(feed.look()) for _ in range(2))
    await asyncio.sleep(0.01)
    assert line.said == RESTING + WATCHED
    assert not first.done()
    assert not second.done()
    feed.accept(snapshot(2))
    await asyncio.gather(first, second)
    await feed.look()
    assert line.said == RESTING + WATCHED


async def test_a_core_that_says_nothing_when_it_is_woken_is_not_waited_for_long(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whoever looks sees what there is, and that it is old."""
    monkeypatch.setattr("dutylog.web.feed.FRESH_S", 0.01)
    feed = LiveFeed(clock := ManualClock())
    Line(feed)
    clock.advance(LINGER_S + 1.0)
    feed.accept(snapshot(1))
    clock.advance(5.0)
    await feed.look()
    assert feed.link() == "stale"


async def test_a_core_that_comes_back_is_taken_not_to_rest() -> None:
    """It begins as if somebody looked, so it is told anew that nobody does; while it is away nobody is told."""
    feed = LiveFeed(clock := ManualClock())
    before = Line(feed)
    clock.advance(LINGER_S + 1.0)
    feed.accept(snapshot(1))
    feed.line_down()
    feed.accept(snapshot(2))
    await feed.look()
    assert before.said == RESTING
    clock.advance(LINGER_S + 1.0)
    after = Line(feed)
    feed.accept(snapshot(3))
    assert after.said == RESTING


async def test_the_reader_says_to_core_who_looks(fake_core: FakeCore, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a real socket."""
    monkeypatch.setattr("dutylog.web.feed.LINGER_S", 0.0)
    async with reading(fake_core.data_dir) as feed:
        fake_core.push(snapshot(1))
        await until(lambda: feed.newest)
        heard = bytearray()
        await until(lambda: heard.extend(fake_core.said()) or heard == RESTING)
        look = asyncio.create_task(feed.look())
        await until(lambda: heard.extend(fake_core.said()) or heard == RESTING + WATCHED)
        fake_core.push(snapshot(2))
        await look
        assert feed.newest is not None
        assert feed.newest.snapshot.seq == 2


async def test_a_look_ends_with_the_line_and_only_the_first_waits_for_a_silent_core(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else every page would be slow for as long as core is away."""
    feed = LiveFeed(clock := ManualClock())
    Line(feed)
    clock.advance(LINGER_S + 1.0)
    feed.accept(snapshot(1))
    monkeypatch.setattr("dutylog.web.feed.FRESH_S", 60.0)
    look = asyncio.create_task(feed.look())
    await asyncio.sleep(0.01)
    feed.line_down()
    await asyncio.wait_for(look, 5.0)
    await asyncio.wait_for(feed.look(), 5.0)
    Line(feed)
    clock.advance(LINGER_S + 1.0)
    feed.accept(snapshot(2))
    monkeypatch.setattr("dutylog.web.feed.FRESH_S", 0.01)
    await feed.look()
    monkeypatch.setattr("dutylog.web.feed.FRESH_S", 60.0)
    await asyncio.wait_for(feed.look(), 5.0)
