"""What people told of a damper and of a trip, from the ledger, for the pages of wear."""

from __future__ import annotations

from collections.abc import Collection

from dutylog.domain.quantity import position_text
from dutylog.ledger import gas_readings, life_entries
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import Said, Service, ShaftMark, StatedUse
from dutylog.ledger.rows import Unit
from dutylog.life.parts import parts_of
from dutylog.web.life_view import LifeBasis, LifeEntry


def read_basis(ledger: Ledger, unit: Unit) -> LifeBasis:
    """Return what the ledger says at once of a damper, entries that were withdrawn left out, the newest first."""
    known = life_entries.read_life(ledger)
    of_unit = unit.unit_id
    entries = [_service(one) for one in known.services if one.unit_id == of_unit]
    entries += [_use(one) for one in known.uses if one.unit_id == of_unit]
    entries += [_mark(one) for one in known.marks if one.unit_id == of_unit]
    entries += [_gas(one) for one in gas_readings.history(ledger, of_unit, known.withdrawn)]
    position = next((place for place, one in ledger.installed().items() if one.unit_id == of_unit), None)
    entries.sort(key=lambda one: -one.row)
    version, parts = read_version(ledger), _find_parts(ledger, unit)
    return LifeBasis(of_unit, unit.label, position, unit.profile, version, tuple(entries), parts)


def read_version(ledger: Ledger) -> int:
    """Return the number of the newest entry: it changes with everything that people tell."""
    newest = ledger.entries(limit=1)
    return newest[0].row if newest else 0


def read_dirt(ledger: Ledger, numbers: Collection[int]) -> LifeEntry | None:
    """Return the last word on what a trip had on its shafts, by the numbers of the engine's trips it is made of."""
    told = [one for one in life_entries.read_life(ledger).dirts if one.number in numbers]
    if not told:
        return None
    return _entry(told[-1].said, f"{told[-1].what}, {'washed afterwards' if told[-1].washed else 'not washed yet'}")


def _find_parts(ledger: Ledger, unit: Unit) -> dict[str, str] | None:
    vehicle = ledger.vehicle()
    profile = None if vehicle is None else next((one for one in vehicle.profiles if one.name == unit.profile), None)
    return None if profile is None else {part.key: part.name for part in parts_of(profile)}


def _service(one: Service) -> LifeEntry:
    parts = [f"replaced {', '.join(position_text(part) for part in one.replaced)}"] if one.replaced else []
    parts += [f"found {position_text(part)} {position_text(grade)}" for part, grade in one.found.items()]
    return _entry(one.said, f"service: {'; '.join(parts)}")


def _use(one: StatedUse) -> LifeEntry:
    return _entry(
        one.said, f"distance nobody measured, {one.mix}, {position_text(one.kind)}", ("far_m", one.distance_m)
    )


def _mark(one: ShaftMark) -> LifeEntry:
    edge = "sharp" if one.is_sharp else "smooth"
    return _entry(one.said, f"{edge} {one.kind} of {one.size_mm:g} mm, {one.distance_mm:g} mm from the seal head")


def _gas(one: gas_readings.StoredReading) -> LifeEntry:
    what = "nitrogen filled" if one.what == gas_readings.FILL else "nitrogen read"
    day = None if one.day is None else one.day.isoformat()
    return LifeEntry(one.row, day, one.by, what, one.note, ("pressure_fine_pa", one.gauge_pa))


def _entry(said: Said, what: str, figure: tuple[str, float] | None = None) -> LifeEntry:
    day = None if said.day is None else said.day.isoformat()
    return LifeEntry(said.row, day, said.by, what, said.note, figure)
