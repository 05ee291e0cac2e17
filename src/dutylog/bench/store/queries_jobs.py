"""Questions about jobs, services and what was found of parts."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, case, func, select, true

from dutylog.bench.store.asking import Asking, columns_of, load, load_object, named
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.queries_bench import ENTRY_COLUMNS, make_read_entry
from dutylog.bench.store.rows import Job, LikeRow, OpenJob, PartLook, Service
from dutylog.bench.store.tables import CUSTOMER, DAMPER, ENTRY, JOB, PART_LOOK, SERVICE, VEHICLE

OPEN_LIMIT = 500
"""Open jobs that a list shows (judgement): more than a shop has room for."""
DAMPERS_KEPT = 100
"""Dampers of a profile that budgets are learned from (judgement): `likes` takes 60 of them and leaves a vehicle's own
out. All of 10 000 would cost a page a quarter of a second."""
_JOB = columns_of(JOB, Job)
_SERVICE = columns_of(SERVICE, Service)
_LOOK = columns_of(PART_LOOK, PartLook)


class JobQueries(Asking):
    """Jobs, services, findings of parts."""

    def job(self, job_id: int) -> Job | None:
        """Return a job, None where there is none of that number."""
        row = self._first(select(*_JOB).where(JOB.c.job_id == job_id)) if abs(job_id) < 2**62 else None
        return None if row is None else Job(*row)

    def jobs_of(self, damper_id: str) -> tuple[Job, ...]:
        """Return the jobs of a damper, the newest first."""
        statement = select(*_JOB).where(JOB.c.damper_id == damper_id).order_by(JOB.c.job_id.desc())
        return tuple(Job(*one) for one in self._rows(statement))

    def open_jobs(self, limit: int = OPEN_LIMIT) -> tuple[OpenJob, ...]:
        """Return jobs that aren't handed over yet, the newest first, with whose they are."""
        return self._jobs_with_owners(JOB.c.is_open, limit)

    def finished_jobs(self, before: int | None = None, limit: int = OPEN_LIMIT) -> tuple[OpenJob, ...]:
        """Return jobs that are over, the newest first. before: only those of a lower number."""
        below = true() if before is None else JOB.c.job_id < min(max(before, 0), 2**62)
        return self._jobs_with_owners(~JOB.c.is_open & below, limit)

    def _jobs_with_owners(self, where: ColumnElement[bool], limit: int) -> tuple[OpenJob, ...]:
        label = func.coalesce(DAMPER.c.serial, DAMPER.c.tag, DAMPER.c.unit_id, DAMPER.c.damper_id)
        statement = (
            select(
                *_JOB,
                label,
                DAMPER.c.profile_name,
                DAMPER.c.position,
                VEHICLE.c.label,
                CUSTOMER.c.customer_id,
                CUSTOMER.c.name,
            )
            .select_from(
                JOB.join(DAMPER, JOB.c.damper_id == DAMPER.c.damper_id)
                .outerjoin(VEHICLE, DAMPER.c.vehicle_key == VEHICLE.c.vehicle_key)
                .outerjoin(CUSTOMER, VEHICLE.c.customer_id == CUSTOMER.c.customer_id)
            )
            .where(where)
            .order_by(JOB.c.job_id.desc())
        )
        width = len(_JOB)
        found = self._page(statement, limit)
        return tuple(OpenJob(Job(*one[:width]), *one[width:]) for one in found)

    def entries_of_job(self, job_id: int) -> tuple[Entry, ...]:
        """Return all entries of a job, the oldest first."""
        statement = select(*ENTRY_COLUMNS).where(ENTRY.c.job_id == job_id).order_by(ENTRY.c.row)
        return tuple(make_read_entry(one) for one in self._rows(statement))

    def services_of(self, damper_id: str) -> tuple[Service, ...]:
        """Return what is known of a damper's services, done here or told by its vehicle, the newest day first."""
        statement = select(*_SERVICE).where(SERVICE.c.damper_id == damper_id)
        statement = statement.order_by(SERVICE.c.day.desc(), SERVICE.c.row.desc(), SERVICE.c.number.desc())
        return tuple(_make_service(one) for one in self._rows(statement))

    def records_of(self, damper_id: str) -> tuple[Service, ...]:
        """Return the services done here by their record's sequence, the newest first."""
        found = [one for one in self.services_of(damper_id) if one.source == "bench"]
        return tuple(sorted(found, key=lambda one: one.sequence or 0, reverse=True))

    def findings_of_profile(self, profile_name: str, dampers_count: int = DAMPERS_KEPT) -> tuple[PartLook, ...]:
        """Return what finished jobs found of the parts of dampers of a profile, the oldest first.

        dampers_count: for each part, only of so many dampers, those seen last, but then all that was ever found there.
        """
        of_profile = PART_LOOK.c.profile_name == profile_name
        newest = (
            select(PART_LOOK.c.part, PART_LOOK.c.damper_id, func.max(PART_LOOK.c.row).label("newest"))
            .where(of_profile)
            .group_by(PART_LOOK.c.part, PART_LOOK.c.damper_id)
            .subquery()
        )
        place = func.row_number().over(partition_by=newest.c.part, order_by=newest.c.newest.desc()).label("place")
        ranked = select(newest.c.part, newest.c.damper_id, place).subquery()
        is_same = (PART_LOOK.c.part == ranked.c.part) & (PART_LOOK.c.damper_id == ranked.c.damper_id)
        statement = (
            select(*_LOOK)
            .select_from(PART_LOOK.join(ranked, is_same))
            .where(of_profile & (ranked.c.place <= dampers_count))
            .order_by(PART_LOOK.c.row, PART_LOOK.c.part)
        )
        return tuple(PartLook(*one) for one in self._rows(statement))

    def like_units(self, profile_name: str) -> tuple[LikeRow, ...]:
        """Return at which used share of its budget each part was replaced in dampers of a profile, by part."""
        where = (
            (PART_LOOK.c.profile_name == profile_name) & PART_LOOK.c.is_replaced & PART_LOOK.c.used_ratio.is_not(None)
        )
        place = func.row_number().over(partition_by=PART_LOOK.c.part, order_by=PART_LOOK.c.used_ratio)
        count = func.count().over(partition_by=PART_LOOK.c.part)
        ranked = (
            select(PART_LOOK.c.part, PART_LOOK.c.used_ratio, place.label("place"), count.label("count"))
            .where(where)
            .subquery()
        )
        # The middle one, or the mean of the two in the middle: places (n + 1) div 2 and (n + 2) div 2.
        middle = (ranked.c.place * 2 >= ranked.c.count) & (ranked.c.place * 2 <= ranked.c.count + 2)
        statement = select(
            ranked.c.part,
            func.count(),
            func.min(ranked.c.used_ratio),
            func.avg(case((middle, ranked.c.used_ratio))),
            func.max(ranked.c.used_ratio),
        ).group_by(ranked.c.part)
        return tuple(LikeRow(*one) for one in self._rows(statement.order_by(ranked.c.part)))


def _make_service(row: Any) -> Service:
    values = named(_SERVICE, row)
    values["replaced"] = tuple(load(values["replaced"]))
    values["found"] = load_object(values["found"])
    return Service(**values)
