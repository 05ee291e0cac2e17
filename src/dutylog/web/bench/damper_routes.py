"""A damper at this bench: its visits, services, cards and where it sits."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.roles import MANAGER, VIEWER
from dutylog.bench.same_damper import find_named, find_twins
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Damper
from dutylog.bench.taking_in import join_dampers
from dutylog.bench.triage_words import ROW_WORDS
from dutylog.errors import one_line
from dutylog.life.parts import part_names
from dutylog.web.bench.frame import Done, Frame, Seen, Write
from dutylog.web.bench.job_head import read_owner
from dutylog.web.bench.statement_form import CONSTRUCTION_WORDS, JOINT_WORDS, RESERVOIR_WORDS


def add_dampers(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the page of a damper, and joining it with another one."""

    @frame.page("/dampers/{damper}", least=VIEWER, here="customers")
    def damper(seen: Seen) -> Response:
        key = seen.params["damper"]
        with seen.store.snapshot() as reading:
            found = _find(reading, key)
            vehicle, customer = read_owner(reading, found)
            values: dict[str, Any] = {
                "jobs": reading.jobs_of(key),
                "services": reading.services_of(key),
                "cards": reading.cards_of(key),
                "due": reading.due_of(key),
                "twins": [(one, *read_owner(reading, one)) for one in find_twins(reading, found)],
            }
        built = (CONSTRUCTION_WORDS[found.construction], RESERVOIR_WORDS[found.reservoir], JOINT_WORDS[found.joints])
        values |= {"built": built}
        values |= {"vehicle": vehicle, "customer": customer, "row_words": ROW_WORDS, "names": part_names(found.joints)}
        return seen.render("bench/damper.html", damper=found, **values)

    @frame.write("/dampers/{damper}/join", least=MANAGER, here="customers")
    def join(write: Write) -> Done:
        with write.store.write(write.who) as tx:
            one = _find(tx.read, write.params["damper"])
            other = find_named(tx.read, write.field("other"), one)
            kept = join_dampers(tx, one, other, write.field("why"), frame.today())
        return Done(f"{one.label} and {other.label} are one damper now", f"/dampers/{kept.damper_id}")


def _find(reading: Reading, key: str) -> Damper:
    """Return a damper; HTTPException 404 where there is none of that id."""
    found = reading.damper(key) if len(key) <= 64 else None
    if found is None:
        raise HTTPException(404, f"no damper {one_line(key, 40)!r}; search for its serial at the jobs")
    return found
