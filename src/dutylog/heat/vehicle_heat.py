"""The heat of every damper on a vehicle: follows the engine's tiles and says what is known after each.

Not part of the duty: temperatures are estimates, kept with a checkpoint now and then, and bridged where tiles are
missing. What was learned of a unit in a place stays with both; in another place it is learned anew.
"""

from __future__ import annotations

import contextlib
import json
import zlib
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from dutylog.domain.vehicle import Profile, Vehicle
from dutylog.engine.bumps import BumpDecay
from dutylog.engine.output import HeatReset, TileHeat
from dutylog.errors import InputError
from dutylog.heat.charge_watch import ChargeWatch
from dutylog.heat.damping import DampingWatch
from dutylog.heat.decay_witness import DecayWitness
from dutylog.heat.forecast import Kind, forecast
from dutylog.heat.heat_room import compute_heat_room, find_pace, most_urgent, say_forecast, say_heat_room, say_pace
from dutylog.heat.identify import STOPPED_MPS
from dutylog.heat.model import Capacities
from dutylog.heat.observer import HeatObserver
from dutylog.heat.priors import make_prior
from dutylog.heat.recent import Duty, Recent
from dutylog.heat.state import HeatState
from dutylog.heat.stop import HANDLE_C, forecast_after_stop, forecast_stop, say_bought, say_handling, say_peak
from dutylog.heat.witness import Combined, SidesNow, combine, compare_sides, find_pairs
from dutylog.ledger.rows import KeptHeat
from dutylog.units import NS_PER_S

OUTLOOK_TILES = 10
"""Forecasts are made anew after so many tiles of a damper, each damper in its turn: what they say changes slowly."""
STOP_TILES = 30
"""What a stop would bring is asked so often while driving: half of the cost, and it changes more slowly still."""
TREND_TILES = 60
LEAST_TREND_TILES = 20
UNKNOWN_GAP_S = 86_400.0
"""Time assumed between two tiles whose clocks can't be compared: long enough for anything (judgement)."""
STOP_S = 600.0
"""The stop whose gain is told (judgement: long enough to matter, short enough to be taken)."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is foretold of one damper; fields as in shared/SNAPSHOT.md, None: nothing can be said."""

    heat_room_w: float | None = None
    heat_room_low_w: float | None = None
    heat_room_high_w: float | None = None
    heat_room_ratio: float | None = None
    forecast_kind: str | None = None
    forecast_node: str | None = None
    plateau_c: float | None = None
    plateau_low_c: float | None = None
    plateau_high_c: float | None = None
    to_limit_s: float | None = None
    to_limit_low_s: float | None = None
    to_limit_high_s: float | None = None
    pace_mps: float | None = None
    pace_low_mps: float | None = None
    pace_high_mps: float | None = None
    stop_peak_c: float | None = None
    stop_peak_s: float | None = None
    stop_handle_s: float | None = None
    forecast_text: str | None = None
    heat_room_text: str | None = None
    pace_text: str | None = None
    stop_text: str | None = None


@dataclass(frozen=True, slots=True)
class HeatNow:
    """What is known of one damper's heat after its latest tile; fields as in shared/SNAPSHOT.md."""

    oil_c: float
    oil_sd_k: float
    body_trend_k_per_s: float | None
    outlook: Outlook
    damping_ratio: float | None
    damping_sd: float | None
    damping_state: str
    damping_text: str
    witness_state: str
    witness_text: str
    gas_20c_pa: float | None = None
    gas_leaking: bool | None = None
    gas_text: str | None = None


class DamperHeat:
    """Follows one unit in one place, a tile at a time."""

    def __init__(self, profile: Profile, turn: int = 0) -> None:
        """turn: which of OUTLOOK_TILES tiles brings the forecasts, so that dampers don't all ask in the same one."""
        self.profile = profile
        self.nodes = Capacities.of(profile)
        self.observer = HeatObserver(self.nodes, make_prior(profile))
        self.damping = DampingWatch(self.nodes)
        self.decays = DecayWitness()
        self.recent = Recent()
        self.last: tuple[str, int] | None = None
        self.outlook = Outlook()
        # None until a pressure sender says something: most dampers have none.
        self.charge: ChargeWatch | None = None
        self._bodies_c: deque[float] = deque(maxlen=TREND_TILES)
        self._tiles_count = turn

    def take(self, tile: TileHeat, *, is_foretelling: bool) -> None:
        """Take a tile in."""
        self._bridge(tile)
        self.observer.take(tile.heat, frozen=self.damping.wants_frozen)
        self.damping.take(tile.heat, self.observer.state())
        if tile.gas_pa is not None and self.charge is None:
            self.charge = ChargeWatch(self.profile)
        if self.charge is not None:
            self.charge.take(tile.heat, tile.gas_pa, tile.travel_m)
        self.last = tile.clock, tile.end_ns
        if not is_foretelling:
            return
        self.recent.add(tile.heat)
        self._bodies_c.append(self.observer.body_c)
        self._tiles_count += 1
        if self._tiles_count % OUTLOOK_TILES == 0:
            is_stopped = tile.heat.speed_mps is not None and tile.heat.speed_mps < STOPPED_MPS
            is_due = is_stopped or self.outlook.stop_text is None or self._tiles_count % STOP_TILES < OUTLOOK_TILES
            known = None if is_due else self.outlook
            self.outlook = make_outlook(self.profile, self.observer.state(), self.recent.duty(), known)

    def _bridge(self, tile: TileHeat) -> None:
        """Let the time pass that lies between the last tile and this one."""
        if self.last is None:
            return
        clock, end_ns = self.last
        gap_s = (tile.start_ns - end_ns) / NS_PER_S if clock == tile.clock else UNKNOWN_GAP_S
        if abs(gap_s) < 0.5 * tile.heat.seconds:
            return
        # A tile from before the last one: its clock began anew.
        passed_s = gap_s if gap_s > 0.0 else UNKNOWN_GAP_S
        self.observer.skip(passed_s)
        self.damping.skip(passed_s)
        if self.charge is not None:
            self.charge.skip(passed_s)
        self.recent, self.outlook = Recent(), Outlook()
        self._bodies_c.clear()

    def add_decay(self, bump: BumpDecay) -> None:
        """Take the free decay after a bump; one that no damper has is left out."""
        body_c = self.profile.reference_c if bump.body_c is None else bump.body_c
        fade_ratio = 1.0 - self.profile.fade_per_k * max(0.0, body_c - self.profile.reference_c)
        with contextlib.suppress(InputError):
            self.decays.add(bump.decay.ratio, fade_ratio)

    def now(self, sides: Combined) -> HeatNow | None:
        """Return what is known now, None before the first tile. sides: what all witnesses say of its damping."""
        if self.last is None:
            return None
        state, bodies = self.observer.state(), self._bodies_c
        trend = (bodies[-1] - bodies[0]) / (len(bodies) - 1) if len(bodies) >= LEAST_TREND_TILES else None
        output = self.damping.now()
        told = (output.ratio, output.sd, output.state, output.text, sides.state, sides.text)
        now = HeatNow(state.oil_c, state.oil_sd_k, trend, self.outlook, *told)
        if self.charge is None:
            return now
        gas = self.charge.now()
        gas_20c_pa = None if gas.equivalent is None else gas.equivalent.gauge_pa
        return replace(now, gas_20c_pa=gas_20c_pa, gas_leaking=gas.is_leaking, gas_text=gas.text)

    def reset(self, what: str) -> None:
        """Begin anew with the conductances ("learning") or with the baseline of damping output ("damping")."""
        if what == "learning":
            self.observer.reset_learning()
        elif what == "damping":
            self.damping.reset()
            self.decays = DecayWitness()

    def to_bytes(self) -> bytes:
        """Return what is to be kept of it."""
        kept = {
            "schema": 1,
            "last": self.last,
            "observer": self.observer.to_dict(),
            "recent": self.recent.to_dict(),
            "damping": self.damping.to_dict(),
            "decays": self.decays.to_dict(),
            "charge": None if self.charge is None else self.charge.to_dict(),
        }
        return zlib.compress(json.dumps(kept, allow_nan=False, separators=(",", ":")).encode(), 6)

    @staticmethod
    def from_bytes(profile: Profile, kept: bytes, turn: int = 0) -> DamperHeat:
        """Return it as it was kept.

        Raises:
            InputError: it isn't what `to_bytes` gave.
        """
        heat = DamperHeat(profile, turn)
        try:
            data: dict[str, Any] = json.loads(zlib.decompress(kept))
            if data["schema"] != 1:
                raise InputError(f"kept heat of schema {data['schema']!r}, this version reads 1")
            heat.last = None if data["last"] is None else (str(data["last"][0]), int(data["last"][1]))
            heat.observer = HeatObserver.from_dict(heat.nodes, data["observer"])
            heat.recent = Recent.from_dict(data["recent"])
            heat.damping = DampingWatch.from_dict(heat.nodes, data["damping"])
            heat.decays = DecayWitness.from_dict(data["decays"])
            charge = data.get("charge")
            heat.charge = None if charge is None else ChargeWatch.from_dict(profile, charge)
        except (zlib.error, ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError) as err:
            raise InputError(f"kept heat can't be read ({type(err).__name__}: {err})") from err
        return heat

    @staticmethod
    def from_kept(profile: Profile, kept: KeptHeat, turn: int = 0) -> DamperHeat:
        """Return it as the ledger has it, without what was to be forgotten; InputError as `from_bytes`."""
        heat = DamperHeat.from_bytes(profile, kept.state, turn)
        for what in kept.resets:
            heat.reset(what)
        return heat


@dataclass(slots=True)
class VehicleHeat:
    """Follows every place of a vehicle.

    load: returns what was kept of a unit in a place, None for nothing. on_tile: called after each tile with what
    has followed it. is_foretelling: whether trend and forecasts are wanted. notes: lines for people, to be taken away.
    """

    load: Callable[[str, str], KeptHeat | None] = lambda _unit_id, _position: None
    on_tile: Callable[[TileHeat, DamperHeat], None] | None = None
    is_foretelling: bool = True
    notes: list[str] = field(default_factory=list)
    _places: dict[str, tuple[str, DamperHeat]] = field(default_factory=dict)
    _left: dict[tuple[str, str], DamperHeat] = field(default_factory=dict)
    _vehicle: Vehicle | None = None
    _pairs: tuple[tuple[str, str], ...] = ()
    _combined: dict[str, Combined] = field(default_factory=dict)

    def take(self, vehicle: Vehicle, rows: Iterable[TileHeat | HeatReset]) -> None:
        """Take in what the engine made of one or more tiles, in order."""
        if vehicle is not self._vehicle:
            self._vehicle, self._pairs = vehicle, find_pairs(vehicle)
        self._combined = {}
        for row in rows:
            if isinstance(row, HeatReset):
                self._reset(row)
                continue
            heat = self._of(vehicle, row)
            heat.take(row, is_foretelling=self.is_foretelling)
            if self.on_tile is not None:
                self.on_tile(row, heat)

    def now(self, position: str) -> HeatNow | None:
        """Return what is known of the damper in a place, None before its first tile."""
        if position not in self._places:
            return None
        if not self._combined:
            self._combined = self._combine()
        return self._places[position][1].now(self._combined[position])

    def add_decays(self, bumps: Iterable[BumpDecay]) -> None:
        """Take free decays after bumps, each for the unit that was in its place."""
        for bump in bumps:
            unit_id, heat = self._places.get(bump.position, ("", None))
            if heat is not None and unit_id == bump.unit_id:
                heat.add_decay(bump)

    def _combine(self) -> dict[str, Combined]:
        """Return what heat, free decays and the other side say together of each damper."""
        outputs = {position: heat.damping.now() for position, (_, heat) in self._places.items()}
        decays = {position: heat.decays.now() for position, (_, heat) in self._places.items()}
        sides: dict[str, SidesNow] = {}
        for pair in self._pairs:
            if pair[0] in outputs and pair[1] in outputs:
                sides |= dict.fromkeys(pair, compare_sides(pair, outputs, decays))
        said = {
            position: combine(position, output, decays[position], sides.get(position))
            for position, output in outputs.items()
        }
        # Names of positions have underscores; people don't.
        return {position: replace(one, text=one.text.replace("_", " ")) for position, one in said.items()}

    def damper(self, position: str) -> DamperHeat | None:
        """Return the follower of the damper in a place."""
        return self._places[position][1] if position in self._places else None

    def kept(self) -> dict[tuple[str, str], bytes]:
        """Return what is to be kept, by unit_id and position: of dampers in place, and of those that have left."""
        here = {(unit_id, position): heat for position, (unit_id, heat) in self._places.items()}
        return {key: heat.to_bytes() for key, heat in (self._left | here).items()}

    def forget_left(self, kept: Iterable[tuple[str, str]]) -> None:
        """Let go of dampers that have left and, by unit_id and position, are kept elsewhere now."""
        for key in kept:
            self._left.pop(key, None)

    def _of(self, vehicle: Vehicle, row: TileHeat) -> DamperHeat:
        """Return the follower of a tile's damper; another unit, or a profile that changed, begins another."""
        unit_id, heat = self._places.get(row.position, ("", None))
        damper = next(damper for damper in vehicle.dampers if damper.position == row.position)
        profile = vehicle.profile_of(damper)
        if heat is None or unit_id != row.unit_id:
            if heat is not None:
                self._left[unit_id, row.position] = heat
            heat = self._found(profile, row.unit_id, row.position)
        elif heat.profile != profile:
            heat = DamperHeat(profile, len(self._places))
        self._places[row.position] = row.unit_id, heat
        return heat

    def _found(self, profile: Profile, unit_id: str, position: str) -> DamperHeat:
        """Return what is known of a unit in a place from earlier; what can't be read is begun anew, and said."""
        turn = len(self._places)
        if (left := self._left.pop((unit_id, position), None)) is not None and left.profile == profile:
            return left
        kept = self.load(unit_id, position)
        if kept is not None:
            try:
                return DamperHeat.from_kept(profile, kept, turn)
            except InputError as err:
                self.notes.append(f"{position}: {err}; its heat is learned anew")
        return DamperHeat(profile, turn)

    def _reset(self, reset: HeatReset) -> None:
        heat = self.damper(reset.position)
        if heat is not None:
            heat.reset(reset.what)


def make_outlook(profile: Profile, state: HeatState, duty: Duty | None, known: Outlook | None = None) -> Outlook:
    """Return what can be foretold from a state at the duty of the last minutes, None with too little of it.

    known: an outlook whose part on a stop still counts; None: it is made anew.
    """
    outlook = _after_stop(profile, state, duty) if known is None else _stop_of(known)
    if duty is None:
        return outlook
    node, said = most_urgent(forecast(profile, state, duty))
    room, pace = compute_heat_room(profile, state, duty), find_pace(profile, state, duty)
    has_limit = said.kind is not Kind.NO_LIMIT
    return replace(
        outlook,
        heat_room_w=room.room_w,
        heat_room_low_w=room.low_w,
        heat_room_high_w=room.high_w,
        heat_room_ratio=None if room.room_ratio is None else max(room.room_ratio, -10.0),
        forecast_kind=said.kind.value,
        forecast_node=node,
        plateau_c=said.plateau_c,
        plateau_low_c=said.plateau_low_c,
        plateau_high_c=said.plateau_high_c,
        to_limit_s=said.seconds,
        to_limit_low_s=said.low_s,
        to_limit_high_s=said.high_s,
        pace_mps=None if pace is None else pace.speed_mps,
        pace_low_mps=None if pace is None else pace.low_mps,
        pace_high_mps=None if pace is None else pace.high_mps,
        forecast_text=say_forecast(said),
        heat_room_text=say_heat_room(room),
        pace_text=say_pace(pace) if pace is not None and has_limit else None,
    )


def _stop_of(known: Outlook) -> Outlook:
    return Outlook(
        stop_peak_c=known.stop_peak_c,
        stop_peak_s=known.stop_peak_s,
        stop_handle_s=known.stop_handle_s,
        stop_text=known.stop_text,
    )


def _after_stop(profile: Profile, state: HeatState, duty: Duty | None) -> Outlook:
    """Return what a stop now would bring."""
    stop = forecast_stop(profile, state, (HANDLE_C,))
    if stop is None:
        return Outlook()
    handle_s = next(cooling.high_s for cooling in stop.cooling if cooling.level_c == HANDLE_C)
    words = [say_peak(stop), say_handling(stop)]
    after = None if duty is None else forecast_after_stop(profile, state, duty, STOP_S)
    if after is not None:
        words.append(say_bought(STOP_S, after))
    return Outlook(stop_peak_c=stop.peak_c, stop_peak_s=stop.peak_s, stop_handle_s=handle_s, stop_text="; ".join(words))
