"""The heat of all dampers: who follows whom, what is kept, and what a gap or another unit does."""

from __future__ import annotations

import zlib
from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.heat_input import HeatInput
from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle
from dutylog.engine.bumps import BumpDecay
from dutylog.engine.output import HeatReset, TileHeat
from dutylog.errors import InputError
from dutylog.heat.forecast import forecast
from dutylog.heat.heat_room import compute_heat_room, most_urgent
from dutylog.heat.vehicle_heat import OUTLOOK_TILES, UNKNOWN_GAP_S, DamperHeat, VehicleHeat
from dutylog.ledger.rows import KeptHeat
from dutylog.motion.free_decay import Decay

PROFILE = Profile(
    name="p",
    stroke_m=0.25,
    shaft_diameter_m=0.022,
    bore_diameter_m=0.06,
    oil_mass_kg=0.6,
    body_mass_kg=3.0,
    heat_capacity_j_per_k=3500.0,
    force=(ForceAt(0.0, ForceCurve((-1.0, 0.0, 1.0), (-3000.0, 0.0, 2000.0))),),
    fade_per_k=0.0,
    reference_c=20.0,
    body_limit_c=110.0,
    oil_limit_c=130.0,
)
VEHICLE = Vehicle("truck", "Truck", (Damper("left", "left", "p"), Damper("right", "right", "p")), (PROFILE,))
S = 10**9


def tile(second: int, position: str = "left", unit: str = "u1", clock: str = "boot", **known: float | None) -> TileHeat:
    """Return a second of hard driving that warms the body."""
    values: dict[str, float | None] = {
        "power_w": 400.0 + 40.0 * (second % 7),
        "rms_mps": 0.4,
        "body_c": 25.0 + 0.05 * second,
        "air_c": 25.0,
        "speed_mps": 12.0 + second % 5,
    }
    values |= known
    heat = HeatInput(
        1.0, values["power_w"], 1.0, *(values[name] for name in ("rms_mps", "body_c", "air_c", "speed_mps"))
    )
    return TileHeat(position, unit, clock, second * S, (second + 1) * S, heat)


def follow(heat: VehicleHeat, seconds: range, **more: object) -> None:
    heat.take(VEHICLE, [tile(second, **more) for second in seconds])  # type: ignore[arg-type]


def test_what_was_kept_goes_on_to_the_bit() -> None:
    through = VehicleHeat()
    follow(through, range(400))
    kept = through.kept()
    assert list(kept) == [("u1", "left")]
    back = VehicleHeat(load=lambda unit_id, position: KeptHeat(kept[unit_id, position]))
    for heat in (through, back):
        follow(heat, range(400, 460))
    one, other = through.damper("left"), back.damper("left")
    assert one is not None
    assert other is not None
    assert one.observer.state() == other.observer.state()
    assert one.to_bytes() == other.to_bytes()
    assert back.notes == []


def test_another_unit_begins_anew_and_a_unit_that_comes_back_has_learned() -> None:
    heat = VehicleHeat()
    follow(heat, range(900))
    first = heat.damper("left")
    assert first is not None
    learned = first.observer.laws()
    follow(heat, range(900, 930), unit="u2")
    second = heat.damper("left")
    assert second is not None
    assert second is not first
    fresh = DamperHeat(PROFILE).observer.laws()
    assert second.observer.laws().ha_move_log_sd > 1.3 * learned.ha_move_log_sd, "it knows less than the first did"
    assert learned.ha_move_log_sd < 0.7 * fresh.ha_move_log_sd
    assert set(heat.kept()) == {("u1", "left"), ("u2", "left")}
    follow(heat, range(2000, 2002))
    again = heat.damper("left")
    assert again is first
    assert again.observer.laws().ha_move_log_sd < 0.75 * fresh.ha_move_log_sd


def test_a_unit_that_left_is_let_go_of_once_it_is_kept_elsewhere() -> None:
    heat = VehicleHeat()
    follow(heat, range(3))
    follow(heat, range(3, 6), unit="u2")
    heat.forget_left(heat.kept())
    assert set(heat.kept()) == {("u2", "left")}


def test_each_place_is_followed_for_itself() -> None:
    heat = VehicleHeat()
    for second in range(60):
        heat.take(VEHICLE, [tile(second), tile(second, "right", "u2", body_c=60.0, power_w=0.0)])
    left, right = heat.now("left"), heat.now("right")
    assert left is not None
    assert right is not None
    assert right.oil_c > left.oil_c + 10.0
    assert heat.now("nowhere") is None


@pytest.mark.parametrize(
    ("clock", "start_s", "gap_s"),
    [("boot", 900, 300.0), ("other boot", 601, UNKNOWN_GAP_S), ("boot", 5, UNKNOWN_GAP_S)],
)
def test_time_between_tiles_is_bridged_and_unknown_time_as_a_long_one(clock: str, start_s: int, gap_s: float) -> None:
    heat, reference = VehicleHeat(), VehicleHeat()
    for one in (heat, reference):
        follow(one, range(600))
    other = reference.damper("left")
    assert other is not None
    other.observer.skip(gap_s)
    other.observer.step(tile(start_s).heat)
    follow(heat, range(start_s, start_s + 1), clock=clock)
    found = heat.damper("left")
    assert found is not None
    assert found.last is not None
    assert found.observer.state() == other.observer.state()


def test_forecasts_come_each_in_their_turn_and_are_those_of_the_last_minutes() -> None:
    heat = VehicleHeat()
    made = {"left": set(), "right": set()}
    last = dict.fromkeys(made, None)
    for second in range(200):
        heat.take(VEHICLE, [tile(second), tile(second, "right", "u2")])
        for position in made:
            now = heat.now(position)
            assert now is not None
            if now.outlook is not last[position]:
                made[position].add(second % OUTLOOK_TILES)
                last[position] = now.outlook
    assert all(len(seconds - {0}) == 1 for seconds in made.values())
    assert not (made["left"] & made["right"]) - {0}
    damper = heat.damper("left")
    assert damper is not None
    assert damper.last is not None
    while damper._tiles_count % OUTLOOK_TILES:
        second += 1
        follow(heat, range(second, second + 1))
    duty = damper.recent.duty()
    assert duty is not None
    node, said = most_urgent(forecast(PROFILE, damper.observer.state(), duty))
    room = compute_heat_room(PROFILE, damper.observer.state(), duty)
    outlook = damper.outlook
    assert (outlook.forecast_node, outlook.forecast_kind, outlook.plateau_c) == (node, said.kind.value, said.plateau_c)
    assert (outlook.heat_room_w, outlook.to_limit_s) == (room.room_w, said.seconds)
    assert all((outlook.forecast_text, outlook.heat_room_text, outlook.stop_text))


def test_batches_make_no_forecasts() -> None:
    heat = VehicleHeat(is_foretelling=False)
    follow(heat, range(120))
    now = heat.now("left")
    assert now is not None
    assert (now.outlook.forecast_kind, now.outlook.stop_text) == (None, None)


def test_a_figure_that_is_not_finite_is_unknown_in_the_snapshot() -> None:
    heat = VehicleHeat()
    follow(heat, range(40), body_c=5.0, air_c=30.0, power_w=0.0)
    now = heat.now("left")
    assert now is not None
    assert now.outlook.stop_peak_s == float("inf"), "colder than the air, it has no peak"
    shown = now.shown()
    assert shown["stop_peak_s"] is None
    assert shown["oil_c"] == pytest.approx(now.oil_c, abs=1e-4)
    assert "outlook" not in shown


def test_the_trend_is_that_of_the_last_minute() -> None:
    heat = VehicleHeat()
    follow(heat, range(10))
    early = heat.now("left")
    assert early is not None
    assert early.body_trend_k_per_s is None
    follow(heat, range(10, 300))
    late = heat.now("left")
    assert late is not None
    assert late.body_trend_k_per_s == pytest.approx(0.05, rel=0.1)


def test_a_profile_that_changed_begins_anew_and_a_reset_forgets_what_was_learned() -> None:
    heat = VehicleHeat()
    follow(heat, range(900))
    damper = heat.damper("left")
    assert damper is not None
    fresh = DamperHeat(PROFILE).observer.laws()
    assert damper.observer.laws().ha_move_log_sd < 0.7 * fresh.ha_move_log_sd
    oil_c = damper.observer.state().oil_c
    heat.take(VEHICLE, [HeatReset("left", "learning"), HeatReset("nowhere", "learning")])
    assert damper.observer.laws().ha_move_log_sd == pytest.approx(fresh.ha_move_log_sd, rel=0.01)
    assert damper.observer.state().oil_c == pytest.approx(oil_c, abs=1e-9)
    other = replace(VEHICLE, profiles=(replace(PROFILE, oil_mass_kg=0.9),))
    heat.take(other, [tile(900)])
    assert heat.damper("left") is not damper


def test_what_was_asked_for_since_it_was_kept_is_forgotten_at_once() -> None:
    heat = VehicleHeat()
    follow(heat, range(900))
    kept = heat.kept()["u1", "left"]
    sds = {}
    for resets in ((), ("learning",)):
        back = VehicleHeat(load=lambda _unit_id, _position, resets=resets: KeptHeat(kept, resets))
        follow(back, range(900, 901))
        damper = back.damper("left")
        assert damper is not None
        sds[resets] = damper.observer.laws().ha_move_log_sd
    assert sds["learning",] > 1.3 * sds[()]


def bump(ratio: float, unit: str = "u1", body_c: float | None = None) -> BumpDecay:
    decay = Decay(1.5, 0.01, ratio, 0.01, 0.1, 0.02, 0.0, 2.0, 0.01, None)
    return BumpDecay("left", unit, 0, 0.05, body_c, decay)


def test_free_decays_count_for_the_unit_in_place_and_are_kept_and_forgotten_with_the_baseline() -> None:
    heat = VehicleHeat()
    follow(heat, range(3))
    heat.add_decays([bump(0.3), bump(0.3, unit="another"), bump(9.0), replace(bump(0.3), position="nowhere")])
    damper = heat.damper("left")
    assert damper is not None
    assert damper.decays.now().bumps_count == 1, "not another unit's, not one that no damper has"
    back = DamperHeat.from_bytes(PROFILE, damper.to_bytes())
    assert back.decays.to_dict() == damper.decays.to_dict()
    heat.take(VEHICLE, [HeatReset("left", "damping")])
    assert damper.decays.now().bumps_count == 0


def test_a_warm_damper_is_compared_with_what_it_would_be_cold() -> None:
    fading = replace(PROFILE, fade_per_k=0.002)
    warm, cold = DamperHeat(fading), DamperHeat(fading)
    warm.add_decay(bump(0.27, body_c=70.0))
    cold.add_decay(bump(0.30, body_c=10.0))
    assert warm.decays.to_dict()["baseline"] == pytest.approx(cold.decays.to_dict()["baseline"])


def test_the_snapshot_says_what_all_witnesses_say_together() -> None:
    heat = VehicleHeat()
    follow(heat, range(3))
    now = heat.now("left")
    assert now is not None
    assert now.witness_state == "unknown"
    assert now.witness_text == "left: no witness can tell of its damping yet"
    assert now.damping_state == "learning"


def test_what_cannot_be_read_is_said_and_learned_anew() -> None:
    heat = VehicleHeat(load=lambda _unit_id, _position: KeptHeat(b"not zlib"))
    follow(heat, range(3))
    assert heat.now("left") is not None
    assert len(heat.notes) == 1
    assert heat.notes[0].startswith("left: kept heat can't be read")


@given(st.binary(max_size=400), st.integers(0, 10_000), st.integers(1, 255))
def test_damaged_bytes_never_do_more_than_be_refused(junk: bytes, place: int, flip: int) -> None:
    whole = bytearray(zlib.decompress(_KEPT))
    whole[place % len(whole)] ^= flip
    for kept in (junk, zlib.compress(junk), _KEPT[: place % len(_KEPT)]):
        with pytest.raises(InputError, match="can't be read"):
            DamperHeat.from_bytes(PROFILE, kept)
    # A byte of a number may turn into another number; whatever it makes, nothing but a refusal comes of it.
    with suppress(InputError):
        DamperHeat.from_bytes(PROFILE, zlib.compress(bytes(whole)))


def _make_kept() -> bytes:
    heat = DamperHeat(PROFILE)
    for second in range(30):
        heat.take(tile(second), is_foretelling=False)
    return heat.to_bytes()


_KEPT = _make_kept()
