"""Pages of the inspection: the list of points, one point, and the photos that belong to them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.bench.findings import NOT_LOOKED, Finding
from dutylog.bench.inspection import suggest_leak_grade
from dutylog.bench.inspection_items import STEP_WORDS
from dutylog.bench.photo import Photo, clean_photo
from dutylog.bench.roles import TECHNICIAN, VIEWER
from dutylog.domain.wear import GRADES
from dutylog.errors import InputError, one_line
from dutylog.web.bench.curve_routes import lost_measures
from dutylog.web.bench.frame import FILES, Done, Frame, Seen, Write
from dutylog.web.bench.inspection_view import (
    KEEP,
    PHOTOS_LIMIT,
    PhotoTick,
    Point,
    make_fields,
    make_groups,
    neighbours,
    next_to_do,
    read_answer,
    split_caution,
    words_of,
)
from dutylog.web.bench.job_desk import CURVE_POINT, JobDesk, open_desk, read_desk, refuse_closed, refuse_over

PHOTO_FIELDS = ("photo", "photo_2")
_SHA = re.compile(r"[0-9a-f]{64}")
_PHOTO_HEADERS = {"Content-Disposition": "inline", "Cache-Control": "private, no-cache"}
"""Asked for each time, so that a shared tablet shows none after somebody signed out; its digest is its ETag."""


def add_inspection(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of the inspection."""

    @frame.page("/jobs/{job}/inspection", least=VIEWER, here="jobs")
    def listed(seen: Seen) -> Response:
        desk = open_desk(seen)
        points = desk.points
        answers = [point.answer.finding for point in points if point.answer is not None]
        return seen.render(
            "bench/inspection.html",
            job=desk.head,
            step="inspection",
            points=points,
            groups=make_groups(points),
            words_of=words_of,
            answered_count=len(answers),
            left_out_count=sum(one.grade == NOT_LOOKED for one in answers),
            next_key=next_to_do(points),
            is_over=desk.is_over,
        )

    @frame.page("/jobs/{job}/inspection/{item}", least=VIEWER, here="jobs")
    def point(seen: Seen) -> Response:
        return _show(seen, open_desk(seen))

    @frame.write("/jobs/{job}/inspection/{item}", least=TECHNICIAN, body=FILES, here="jobs")
    def answer(write: Write) -> Done | Response:
        desk = open_desk(write)
        refuse_over(desk)
        point = _find(desk, write.params["item"])
        offered = _offered(write, point)
        photos, problem = _clean(write)
        try:
            given = read_answer(point.item, write.fields, offered, desk.profile)
            if problem:
                raise InputError(problem)
            if len(given.kept_photos) + len(photos) > PHOTOS_LIMIT:
                raise InputError(
                    f"a point keeps at most {PHOTOS_LIMIT} photos; take the tick off some of the older ones"
                )
        except InputError as err:
            # A browser can't fill a file's field in again: what was a photo is kept, and its tick sent along.
            with write.store.write(write.who) as tx:
                refuse_closed(tx.read, desk.job_id)
                shas = tuple(dict.fromkeys(tx.put_photo(photo.data, photo.media_type) for photo in photos))
            line = f"{one_line(err, 400)}; the photo you sent is kept, its tick stands below" if shas else str(err)
            return _show(write, desk, one_line(line, 500), write.fields, (offered, shas))
        with write.store.write(write.who) as tx:
            refuse_closed(tx.read, desk.job_id)
            added = [tx.put_photo(photo.data, photo.media_type) for photo in photos]
            shas = tuple(dict.fromkeys((*given.kept_photos, *added)))
            data = {"item": point.item.key, "grade": given.grade, "measures": dict(given.measures), "note": given.note}
            tx.append("finding", {**data, "photos": list(shas)}, job_id=desk.job_id)
            # Read once more, within the transaction: another tablet may have answered while this one was filled in.
            after = read_desk(tx.read, desk.job_id, write.frame.today())
        here = f"/jobs/{desk.job_id}/inspection"
        text = f"{point.item.name}: {words_of(point.item)[given.grade]}, kept"
        if _other_word(after, point.item.key, write.field("seen"), write.viewer.name) is not None:
            return Done(
                f"{text}; two people answered it", f"{here}/{point.item.key}?seen={_whole(write.field('seen'))}"
            )
        if _doubt(after.state.findings[point.item.key].newest):
            return Done(text, f"{here}/{point.item.key}")
        following = next_to_do(after.points, point.item.key)
        return Done(text, here if following is None else f"{here}/{following}#point")

    @frame.page("/photos/{sha}", least=VIEWER)
    def photo(seen: Seen) -> Response:
        sha = seen.params["sha"]
        found = seen.store.read().photo(sha) if _SHA.fullmatch(sha) else None
        if found is None:
            raise HTTPException(404, f"no photo {one_line(sha, 20)!r}; open it from its point")
        headers = {**_PHOTO_HEADERS, "ETag": f'"{sha}"'}
        if f'"{sha}"' in seen.request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        return Response(found.body, media_type=found.media_type, headers=headers)


def _show(
    seen: Seen,
    desk: JobDesk,
    problem: str = "",
    sent: Mapping[str, str] | None = None,
    photos: tuple[tuple[str, ...], tuple[str, ...]] = ((), ()),
) -> Response:
    """Return the page of a point.

    problem: why what was sent isn't kept. sent: its fields, shown again. photos: those its form offered, and those that
    came along.
    """
    points = desk.points
    point = _find(desk, seen.params["item"])
    before_key, after_key = neighbours(points, point.item.key)
    place = [one.item.key for one in points].index(point.item.key) + 1
    newest = None if point.answer is None else point.answer.finding
    held = {} if newest is None else newest.measures
    if point.item.key == CURVE_POINT:
        held = {**held, **lost_measures(desk)}
    values: dict[str, Any] = {
        "point": point,
        "number": place,
        "count": len(points),
        "step_words": STEP_WORDS[point.item.step],
        "fields": make_fields(point.item, seen.frame.settings.units, held, sent),
        "typed_note": sent.get("note", "") if sent is not None else (newest and newest.note) or "",
        "photo_ticks": _ticks(newest, sent, *photos),
        "cautions": split_caution(points, point.item.key),
        "grades": GRADES,
        "grade_words": words_of(point.item),
        "before_key": before_key,
        "after_key": after_key,
        "other_word": _other_word(desk, point.item.key, seen.query.get("seen", ""), seen.viewer.name),
        "doubt": "" if newest is None else _doubt(newest),
        "problem": problem,
        "is_over": desk.is_over,
    }
    status = 400 if problem else 200
    return seen.render("bench/inspection_point.html", status, job=desk.head, step="inspection", **values)


def _find(desk: JobDesk, key: str) -> Point:
    found = next((point for point in desk.points if point.item.key == key), None)
    if found is None:
        raise HTTPException(404, f"this damper's inspection has no point {one_line(key, 40)!r}; see its list")
    return found


def _clean(write: Write) -> tuple[list[Photo], str]:
    """Return the photos that came along, and why one of them isn't one, '' where all are."""
    sent = [write.files[name] for name in PHOTO_FIELDS if name in write.files and write.files[name].data]
    photos, problem = [], ""
    for one in sent:
        try:
            photos.append(clean_photo(one.data, one.name))
        except InputError as err:
            problem = problem or str(err)
    return photos, problem


def _offered(write: Write, point: Point) -> tuple[str, ...]:
    """Return the photos that a form may keep: those of the last answer, and what was sent with it and kept before."""
    older = () if point.answer is None else point.answer.finding.photos
    told = [value for name, value in write.fields.items() if name.startswith(KEEP) and _SHA.fullmatch(value)]
    reading = write.store.read()
    added = (sha for sha in dict.fromkeys(told[:PHOTOS_LIMIT]) if sha not in older and reading.photo(sha) is not None)
    return (*older, *added)


def _ticks(
    newest: Finding | None, sent: Mapping[str, str] | None, offered: tuple[str, ...], added: tuple[str, ...]
) -> tuple[PhotoTick, ...]:
    """Return the photos a form offers: ticked at first, later as they were sent."""
    older = () if newest is None else newest.photos
    kept = set(older) if sent is None else {value for name, value in sent.items() if name.startswith(KEEP)}
    return tuple(
        PhotoTick(sha, "of the last answer" if sha in older else "just sent", sha in kept or sha in added)
        for sha in dict.fromkeys((*older, *offered, *added))
    )


def _other_word(desk: JobDesk, key: str, seen_row: str, name: str) -> Finding | None:
    """Return what another person answered after the page with the form was opened, None where nobody did.

    seen_row: entry of the answer that stood on that page.
    """
    looked = desk.state.findings.get(key)
    if looked is None or not looked.earlier or not seen_row.isdecimal() or looked.newest.by != name:
        return None
    before = looked.earlier[0]
    return before if before.entry > _whole(seen_row) and before.by != name else None


def _doubt(finding: Finding) -> str:
    """Return why a grade is milder than what the two questions of a leak come to, '' where it isn't."""
    suggested = suggest_leak_grade(finding.measures)
    if suggested is None or finding.grade not in GRADES:
        return ""
    return suggested[1] if GRADES.index(suggested[0]) > GRADES.index(finding.grade) else ""


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 17 else 0
