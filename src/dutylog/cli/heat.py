"""`dutylog heat`: what was learned of how each damper makes and sheds heat, and how to forget it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import click

from dutylog.cli.duty_text import json_text, table_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.errors import InputError
from dutylog.heat.identify import Evidence
from dutylog.heat.state import Laws
from dutylog.heat.vehicle_heat import DamperHeat
from dutylog.ledger.command_fields import HEAT_RESETS
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Unit
from dutylog.units import KMPH_PER_MPS, MPS_PER_MPH

SPEEDS_MPS = (0.0, 8.0, 16.0, 25.0)


@dataclass(frozen=True, slots=True)
class _Known:
    position: str
    unit: Unit
    heat: DamperHeat | None

    @property
    def laws(self) -> Laws | None:
        return None if self.heat is None else self.heat.observer.laws()

    @property
    def evidence(self) -> Evidence | None:
        return None if self.heat is None else self.heat.observer.learning.evidence


@click.group()
def heat() -> None:
    """Show what was learned of each damper's heat; forget it."""


@heat.command()
@with_data
@with_format
def show(place: DataPlace, form: str, units: str) -> None:
    """Show how each damper sheds heat as far as that was learned, and from how much driving.

    It is kept every two minutes while the daemon runs, so this may be a little behind the live page.
    """
    with place.reading() as opened:
        engine, known = opened.cursor().engine, _read(opened)
    if form == "json":
        click.echo(json_text(engine, {"dampers": [_to_json(one) for one in known]}))
        return
    if not known:
        click.echo("no damper counts anywhere yet; install one with: dutylog damper install SERIAL POSITION")
        return
    factor, unit = (1.0 / MPS_PER_MPH, "mph") if units == "us" else (KMPH_PER_MPS, "km/h")
    heads = ["position", "damper", *(f"W/K at {speed * factor:.0f} {unit}" for speed in SPEEDS_MPS), "known to %"]
    heads += ["oil to body W/K", "min smooth", "min working", "min stopped"]
    click.echo(table_text(heads, [_row(one) for one in known], left=2))
    click.echo("W/K: heat from the body to the air for each degree between them. A range of 3 either way at first.")


@heat.command()
@click.argument("position")
@click.option("--what", type=click.Choice(list(HEAT_RESETS)), default="learning", show_default=True)
@with_data
def reset(place: DataPlace, position: str, what: str) -> None:
    """Forget what was learned of the damper at POSITION: how it sheds heat, or its damping's baseline.

    Good after mud shields, ducts or a reservoir were changed (learning), after a revalve, an oil change or
    a turned adjuster (damping).
    """
    place.do({"command": "heat_reset", "position": position, "what": what})


def _read(opened: Ledger) -> list[_Known]:
    """Return what is kept of each damper in its place; what can't be read counts as nothing."""
    vehicle = opened.vehicle()
    if vehicle is None:
        return []
    installed, known = opened.installed(), []
    for damper in vehicle.dampers:
        if (unit := installed.get(damper.position)) is None:
            continue
        kept, found = opened.kept_heat(unit.unit_id, damper.position), None
        if kept is not None:
            try:
                found = DamperHeat.from_kept(vehicle.profile_of(damper), kept)
            except InputError:
                found = None
        known.append(_Known(damper.position, unit, found))
    return known


def _row(one: _Known) -> list[str]:
    laws, evidence = one.laws, one.evidence
    if laws is None or evidence is None:
        return [one.position, one.unit.label, *["-"] * (len(SPEEDS_MPS) + 5)]
    minutes = (evidence.smooth_s, evidence.working_s, evidence.stopped_s)
    return [
        one.position,
        one.unit.label,
        *(f"{laws.ha_w_per_k(speed):.2f}" for speed in SPEEDS_MPS),
        f"{100.0 * laws.ha_move_log_sd:.0f}",
        f"{laws.g_w_per_k(0.5):.1f}",
        *(f"{seconds / 60.0:.0f}" for seconds in minutes),
    ]


def _to_json(one: _Known) -> dict[str, Any]:
    laws, evidence = one.laws, one.evidence
    return {
        "position": one.position,
        "unit_id": one.unit.unit_id,
        "unit": one.unit.label,
        "conductances": None if laws is None else asdict(laws),
        "evidence": None if evidence is None else asdict(evidence),
    }
