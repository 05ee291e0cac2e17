"""A trip cut in two and read by two processes at once: the second begins before the cut and proves that it fits.

Both stop at the same frame before the tile of the cut. Where all that decides what comes next is equal there, what
the second finds is what the first would have found; where it isn't, the first reads on alone.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from typing import IO, Any

import numpy as np

from dutylog.engine.heap import keep_freed_memory
from dutylog.errors import RecordingError
from dutylog.review.pass_job import Part, PassJob
from dutylog.review.road import RoadRows
from dutylog.review.tiles import SeatRows
from dutylog.review.trip_pass import TripPass

WORTH_S = 1200.0
"""Shorter trips are read before a second process would have paid. Judgement."""


def has_two_processors() -> bool:
    """Tell whether another process would have a processor of its own."""
    return len(os.sched_getaffinity(0)) > 1


def run_pass(job: PassJob, progress: Callable[[float], None] = lambda _: None) -> Part:
    """Read a trip in one go. progress: told how much of it is done [s].

    Raises:
        RecordingError: the log can't be read.
    """
    work = TripPass(job, progress)
    work.go()
    return work.finish()


def run_two(first: PassJob, second: PassJob, progress: Callable[[float], None] = lambda _: None) -> Part:
    """Read a trip in two pieces; the same comes out. second: with `since`, where the first stops.

    Raises:
        RecordingError: the log can't be read.
    """
    command = [sys.executable, "-m", "dutylog.review.pieces"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            _send(process.stdin, second)
            work = TripPass(first, progress)
            state = work.go(second.since)
            behind = _receive(process.stdout) if state is not None and _receive(process.stdout) == state else None
        finally:
            process.kill()
    if isinstance(behind, Part):
        return join(work.finish(), behind)
    # It doesn't fit, or its process ended: nothing is lost but time.
    work.go()
    return work.finish()


def join(first: Part, later: Part) -> Part:
    """Return two parts that follow each other as one."""
    count = len(first.t_s)
    seats: dict[tuple[str, str], SeatRows] = {one.seat: one for one in first.seats}
    for one in later.seats:
        moved = one.moved(count)
        seats[one.seat] = seats[one.seat].joined(moved) if one.seat in seats else moved
    columns = ("t_s", "dt_s", "moving", "vehicle_mps", "driven_m", "ambient_c", "fixes")
    joined: dict[str, Any] = {name: np.concatenate([getattr(first, name), getattr(later, name)]) for name in columns}
    return Part(
        vehicle=later.vehicle,
        seats=tuple(seats.values()),
        contacts=(*first.contacts, *later.contacts),
        faults=(*first.faults, *later.faults),
        roads=RoadRows.join([first.roads, later.roads]),
        damage=tuple(dict.fromkeys((*first.damage, *later.damage))),
        **joined,
    )


def _send(pipe: IO[bytes] | None, what: object) -> None:
    if pipe is not None:
        try:
            pickle.dump(what, pipe, protocol=pickle.HIGHEST_PROTOCOL)
            pipe.close()
        except BrokenPipeError:
            return  # then it has nothing to tell, and we read on alone


def _receive(pipe: IO[bytes] | None) -> object:
    """Return what our own child wrote; nobody else has the pipe. None where it ended."""
    try:
        return None if pipe is None else pickle.load(pipe)  # noqa: S301
    except (EOFError, pickle.UnpicklingError):
        return None


def _work(job: PassJob, pipe: IO[bytes]) -> None:
    """Tell the state at the cut, then what was found behind it."""
    work = TripPass(job)
    pickle.dump(work.go(job.since), pipe)
    pipe.flush()
    work.go()
    pickle.dump(work.finish(), pipe, protocol=pickle.HIGHEST_PROTOCOL)
    pipe.flush()


if __name__ == "__main__":
    keep_freed_memory()
    try:
        # Written by whoever started us; nobody else has the pipe.
        _work(pickle.load(sys.stdin.buffer), sys.stdout.buffer)  # noqa: S301
    except (BrokenPipeError, EOFError, KeyboardInterrupt, RecordingError):
        # Whoever asked has gone or reads on alone, and then says what is wrong with the log.
        os._exit(1)
