"""Whether two dampers of the store are one: by our own records, by its serial, or by what a person says."""

from __future__ import annotations

from dutylog.bench.card_read import Card
from dutylog.bench.card_verify import CardFinding
from dutylog.bench.facts import UnitFacts
from dutylog.bench.store.append import Transaction
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper
from dutylog.errors import InputError, one_line

CALLED_OFF = "called_off"
SERIAL_KNOWN = "serial_known"
"""Code of the notice that a serial is known here from another vehicle."""


def find_same(reading: Reading, card: Card, facts: UnitFacts) -> Damper | None:
    """Return the damper a card is of, None where it is new.

    By its id; else one that was here without a card: by a record of ours that its vehicle took in, or by its serial.
    """
    found = reading.find_damper(unit_id=card.unit_id)
    if found is not None:
        return found
    taken = [one for one in reading.dampers_of_records(facts.taken_records) if one.unit_id is None]
    if len(taken) == 1:
        return taken[0]
    alike = () if facts.serial is None else reading.find_dampers(serial=facts.serial)
    without = [one for one in alike if one.unit_id is None]
    return without[0] if len(without) == 1 else None


def find_twins(reading: Reading, damper: Damper) -> tuple[Damper, ...]:
    """Return the other dampers of a damper's serial: the same one on another vehicle, or another maker's."""
    alike = () if damper.serial is None else reading.find_dampers(serial=damper.serial)
    return tuple(one for one in alike if one.damper_id != damper.damper_id)


def look_at_serial(reading: Reading, card: Card, facts: UnitFacts) -> CardFinding | None:
    """Return what is to be said where a new damper's serial, or a record it took, is known from another vehicle."""
    if find_same(reading, card, facts) is not None:
        return None
    alike = () if facts.serial is None else reading.find_dampers(serial=facts.serial)
    known = (*alike, *reading.dampers_of_records(facts.taken_records))
    if not known:
        return None
    vehicle = None if known[0].vehicle_key is None else reading.vehicle(known[0].vehicle_key)
    where = "without a vehicle" if vehicle is None else f"from vehicle {one_line(vehicle.label, 80)}"
    text = (
        f"a damper {one_line(known[0].label, 80)} is known here {where}: if it was moved, a manager joins the two on "
        "the damper's page, so that there is one history; two makers may have given the same serial"
    )
    return CardFinding(SERIAL_KNOWN, False, text)


def find_named(reading: Reading, text: str, apart_from: Damper) -> Damper:
    """Return the one other damper that somebody means by a damper_id, serial, tag or unit_id.

    Raises:
        InputError: there is none, or several.
    """
    asked = {"serial": text}, {"tag": text}, {"unit_id": text}
    given = [] if not text else [one for by in asked for one in reading.find_dampers(**by)]
    direct = reading.damper(text) if text else None
    found = {one.damper_id: one for one in ([direct] if direct is not None else given)}
    found.pop(apart_from.damper_id, None)
    if not found:
        raise InputError(f"no other damper {one_line(text, 40)!r} is known here; give its serial or tag")
    if len(found) > 1:
        raise InputError(f"{len(found)} dampers are called {one_line(text, 40)!r}; open the page of the one you mean")
    return next(iter(found.values()))


def join(tx: Transaction, one: Damper, other: Damper, why: str) -> Damper:
    """Make two dampers one, which is returned: the one whose card is the newest, else the first.

    Its forecast counts; that of the other one's place is dropped. It can't be undone.

    Raises:
        InputError: somebody works on both, or no reason is given.
    """
    if not why:
        raise InputError("joining two dampers can't be undone: write down how it is known that they are one")
    cards = [tx.read.cards_of(damper.damper_id) for damper in (one, other)]
    rows = [found[0].row if found else 0 for found in cards]
    keeps, goes = (other, one) if rows[1] > rows[0] else (one, other)
    _end_unused(tx, keeps, goes)
    tx.append("damper_joined", {"other_id": goes.damper_id, "label": goes.label, "why": why}, keeps.damper_id)
    return keeps


def _end_unused(tx: Transaction, keeps: Damper, goes: Damper) -> None:
    """Call off jobs that nobody worked on until one is under way; InputError where that can't be."""
    jobs = [job for damper in (keeps, goes) for job in tx.read.jobs_of(damper.damper_id) if job.is_open]
    unused = [job for job in jobs if job.newest_row == job.opened_row]
    worked = [job for job in jobs if job.newest_row != job.opened_row]
    if len(worked) > 1:
        raise InputError(
            f"job {worked[0].job_id} and job {worked[1].job_id} are both under way; end one of them, then join the two"
        )
    for job in unused if worked else unused[1:]:
        note = f"joined with {one_line(goes.label, 80)}"
        tx.append("stage", {"stage": CALLED_OFF, "note": note}, job_id=job.job_id)
