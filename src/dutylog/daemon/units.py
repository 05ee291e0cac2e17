"""Which unit counts at which position when core starts."""

from __future__ import annotations

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.errors import LedgerError
from dutylog.ledger.calibrations import in_force, overlaid
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Unit
from dutylog.ledger.unit_profiles import followed, had_profile
from dutylog.recording.state import LogState

EventList = list[tuple[str, dict[str, object]]]


def settle_units(ledger: Ledger, vehicle: Vehicle, sequence: int) -> list[str]:
    """Make sure a unit counts at every position; return lines for people about what was decided.

    The configuration names serials, commands install units: whichever was changed last counts. An
    edited serial is seen by comparing with the one the configuration had at the last start.

    Args:
        sequence: number of the next frame of the raw log.
    Raises:
        LedgerError: a serial of the configuration sits at another position of this vehicle.
    """
    notes = []
    before = ledger.config_serials()
    now = {d.position: d.serial for d in vehicle.dampers}
    installed = ledger.installed()
    edited = {d.position for d in vehicle.dampers if d.serial is not None and d.serial != before.get(d.position)}
    for position in installed.keys() - now.keys():
        left = installed.pop(position)
        ledger.remove(left.unit_id, sequence=sequence)
        notes.append(f"the configuration has no {position} any more; damper {left.label} is on the shelf")
    # First make room: two edited positions may have exchanged their dampers.
    for position in edited & installed.keys():
        if installed[position].serial != now[position]:
            ledger.remove(installed[position].unit_id, sequence=sequence)
            del installed[position]
    for damper in vehicle.dampers:
        unit = installed.get(damper.position)
        if unit is None and (damper.position in edited or damper.position not in before):
            unit = _unit_for(ledger, damper)
            ledger.install(unit.unit_id, damper.position, sequence=sequence)
            notes.append(f"damper {unit.label} counts at {damper.position} from now on")
        elif unit is not None and damper.serial is not None and unit.serial != damper.serial:
            notes.append(
                f"{damper.position}: the configuration says {damper.serial}, but {unit.label} was installed "
                "since; that one counts. Correct the configuration"
            )
        elif unit is None:
            notes.append(f"{damper.position}: no damper is installed; its duty is counted for nobody")
    ledger.put_config_serials(now)
    return notes


def vehicle_in_force(vehicle: Vehicle, ledger: Ledger) -> tuple[Vehicle, list[str]]:
    """Return a vehicle file's vehicle with what the ledger says of its calibrations and of revalved dampers.

    Returns lines for people about it as well.
    """
    followed_one, notes = followed(ledger, vehicle)
    calibrated, more = overlaid(followed_one, in_force(ledger))
    return calibrated, [*notes, *more]


def pending_events(ledger: Ledger, state: LogState) -> EventList:
    """Return the install and remove events that make the raw log agree with the ledger."""
    installed = ledger.installed()
    events: EventList = [
        ("remove", {"position": position, "unit_id": fields["unit_id"]})
        for position, fields in state.installs.items()
        if position not in installed
    ]
    for position, unit in installed.items():
        known = state.installs.get(position)
        if known is None or known["unit_id"] != unit.unit_id:
            events.append(("install", install_fields(position, unit)))
    return events


def install_fields(position: str, unit: Unit) -> dict[str, object]:
    """Return the fields of an install event (shared/RECORDING.md)."""
    return {"position": position, "unit_id": unit.unit_id, "serial": unit.serial, "profile": unit.profile}


def _unit_for(ledger: Ledger, damper: Damper) -> Unit:
    """Return the unit a position of the configuration names, adding it when it is new."""
    if damper.serial is None:
        return ledger.add_unit(None, damper.profile)
    unit = ledger.unit_by_serial(damper.serial)
    if unit is None:
        return ledger.add_unit(damper.serial, damper.profile)
    if not had_profile(ledger, unit, damper.profile):
        raise LedgerError(
            f"damper {damper.serial} is known with profile {unit.profile}, the configuration gives {damper.profile} "
            f"at {damper.position}; correct the profile or the serial"
        )
    return unit
