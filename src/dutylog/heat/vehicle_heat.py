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
from dutylog.heat.damping import DampingNow, DampingWatch
from dutylog.heat.decay_witness import DecayNow, DecayWitness
from dutylog.heat.identify import STOPPED_MPS
from dutylog.heat.model import Capacities
from dutylog.heat.observer import HeatObserver
from dutylog.heat.outlook import HeatNow, Outlook, make_outlook
from dutylog.heat.priors import make_prior
from dutylog.heat.recent import Recent
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
        wanted = self.damping.wants_state(tile.heat)
        self.damping.take(tile.heat, self.observer.state() if wanted else None)
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
        bodies = self._bodies_c
        trend = (bodies[-1] - bodies[0]) / (len(bodies) - 1) if len(bodies) >= LEAST_TREND_TILES else None
        output = self.damping.now()
        told = (output.ratio, output.sd, output.state, output.text, sides.state, sides.text)
        now = HeatNow(self.observer.oil_c, self.observer.oil_sd_k, trend, self.outlook, *told)
        if self.charge is None:
            return now
        gas = self.charge.now()
        gas_20c_pa = None if gas.equivalent is None else gas.equivalent.gauge_pa
        return now._replace(gas_20c_pa=gas_20c_pa, gas_leaking=gas.is_leaking, gas_text=gas.text)

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
    _profiles: dict[str, Profile] = field(default_factory=dict)
    _pairs: tuple[tuple[str, str], ...] = ()
    _is_combined: bool = False
    _witnesses: dict[str, tuple[DampingNow, DecayNow]] = field(default_factory=dict)
    _combined: dict[str, Combined] = field(default_factory=dict)

    def take(self, vehicle: Vehicle, rows: Iterable[TileHeat | HeatReset]) -> None:
        """Take in what the engine made of one or more tiles, in order."""
        if vehicle is not self._vehicle:
            self._vehicle, self._pairs = vehicle, find_pairs(vehicle)
            self._profiles = {damper.position: vehicle.profile_of(damper) for damper in vehicle.dampers}
            self._witnesses = {}
        self._is_combined = False
        for row in rows:
            if isinstance(row, HeatReset):
                self._reset(row)
                continue
            heat = self._of(row)
            heat.take(row, is_foretelling=self.is_foretelling)
            if self.on_tile is not None:
                self.on_tile(row, heat)

    def now(self, position: str) -> HeatNow | None:
        """Return what is known of the damper in a place, None before its first tile."""
        if position not in self._places:
            return None
        if not self._is_combined:
            self._combine()
        return self._places[position][1].now(self._combined[position])

    def add_decays(self, bumps: Iterable[BumpDecay]) -> None:
        """Take free decays after bumps, each for the unit that was in its place."""
        for bump in bumps:
            unit_id, heat = self._places.get(bump.position, ("", None))
            if heat is not None and unit_id == bump.unit_id:
                heat.add_decay(bump)

    def _combine(self) -> None:
        """Work out what heat, free decays and the other side say together of each damper, if it isn't as it was."""
        self._is_combined = True
        witnesses = {position: (heat.damping.now(), heat.decays.now()) for position, (_, heat) in self._places.items()}
        if witnesses == self._witnesses:
            return
        self._witnesses = witnesses
        outputs = {position: output for position, (output, _) in witnesses.items()}
        decays = {position: decay for position, (_, decay) in witnesses.items()}
        sides: dict[str, SidesNow] = {}
        for pair in self._pairs:
            if pair[0] in outputs and pair[1] in outputs:
                sides |= dict.fromkeys(pair, compare_sides(pair, outputs, decays))
        said = {
            position: combine(position, output, decays[position], sides.get(position))
            for position, output in outputs.items()
        }
        # Names of positions have underscores; people don't.
        self._combined = {position: replace(one, text=one.text.replace("_", " ")) for position, one in said.items()}

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

    def _of(self, row: TileHeat) -> DamperHeat:
        """Return the follower of a tile's damper; another unit, or a profile that changed, begins another."""
        unit_id, heat = self._places.get(row.position, ("", None))
        profile = self._profiles[row.position]
        if heat is not None and unit_id == row.unit_id and heat.profile is profile:
            return heat
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
