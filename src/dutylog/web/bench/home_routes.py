"""The first page: jobs under way, and the search for a damper; and the jobs that are over."""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.responses import Response

from dutylog.bench.roles import VIEWER
from dutylog.bench.triage_words import ROW_WORDS
from dutylog.web.bench.frame import Frame, Seen, number_in

MOST_SEARCHED_SIGNS = 80
FINISHED_SHOWN = 50


def add_home(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the first page, and the list of finished jobs."""

    @frame.page("/", least=VIEWER, here="jobs")
    def home(seen: Seen) -> Response:
        text = seen.query.get("q", "").strip()[:MOST_SEARCHED_SIGNS]
        with seen.store.read() as reading:
            found = reading.search(text) if text else ()
            jobs = reading.open_jobs()
        return seen.render("bench/home.html", q=text, found=found, jobs=jobs, row_words=ROW_WORDS)

    @frame.page("/finished", least=VIEWER, here="jobs")
    def finished(seen: Seen) -> Response:
        before = number_in(seen.query, "before", "job") if "before" in seen.query else None
        with seen.store.read() as reading:
            jobs = reading.finished_jobs(before, FINISHED_SHOWN + 1)
        older = jobs[FINISHED_SHOWN - 1].job.job_id if len(jobs) > FINISHED_SHOWN else None
        return seen.render("bench/finished.html", jobs=jobs[:FINISHED_SHOWN], older=older, row_words=ROW_WORDS)
