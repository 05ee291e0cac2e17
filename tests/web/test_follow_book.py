"""Messages of a broker put together again: nothing is lost, nothing foreign, old or half gets in."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.clock import ManualClock
from dutylog.publish.broker import Heard
from dutylog.publish.core_link import STALE_AFTER_S
from dutylog.publish.snapshot import Snapshot, SourceNow
from dutylog.publish.told import MAX_BYTES, MOST_POSITIONS
from dutylog.publish.topics import live_topic, status_topic, vehicle_topic
from dutylog.web.app import create_app
from dutylog.web.follow import NETWORK_S, FollowFeed
from dutylog.web.follow_book import OLDER_NS, FollowBook
from dutylog.web.follow_server import OpenAccess
from dutylog.web.line import OLD_AFTER_S, line_answer
from dutylog.web.settings import WebSettings
from web.followed import VEHICLE, messages, talkative, told_of
from web.samples import damper_now, snapshot

ALWAYS_SET = (
    "schema", "engine", "seq", "vehicle", "boot_id", "mono_s", "utc_ns", "utc_trusted", "source", "moving", "speed_mps",
    "ambient_c", "trip",
)  # fmt: skip
LIVE = live_topic(VEHICLE, "front_left") or ""
OF_VEHICLE = vehicle_topic(VEHICLE)


class Follower:
    """A book and the feed it fills, on a clock that the test moves."""

    def __init__(self) -> None:
        self.clock = ManualClock(mono_ns=77_000_000_000)
        self.feed = FollowFeed(VEHICLE, self.clock)
        self.book: FollowBook = self.feed.book

    def hear(self, *heard: Heard) -> None:
        for one in heard:
            assembled = self.book.take(one)
            if assembled is not None:
                self.feed.take(assembled)

    def show(self, shot: Snapshot, **options: Any) -> None:
        self.hear(*messages(shot, **options))

    @property
    def shown(self) -> Snapshot | None:
        return self.feed.newest.snapshot if self.feed.newest else None

    @property
    def dropped(self) -> dict[str, int]:
        counts = self.feed.counters_dict()
        names = ("garbled", "retained", "older", "surplus", "incomplete")
        return {name: counts[f"{name}_count"] for name in names if counts[f"{name}_count"]}


@pytest.fixture
def follower() -> Follower:
    return Follower()


def changed(heard: Heard, change: Callable[[dict[str, Any]], None]) -> Heard:
    """Return a message with its object changed."""
    value = json.loads(heard.payload)
    change(value)
    return replace(heard, payload=json.dumps(value).encode())


def test_every_field_of_a_snapshot_reaches_a_follower(follower: Follower) -> None:
    """A field that is added to the snapshot and not told would be missing on one of two equal pages."""
    shot = talkative()
    plain = [field.name for field in fields(shot) if getattr(shot, field.name) == getattr(snapshot(), field.name)]
    assert set(plain) <= set(ALWAYS_SET)  # a field that is added has to say something here too
    follower.show(shot)
    assert follower.shown == told_of(shot)
    assert follower.shown != shot  # counters and raw readings stay with the vehicle
    assert follower.dropped == {}


@given(st.permutations(range(5)))
def test_the_order_of_messages_does_not_matter(order: list[int]) -> None:
    """A broker promises an order within one topic only."""
    one, shot = Follower(), snapshot(1)
    heard = messages(shot)
    for i in order[:-1]:
        one.hear(heard[i])
        assert one.shown is None  # half a vehicle is never shown
    one.hear(heard[order[-1]])
    assert one.shown == shot


def test_a_lost_message_costs_that_second_alone(follower: Follower) -> None:
    """What is at most once may be lost; figures of two moments are never mixed."""
    follower.show(snapshot(1))
    second = messages(snapshot(2, dampers=tuple(replace(d, body_c=1.0) for d in snapshot().dampers)))
    follower.hear(*second[:3], *second[4:])
    assert follower.shown == snapshot(1)
    follower.show(snapshot(3))
    assert follower.shown == snapshot(3)
    assert follower.dropped == {"incomplete": 1}


def test_positions_that_vanish_and_appear_follow_the_vehicle(follower: Follower) -> None:
    """A damper that was taken out must not stay on the page with its last temperature."""
    follower.show(snapshot(1))
    left = snapshot(2, dampers=snapshot().dampers[1:3])
    follower.show(left)
    assert follower.shown == left
    follower.show(snapshot(3, dampers=()))
    assert follower.shown == snapshot(3, dampers=())
    follower.show(snapshot(4, dampers=(damper_now("spare"),)))
    assert follower.shown is not None
    assert [damper.position for damper in follower.shown.dampers] == ["spare"]


def test_a_place_without_a_known_damper_is_not_awaited(follower: Follower) -> None:
    """It has no message, so waiting for it would be waiting for ever."""
    dampers = (damper_now("front_left"), damper_now("rear_left", unit_id=""), damper_now("not/a/level"))
    follower.show(snapshot(1, dampers=dampers))
    assert follower.shown == snapshot(1, dampers=dampers[:1])


HOSTILE: dict[str, tuple[str, bytes | Callable[[dict[str, Any]], None]]] = {
    "empty": (LIVE, b""),
    "no json": (LIVE, b"hello"),
    "no utf-8": (LIVE, b'{"schema":1,"x":"\xff\xfe"}'),
    "no object": (LIVE, b"[1]"),
    "oversize": (LIVE, b'{"schema":1,"x":"' + b"x" * MAX_BYTES + b'"}'),
    "deep": (LIVE, b"[" * 30_000),
    "deep in an object": (LIVE, b'{"schema":1,"x":' + b"[" * 5000 + b"]" * 5000 + b"}"),
    "long number": (LIVE, b'{"schema":1,"body_c":' + b"9" * 9000 + b"}"),
    "foreign schema": (LIVE, lambda o: o.update(schema=2)),
    "schema of another type": (LIVE, lambda o: o.update(schema=True)),
    "no schema": (LIVE, lambda o: o.pop("schema")),
    "not a number": (LIVE, lambda o: o.update(body_c=float("nan"))),
    "infinite": (LIVE, lambda o: o.update(heat_w=float("inf"))),
    "text for a number": (LIVE, lambda o: o.update(body_c="88")),
    "out of range": (LIVE, lambda o: o.update(measured_ratio=1.5)),
    "unknown state": (LIVE, lambda o: o.update(state="splendid")),
    "field missing": (LIVE, lambda o: o.pop("state_text")),
    "another's position": (LIVE, lambda o: o.update(position="rear_left")),
    "control characters": (LIVE, lambda o: o.update(serial="a\u0007b")),
    "half a character": (LIVE, lambda o: o.update(serial="\ud800")),
    "seq no number": (LIVE, lambda o: o.update(seq="1")),
    "seq true": (LIVE, lambda o: o.update(seq=True)),
    "time no number": (LIVE, lambda o: o.update(mono_s=None)),
    "boot no text": (LIVE, lambda o: o.update(boot_id=5)),
    "vehicle: no json": (OF_VEHICLE, b"\x00\x01"),
    "vehicle: foreign schema": (OF_VEHICLE, lambda o: o.update(schema="1")),
    "vehicle: another's": (OF_VEHICLE, lambda o: o["vehicle"].update(id="other")),
    "vehicle: positions no list": (OF_VEHICLE, lambda o: o.update(positions="front_left")),
    "vehicle: position twice": (OF_VEHICLE, lambda o: o.update(positions=["a", "a"])),
    "vehicle: position no text": (OF_VEHICLE, lambda o: o.update(positions=[["a"]])),
    "vehicle: too many positions": (OF_VEHICLE, lambda o: o.update(positions=[str(i) for i in range(65)])),
    "vehicle: time of sending no number": (OF_VEHICLE, lambda o: o.update(sent_mono_s="now")),
    "vehicle: time of sending negative": (OF_VEHICLE, lambda o: o.update(sent_mono_s=-1.0)),
    "vehicle: not moving nor standing": (OF_VEHICLE, lambda o: o.update(moving=None)),
    "vehicle: source of another kind": (OF_VEHICLE, lambda o: o.update(source=[])),
    "vehicle: devices of another kind": (OF_VEHICLE, lambda o: o.update(devices=[1])),
    "vehicle: not finite": (OF_VEHICLE, lambda o: o.update(speed_mps=float("-inf"))),
    "status: no json": (status_topic(VEHICLE), b"online"),
    "status: unknown state": (status_topic(VEHICLE), b'{"schema":1,"state":["online"]}'),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_not_of_the_form_is_dropped_counted_and_leaves_the_page_as_it_was(
    follower: Follower, name: str
) -> None:
    """Whoever may publish at the broker can send anything."""
    follower.show(snapshot(1))
    topic, hostile = HOSTILE[name]
    good = next((one for one in messages(snapshot(2)) if one.topic == topic), Heard(topic, b"{}", False))
    bad = Heard(topic, hostile, False) if isinstance(hostile, bytes) else changed(good, hostile)
    follower.hear(bad)
    assert follower.shown == snapshot(1)
    assert follower.dropped == {"garbled": 1}
    follower.show(snapshot(2))
    assert follower.shown == snapshot(2)
    assert follower.dropped == {"garbled": 1}


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from([LIVE, OF_VEHICLE, status_topic(VEHICLE)]), st.binary(max_size=40))))
def test_any_bytes_are_taken_or_counted(sent: list[tuple[str, bytes]]) -> None:
    """Never an exception: that would end the line to the broker."""
    one = Follower()
    one.hear(*(Heard(topic, payload, False) for topic, payload in sent))
    assert one.shown is None
    assert one.dropped.get("garbled", 0) == len(sent)


def test_thousands_of_made_up_positions_take_no_room_and_push_nothing_out(follower: Follower) -> None:
    """A flood must neither fill the memory nor hide the vehicle's own dampers."""
    heard = messages(snapshot(1))
    follower.hear(heard[0], heard[1], heard[2])
    for i in range(3000):
        follower.hear(messages(snapshot(1, dampers=(damper_now(f"made_up_{i}"),)))[1])
    assert len(follower.book._dampers) <= MOST_POSITIONS + 4
    follower.hear(*heard[3:])
    assert follower.shown == snapshot(1)
    assert follower.dropped == {"surplus": 3000 - MOST_POSITIONS}


def test_what_the_broker_kept_from_earlier_is_not_shown(follower: Follower) -> None:
    """A retained value may be of last week; only whether the vehicle is there may be kept."""
    follower.hear(*(replace(one, is_retained=True) for one in messages(snapshot(1))))
    assert follower.shown is None
    assert follower.dropped == {"retained": 5}
    follower.hear(Heard(status_topic(VEHICLE), b'{"schema":1,"state":"offline"}', True))
    assert follower.book.is_online is False
    follower.show(snapshot(2))
    assert (follower.shown, follower.book.is_online) == (snapshot(2), True)


def test_older_and_repeated_numbers_change_nothing(follower: Follower) -> None:
    """A queue that empties late, or a message that comes twice, must not turn the page back."""
    for seq in (1, 2, 5):
        follower.show(snapshot(seq))
    shuffled = [one for seq in (1, 2, 3, 4, 5) for one in messages(snapshot(seq, ambient_c=-5.0))]
    random.Random(1).shuffle(shuffled)
    follower.hear(*shuffled)
    assert follower.shown == snapshot(5)
    follower.show(snapshot(6))
    assert follower.shown == snapshot(6)


def test_a_core_that_started_anew_is_followed_at_once_and_a_spoilt_number_is_forgotten(follower: Follower) -> None:
    """Numbers begin at 1 again; a number far too high, true or made up, holds for ten seconds at most."""
    follower.show(snapshot(900))
    follower.show(snapshot(1, boot_id="boot-2"))
    assert follower.shown == snapshot(1, boot_id="boot-2")
    spoilt = snapshot(2**53 - 1, boot_id="boot-2", mono_s=9000.0)
    follower.show(spoilt)
    follower.show(snapshot(2, boot_id="boot-2"))
    assert follower.shown == spoilt
    follower.clock.advance(OLDER_NS / 1e9)
    follower.show(snapshot(3, boot_id="boot-2"))
    assert follower.shown == snapshot(3, boot_id="boot-2")


def test_readings_that_stand_still_say_why_and_for_how_long(follower: Follower) -> None:
    """The page of the vehicle says that the disk takes nothing; so must the one in camp."""
    follower.show(snapshot(1))
    source = SourceNow("sensors", "bridge", "running", "the disk takes nothing")
    held = replace(snapshot(1), seq=2, standing_s=4.5, source=source)  # mono_s as before: no new readings
    follower.hear(messages(held)[0])
    assert follower.shown == held
    assert (follower.feed.link(), follower.feed.age_s()) == ("stale", 4.5)


def test_age_counts_from_arrival_whatever_the_two_clocks_say(follower: Follower) -> None:
    """Logger and camp share no clock, and the logger's date may be years off."""
    follower.show(snapshot(1, utc_ns=0, utc_trusted=False), sent_mono_s=3e6)
    assert (follower.feed.age_s(), follower.feed.link()) == (0.0, "live")
    follower.clock.advance(1.5)
    assert follower.feed.age_s() == 1.5
    follower.show(snapshot(2), sent_mono_s=3e6 + 1.5)
    assert follower.feed.age_s() == pytest.approx(0.0, abs=1e-6)  # 3e6 s in doubles: 5e-10 s


def test_messages_that_were_long_under_way_are_as_old_as_they_are(follower: Follower) -> None:
    """A line that was stuck for 20 s hands over old readings all at once: they aren't live."""
    follower.show(snapshot(1), sent_mono_s=100.0)
    follower.clock.advance(20.0)
    for seq in range(2, 12):
        follower.show(snapshot(seq), sent_mono_s=99.0 + seq)
        assert follower.feed.age_s() == pytest.approx(21.0 - seq, abs=1e-6)
    assert follower.feed.link() == "stale"
    follower.show(snapshot(12), sent_mono_s=120.0)
    assert follower.feed.link() == "live"


def test_a_way_that_became_longer_for_good_is_the_usual_one_after_two_minutes(follower: Follower) -> None:
    """And clocks that drift apart, or a logger that slept, don't make a live page stale for ever."""
    ages = []
    for seq in range(1, 200):
        follower.show(snapshot(seq), sent_mono_s=1000.0 + seq - (5.0 if seq > 10 else 0.0))
        ages.append(follower.feed.age_s() or 0.0)
        follower.clock.advance(1.0)
    assert max(ages[:10]) == pytest.approx(0.0, abs=1e-6)
    assert ages[11] == pytest.approx(5.0, abs=1e-6)
    assert max(ages[135:]) == pytest.approx(0.0, abs=1e-6)


def test_a_machine_that_booted_anew_is_fresh_at_once(follower: Follower) -> None:
    """Its monotonic clock begins at zero: that is no delay of days."""
    follower.show(snapshot(1), sent_mono_s=500_000.0)
    follower.show(snapshot(1, boot_id="boot-2"), sent_mono_s=30.0)
    assert (follower.feed.age_s(), follower.feed.link()) == (0.0, "live")


def test_stale_comes_at_the_pages_own_limit_plus_what_a_network_may_take(follower: Follower) -> None:
    """Stated: 1 s on top. The line for radio says it at the same moment as the page."""
    follower.show(snapshot(1))
    follower.clock.advance(OLD_AFTER_S + NETWORK_S)
    assert "OLD" not in line_answer(follower.feed, {})
    follower.clock.advance(0.01)
    assert line_answer(follower.feed, {}).startswith("OLD by 3 s")
    follower.clock.advance(STALE_AFTER_S - OLD_AFTER_S)
    assert follower.feed.link() == "stale"


@pytest.mark.anyio
async def test_a_follower_that_listens_to_all_is_seen_from_other_machines_and_takes_nothing(follower: Follower) -> None:
    """Asked for by name with --listen; there is no sign-in because there is nothing to write."""
    everywhere = WebSettings(listen_host="0.0.0.0")  # noqa: S104
    app = create_app(follower.feed, None, everywhere, access=OpenAccess())
    transport = httpx.ASGITransport(app, client=("192.0.2.7", 5000))
    async with httpx.AsyncClient(transport=transport, base_url="http://192.0.2.1:8321") as client:
        page = await client.get("/")
        assert page.status_code == 200
        assert "Sign in" not in page.text
        assert "data-follows" in page.text
        assert f'data-stale-after-s="{OLD_AFTER_S + NETWORK_S}"' in page.text
        for path in ("/sign-in", "/sign-out", "/alerts/7/acknowledge", "/trips/1/name"):
            assert (await client.post(path, json={})).status_code in (404, 405)
            assert (await client.put(path, json={})).status_code == 405
        trips = await client.get("/api/trips/1")
        assert (trips.status_code, trips.json()["error"].count("\n")) == (404, 0)
        assert "own machine" in trips.json()["error"]
