"""Messages of a followed vehicle, as publishing makes them, and a snapshot in which every field says something."""

from __future__ import annotations

import types
from dataclasses import fields, replace
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from dutylog.publish.broker import Heard
from dutylog.publish.snapshot import AlertNow, ChannelNow, DamperNow, DeviceNow, Snapshot
from dutylog.publish.topics import (
    FOR_CALIBRATION,
    encode,
    live_object,
    told_as_live,
    vehicle_object,
    vehicle_topic,
)
from web.samples import damper_now, snapshot

VEHICLE = "demo_truck"


def messages(shot: Snapshot, sent_mono_s: float = 5000.0, vehicle_id: str = VEHICLE) -> list[Heard]:
    """Return what a broker hands on of a snapshot, `vehicle` first."""
    dampers = told_as_live(vehicle_id, shot)
    told = vehicle_object(shot, [damper.position for _, damper in dampers], sent_mono_s)
    found = [Heard(vehicle_topic(vehicle_id), encode(told), False)]
    return found + [Heard(topic, encode(live_object(shot, damper, None)), False) for topic, damper in dampers]


def told_of(shot: Snapshot) -> Snapshot:
    """Return a snapshot as a follower has it: without what only calibration and counters of /health need."""
    return replace(
        shot,
        dampers=tuple(replace(damper, **dict.fromkeys(FOR_CALIBRATION)) for damper in shot.dampers),
        devices=tuple(replace(device, counters={}) for device in shot.devices),
    )


def talkative_damper(position: str, number: int) -> DamperNow:
    """Return a damper whose optional fields all hold something that tells them apart, also those added later."""
    hints = get_type_hints(DamperNow, include_extras=True)
    optional = [field.name for field in fields(DamperNow) if field.default is None]
    assert optional
    values = {name: _some_value(hints[name], name, number + i) for i, name in enumerate(optional)}
    return replace(damper_now(position), **values)


def talkative(seq: int = 1) -> Snapshot:
    """Return a snapshot of four such dampers, sensors, an alert and a disk in trouble."""
    base = snapshot(seq)
    dampers = tuple(talkative_damper(one.position, 100 * i) for i, one in enumerate(base.dampers, 1))
    channel = ChannelNow("front_left", "body_temperature", "wrong", "open; check its plug")
    device = DeviceNow("i2c-1", "working", "", {"reads": 5}, (channel,))
    alert = AlertNow("1", "body_over_limit", "rear_left", None, "raised", "act_now", "too hot", "ease off", 12.0, "Ana")
    times = {"standing_s": 0.25, "not_storing_s": 2.0, "not_stored_s": 3.0, "unsaved_s": 4.0}
    return replace(base, dampers=dampers, devices=(device,), alerts=(alert,), drops={"pages": 4}, **times)


def _some_value(hint: Any, name: str, number: int) -> Any:
    kinds = [part for part in _parts(hint) if part is not type(None)]
    if get_origin(kinds[0]) is Literal:
        return get_args(kinds[0])[number % len(get_args(kinds[0]))]
    return {float: float(number), int: number, str: f"{name} {number}", bool: True}[kinds[0]]


def _parts(hint: Any) -> list[Any]:
    origin = get_origin(hint)
    if origin is Annotated:
        return _parts(get_args(hint)[0])
    if origin in (Union, types.UnionType):
        return [part for one in get_args(hint) for part in _parts(one)]
    return [hint]
