"""What stands above every page of a job: which damper, whose, and how far it is."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.exceptions import HTTPException

from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rows import Customer, Damper, Job, Vehicle


@dataclass(frozen=True, slots=True)
class JobHead:
    """A job with its damper, vehicle and customer, as far as they are known."""

    job: Job
    damper: Damper
    vehicle: Vehicle | None
    customer: Customer | None

    @property
    def job_id(self) -> int:
        """Return the job's number."""
        return self.job.job_id

    @property
    def damper_id(self) -> str:
        """Return whose job it is."""
        return self.job.damper_id

    @property
    def stage(self) -> str | None:
        """Return the stage that was told last."""
        return self.job.stage

    @property
    def label(self) -> str:
        """Return what people call the damper."""
        return self.damper.label

    @property
    def position(self) -> str | None:
        """Return where it sits on its vehicle."""
        return self.damper.position


def read_job_head(reading: Reading, job_id: int) -> JobHead:
    """Return the head of a job; HTTPException 404 where there is no such job."""
    job = reading.job(job_id)
    damper = None if job is None else reading.damper(job.damper_id)
    if job is None or damper is None:
        raise HTTPException(404, f"no job {job_id}; see the list of jobs")
    vehicle, customer = read_owner(reading, damper)
    return JobHead(job, damper, vehicle, customer)


def read_owner(reading: Reading, damper: Damper) -> tuple[Vehicle | None, Customer | None]:
    """Return vehicle and customer of a damper, as far as they are known."""
    vehicle = None if damper.vehicle_key is None else reading.vehicle(damper.vehicle_key)
    customer_id = None if vehicle is None else vehicle.customer_id
    return vehicle, None if customer_id is None else reading.customer(customer_id)
