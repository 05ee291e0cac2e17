"""The vehicle in one line for radio: who is named, in which order, and what is left unsaid."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.publish.snapshot import DamperNow, Snapshot, encode_snapshot
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.line import OLD_AFTER_S, UNITS, radio_line
from dutylog.web.settings import WebSettings
from dutylog.web.urgency import Need, by_urgency, need_of
from web.live_samples import HOLDS, LOST, NEAR, OVER, REACHES, SOON, hot_vehicle, six_wheels
from web.samples import POSITIONS, damper_now, fake_ledger, snapshot

AT_14_32_NS = (14 * 3600 + 32 * 60) * 1_000_000_000


def holding(position: str, **changes: Any) -> DamperNow:
    return damper_now(position, **{"body_c": 80.0, **HOLDS, **changes})


def vehicle(first: DamperNow, **changes: Any) -> Snapshot:
    rest = [holding(position) for position in POSITIONS if position != first.position]
    return snapshot(1, dampers=(first, *rest), utc_ns=AT_14_32_NS, **changes)


def test_line_names_who_needs_a_look_and_says_that_the_others_hold() -> None:
    """The form everybody knows by heart after a day."""
    first = holding("front_left", body_c=91.6, oil_c=104.2, forecast_kind="reaches", to_limit_s=720.0)
    line = radio_line(vehicle(replace(first, state="ok")), 0.5, offset_min=0)
    assert line == "front left 92 C body, 104 oil, 12 min to limit; others hold. 14:32"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({**REACHES}, "front left 80 C body, 12 min to limit; others hold"),
        ({**SOON}, "front left 80 C body, 2 min to limit; others hold"),
        ({**REACHES, "to_limit_s": 20.0}, "front left 80 C body, under 1 min to limit; others hold"),
        ({**REACHES, "to_limit_s": 9000.0}, "front left 80 C body, over 120 min to limit; others hold"),
        ({**REACHES, "to_limit_s": 2250.0}, "front left 80 C body, 40 min to limit; others hold"),
        ({**NEAR}, "front left 80 C body, near limit; others hold"),
        ({**OVER, "oil_c": 141.0}, "front left 80 C body, 141 oil, over oil limit; others hold"),
        ({"state": "over_limit"}, "front left 80 C body, over body limit; others hold"),
        ({"state": "hot"}, "front left 80 C body, hot; others hold"),
        ({"state": "warm", "damping_state": "lost"}, "front left 80 C body, warm, damping lost; others hold"),
        ({"state": "no_temperature", "body_c": None}, "front left no temperature; others hold"),
        ({"state": "no_data", "body_c": None}, "front left no temperature, no data; others hold"),
        ({}, "all hold; hottest front left 80 C body"),
        ({"forecast_kind": None}, "all ok; hottest front left 80 C body"),
        ({"forecast_kind": "no_limit"}, "all ok; hottest front left 80 C body"),
    ],
)
def test_each_kind_of_trouble_has_its_words(changes: dict[str, Any], said: str) -> None:
    """Only a forecast lets us say that the others hold; without one they are ok and no more."""
    first = replace(holding("front_left"), **changes)
    assert radio_line(vehicle(first), 0.0, offset_min=0) == f"{said}. 14:32"


def test_two_are_named_and_the_rest_counted() -> None:
    """More than two can't be kept in mind over a radio."""
    line = radio_line(replace(six_wheels(), utc_ns=AT_14_32_NS), 0.0, offset_min=0)
    assert line == (
        "rear left bypass 121 C body, 125 oil, over body limit; middle left 113 C body, 131 oil, 2 min to limit; "
        "4 more need a look; others hold. 14:32"
    )


def test_dampers_come_in_order_of_need_then_of_time() -> None:
    """One order for the line and for the big type."""
    late = {**REACHES, "to_limit_s": 900.0}
    cases: list[tuple[str, dict[str, Any]]] = [
        ("calm", {**HOLDS}), ("blind", {"state": "no_travel"}), ("lost", {**HOLDS, **LOST}), ("near", {**NEAR}),
        ("later", late), ("sooner", {**REACHES}), ("soon", {**SOON}), ("hot", {"state": "hot"}), ("over", {**OVER}),
    ]  # fmt: skip
    dampers = tuple(replace(damper_now(name, body_c=80.0), **changes) for name, changes in cases)
    order = [damper.position for damper in by_urgency(snapshot(1, dampers=dampers))]
    assert order == ["over", "soon", "hot", "sooner", "later", "near", "lost", "blind", "calm"]
    assert [need_of(damper) for damper in reversed(dampers)] == [
        Need.OVER, Need.SOON, Need.SOON, Need.LATER, Need.LATER, Need.NEAR, Need.DAMPING_LOST, Need.BLIND, Need.NONE,
    ]  # fmt: skip


def test_old_readings_and_an_unset_clock_are_said() -> None:
    """A line that is passed on must not make old figures new."""
    now = vehicle(holding("front_left"))
    assert radio_line(now, OLD_AFTER_S, offset_min=0).startswith("all hold")
    assert radio_line(now, 12.7, offset_min=0).startswith("OLD by 12 s: all hold")
    assert radio_line(replace(now, utc_trusted=False), 0.0, offset_min=0).endswith("body. Clock not set")
    assert radio_line(None, None) == "no data from the logger yet"
    assert radio_line(replace(now, dampers=()), 0.0, offset_min=0) == "no dampers. 14:32"
    waiting = tuple(damper_now(p, body_c=None, state="waiting") for p in POSITIONS)
    assert radio_line(replace(now, dampers=waiting), 0.0, offset_min=0) == "all wait for data. 14:32"


def test_units_and_zone_are_the_readers() -> None:
    """The crew at the next stop reads it in its own degrees and by its own watch."""
    now = vehicle(holding("front_left", body_c=95.0, oil_c=110.0))
    assert radio_line(now, 0.0, "us", -420) == "all hold; hottest front left 203 F body, 230 oil. 07:32"
    assert radio_line(now, 0.0).endswith(". 14:32 UTC")
    assert UNITS == ("metric", "us")


def test_line_is_one_line_of_a_length_that_can_be_sent() -> None:
    """A text message holds 160 signs; four dampers with names as they are given fit."""
    lines = [radio_line(now, 0.0, offset_min=0) for now in (hot_vehicle(), snapshot(1), vehicle(holding("front_left")))]
    assert [line.count("\n") for line in lines] == [0, 0, 0]
    assert max(len(line) for line in lines) <= 160
    long = radio_line(vehicle(holding("w" * 100, state="hot")), 0.0)
    assert long.startswith("w" * 27 + "... 80 C body")


async def get(feed: LiveFeed, path: str) -> httpx.Response:
    transport = httpx.ASGITransport(create_app(feed, fake_ledger(), WebSettings()))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8321") as client:
        return await client.get(path)


@pytest.mark.anyio
async def test_address_answers_plain_text_and_refuses_what_it_cannot_mean() -> None:
    """`curl` on the pit lane is a reader too."""
    clock = ManualClock(mono_ns=10**12)
    feed = LiveFeed(clock)
    assert (await get(feed, "/line")).text == "no data from the logger yet\n"
    feed.accept_line(encode_snapshot(vehicle(holding("front_left"))))
    plain = await get(feed, "/line")
    assert plain.headers["content-type"].startswith("text/plain")
    assert plain.text == "all hold; hottest front left 80 C body. 14:32 UTC\n"
    assert (await get(feed, "/line?units=us&utc_offset_min=-420")).text.endswith("176 F body. 07:32\n")
    clock.advance(5.0)
    assert (await get(feed, "/line")).text.startswith("OLD by 5 s: all hold")
    for query in ("units=K", "utc_offset_min=841", "utc_offset_min=1.5", "utc_offset_min=", "utc_offset_min=--1"):
        refused = await get(feed, f"/line?{query}")
        assert refused.status_code == 400, query
        assert query.split("=")[0] in refused.text
