"""Made-up vehicles of the live page: forecasts, lost damping, alerts, six wheels with twin dampers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dutylog.engine.state import STATES, damper_state
from dutylog.publish.snapshot import AlertNow, DamperNow, Snapshot
from web.samples import POSITIONS, damper_now, snapshot

HOLDS: dict[str, Any] = {
    "forecast_kind": "holds", "forecast_node": "body", "plateau_c": 97.0, "plateau_low_c": 92.0,
    "plateau_high_c": 101.0,
    "forecast_text": "holds at this pace", "heat_room_w": 340.0, "heat_room_low_w": 80.0, "heat_room_high_w": 610.0,
    "heat_room_ratio": 0.22, "heat_room_text": "heat room 340 W (80 to 610), 22 %, body first",
    "stop_text": "body rises to 96 °C (92 to 99) about 4 min after the stop",
}  # fmt: skip
REACHES: dict[str, Any] = {
    "forecast_kind": "reaches", "forecast_node": "oil", "plateau_c": 147.0, "to_limit_s": 720.0,
    "to_limit_low_s": 540.0, "to_limit_high_s": 1020.0, "heat_room_w": -140.0,
    "forecast_text": "about 12 min to the limit at this pace (9 to 17)",
    "heat_room_low_w": -380.0, "heat_room_high_w": 110.0, "heat_room_ratio": -0.15,
    "heat_room_text": "140 W more than oil can shed at its limit (room -380 to 110), -15 %",
    "pace_text": "at this surface, holds at 45 km/h (38 to 52)",
}  # fmt: skip
SOON: dict[str, Any] = {
    **REACHES, "forecast_node": "body", "to_limit_s": 130.0, "to_limit_low_s": 90.0, "to_limit_high_s": None,
    "forecast_text": "about 2 min to the limit at this pace (1 or more)", "heat_room_w": -1440.0,
    "heat_room_ratio": -0.35,
}  # fmt: skip
NEAR: dict[str, Any] = {
    "forecast_kind": "near_limit", "forecast_node": "body", "plateau_c": 118.0, "heat_room_w": 40.0,
    "heat_room_ratio": 0.03,
    "forecast_text": "near its limit: no time can be given, hardly before 8 min",
}  # fmt: skip
OVER: dict[str, Any] = {
    "forecast_kind": "over", "forecast_node": "oil", "plateau_c": 151.0, "heat_room_w": -700.0, "heat_room_ratio": -0.9,
    "forecast_text": "over its limit: ease off, stop where it is safe",
}  # fmt: skip
NO_LIMIT: dict[str, Any] = {
    "forecast_kind": "no_limit", "forecast_node": "oil", "plateau_c": 131.0,
    "forecast_text": "no limit set; settles at about 131 °C",
}  # fmt: skip
LOST: dict[str, Any] = {
    "damping_state": "lost", "damping_ratio": 0.8, "damping_sd": 0.05,
    "damping_text": "20 % less heat than its work: fading oil, gas loss or a leaking valve",
}  # fmt: skip
FORECASTS = (HOLDS, REACHES, SOON, NEAR)
BODIES_C = (88.4, 104.6, 113.2, 97.1)
OILS_C = (101.2, 124.6, 131.4, 115.0)
TRENDS_K_PER_S = (0.001, 0.02, 0.03, -0.02)
SIX_WHEELS = (
    ("front_left", "front_left"), ("front_right", "front_right"), ("middle_left", "middle_left"),
    ("middle_right", "middle_right"), ("rear_left_main", "rear_left"), ("rear_left_bypass", "rear_left"),
    ("rear_right_main", "rear_right"), ("rear_right_bypass", "rear_right"),
)  # fmt: skip


def heated(position: str, wheel: str, i: int, **changes: Any) -> DamperNow:
    """Return a damper with everything the logger can say of its heat; i chooses one of four ways it goes."""
    base = damper_now(position, wheel=wheel, body_c=BODIES_C[i % 4], heat_w=600.0 + 100.0 * i, serial=f"SN-{i}")
    oil = {"oil_c": OILS_C[i % 4], "oil_sd_k": 4.1, "oil_limit_c": 140.0, "body_trend_k_per_s": TRENDS_K_PER_S[i % 4]}
    return replace(base, **{**oil, **FORECASTS[i % 4], **changes})


def hot_vehicle(**changes: Any) -> Snapshot:
    """Return four dampers: one holds, one has 12 min, one 2 min, one is near its limit; the second lost damping."""
    dampers = [heated(position, position, i) for i, position in enumerate(POSITIONS)]
    dampers[1] = replace(dampers[1], **LOST)
    return snapshot(1, dampers=tuple(dampers), **changes)


def six_wheels(**changes: Any) -> Snapshot:
    """Return six wheels, the rear ones with two dampers each; one over its limit, one without temperature."""
    dampers = [heated(position, wheel, i) for i, (position, wheel) in enumerate(SIX_WHEELS)]
    state, text = damper_state(121.4, 120.0, (), True)
    dampers[5] = replace(dampers[5], body_c=121.4, state=state, state_text=text, **OVER)
    dampers[6] = damper_now("rear_right_main", wheel="rear_right", body_c=None, unit_id="six")
    return snapshot(1, dampers=tuple(dampers), **changes)


def every_state() -> Snapshot:
    """Return a damper in each state, each with another forecast where it can have one."""
    forecasts = (HOLDS, REACHES, SOON, OVER, {}, NEAR, {}, {})
    dampers = [heated(f"at_{state}", f"at_{state}", 0, state=state, state_text=f"do {state}") for state in STATES]
    cleared = dict.fromkeys(HOLDS)
    changed = [replace(damper, **cleared) for damper in dampers]
    shown = [replace(damper, **forecast) for damper, forecast in zip(changed, forecasts, strict=True)]
    shown[1] = replace(shown[1], **LOST)
    shown[4] = replace(shown[4], body_c=None, oil_c=None, body_trend_k_per_s=None)
    return snapshot(1, dampers=tuple(shown), alerts=every_alert())


def alert(number: int, **changes: Any) -> AlertNow:
    """Return an alert that is raised and that nobody acknowledged."""
    base = AlertNow(
        id=str(number), kind="over_limit", position="rear_left", subject="body", state="raised", level="act_now",
        text="rear left: body over its limit of 120 °C", remedy="ease off; stop where it is safe", raised_mono_s=880.0,
    )  # fmt: skip
    return replace(base, **changes)


def every_alert() -> tuple[AlertNow, ...]:
    """Return alerts as the logger sends them, newest first: cleared, acknowledged, advice, act now."""
    return (
        alert(
            9,
            level="advice",
            position="front_left",
            text="front left: 14 bottom-outs in 5 minutes",
            remedy="look at bump stops",
        ),
        alert(8, state="cleared", text="bridge lost", position=None, level="advice"),
        alert(7, acknowledged_by="A. Miller", position="front_right", level="advice", text="front right: damping lost"),
        alert(6),
    )
