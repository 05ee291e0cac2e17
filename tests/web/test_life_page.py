"""The pages of wear: what they say in words, and what hostile text does to them."""

from __future__ import annotations

import re
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.life.urgency import STATES
from dutylog.life.words import INFORMS
from dutylog.web import life_routes
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.jobs import JobFailed
from dutylog.web.ledger_view import SqliteLedgerView
from dutylog.web.life_view import WORK_CAUTIONS, LifeBasis, LifeEntry, make_bars, make_dampers, read_lives
from dutylog.web.pages import Pages
from dutylog.web.settings import WebSettings
from life.lived import START, Lived
from web.life_samples import FakeJobs, calendar_object, damper_object, fake_jobs, mark_object, part_object
from web.samples import HOSTILE, FakeLedgerView, fake_ledger

UNIT = "00000000-0000-4000-8000-000000000002"
PATH = "/dampers/SN-rear_left/life"
BASE = "http://127.0.0.1:8321"


async def get(path: str, jobs: FakeJobs | None = None, view: FakeLedgerView | None = None) -> httpx.Response:
    app = create_app(
        LiveFeed(ManualClock(mono_ns=10**12)), view or fake_ledger(), WebSettings(), jobs=jobs or fake_jobs()
    )
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=BASE) as client:
        return await client.get(path)


def words(html: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", html).replace("&nbsp;", " ").replace("&lt;", "<")
    text = " ".join(re.sub(r"[\u00a0\u202f]", " ", plain).split())
    return re.sub(r" ([;:,.)])|(\() ", r"\1\2", text)


def jobs_with(**changes: Any) -> FakeJobs:
    return FakeJobs([damper_object(UNIT, **changes)])


# -- states


def test_the_most_urgent_part_and_damper_come_first() -> None:
    """What must be done today stands on top, whatever the order of the answer; a mark that says stop before all."""
    fine = damper_object("a", parts=[part_object("oil", "damper oil")], marks=[])
    stopped = damper_object("b", parts=[part_object("oil", "damper oil")], marks=[mark_object()])
    worn = damper_object("c", marks=[mark_object(urgency="watch")])
    found = make_dampers({"dampers": [fine, worn, stopped]})
    assert [part.state for part in found[1].parts] == ["over", "due", "plan it", "fine"]
    assert [one.unit_id for one in sorted(found, key=lambda one: one.order)] == ["b", "c", "a"]


def test_bars_are_to_one_scale_and_stay_in_the_picture() -> None:
    """A part used a hundred times over must not press the others flat."""
    parts = [
        part_object("oil", "damper oil"),
        part_object("structure", "shaft and eyelets", used_share=110.0, used_ratio=110.0),
        calendar_object(),
    ]
    bars = make_bars(make_dampers({"dampers": [damper_object("a", parts=parts)]})[0].parts)
    assert set(bars) == {"oil", "structure"}
    oil, structure = bars["oil"], bars["structure"]
    assert structure.used == 100.0
    assert oil.middle == pytest.approx(2 * oil.used, abs=0.2)
    assert 0 < oil.used < oil.low < oil.middle < oil.high < 100


@pytest.mark.parametrize("text", ["", "null", "[]", "{}", '{"dampers": 3}', "[" * 100_000, "no damper"])
def test_an_answer_that_is_none_is_said(text: str) -> None:
    """Another version of the command, or a line that broke."""
    with pytest.raises(JobFailed, match="the answer could not be read"):
        read_lives(text)


@pytest.mark.parametrize(
    "changes", [{"parts": None}, {"parts": [{}]}, {"day": "yesterday"}, {"hot_seal_s": "long"}, {"marks": [{}]}]
)
def test_a_field_that_is_amiss_is_said(changes: dict[str, Any]) -> None:
    """Not a failed page."""
    with pytest.raises(JobFailed, match="the answer could not be read"):
        make_dampers({"dampers": [damper_object("a", **changes)]})


# -- the page of one damper


@pytest.mark.anyio
async def test_every_figure_stands_in_words() -> None:
    """Used, measured, due, miles, calendar, since, budget, street, heat, marks: in the reader's units, with doubt."""
    html = (await get(PATH)).text
    text = words(html)
    for said in (
        INFORMS.replace("'", "&#39;"), "Worked out for 2026-11-30", "127 % ± 6 %", "83 % ± 6 %",
        "today as likely as not 1 of 10: today; 9 of 10: 2027-03-02",
        "2026-12-24 as likely as not 1 of 10: 2026-12-10; 9 of 10: 2029-04-12",
        "2 740 km (467 km to 6 280 km)", "0 km (0 km to 1 030 km)", "(467 km to more)", "9 of 10: not foreseen",
        "Calendar 2033-01-05", "Calendar no limit",
        "2026-01-05 the beginning of what is known", "Order by 2026-11-14",
        "2026-04-01 entry 9, Ana: service: replaced oil; found oil usable",
        "1.00 of the reference (0.59 to 1.68 in 8 of 10 cases), no finding of a bench yet", "from 2 findings",
        "Its shaft seal and wiper has taken as much as 262 000 km of street; driven since it counts: 2 700 km",
        "89.7 % of that was measured, the rest is estimated",
        "Its oil was hotter than seals should be for 0:21:00 since the seal was new",
        "Mark on the shaft: stop", "don&#39;t drive on before a qualified technician".replace("don", "Don"),
        "Due today: 27 % over its budget.", "by calendar and readings alone 2027-01-05",
    ):  # fmt: skip
        assert said in text, said
    assert "miles" not in text
    for caution in WORK_CAUTIONS:
        assert caution.replace("'", "&#39;") in html


@pytest.mark.anyio
async def test_states_are_words_and_shapes_and_their_rules_are_there() -> None:
    """Never colour alone; and nobody has to guess what `due` means."""
    html = (await get(PATH)).text
    tags = re.findall(r'<span class="life-state life-([a-z-]+)"><svg[^>]*>(.*?)</svg> ([a-z ]+)</span>', html)
    assert {word for _, _, word in tags} == set(STATES)
    assert len({drawing for _, drawing, _ in tags}) == len(STATES)
    rules = html[html.index('<dl class="life-rules">') :]
    assert [word in rules for word in STATES] == [True] * 4


@pytest.mark.anyio
async def test_the_json_is_what_the_command_tells() -> None:
    """Programs find the fields of shared/LIFE.md, nothing left out."""
    jobs = fake_jobs()
    answer = (await get("/api" + PATH, jobs)).json()
    assert answer["dampers"] == [jobs.dampers[2]]
    assert set(answer) == {"schema", "engine", "dampers"}
    assert jobs.asked == [(("life", "show", "--format=json"), ("SN-rear_left",), 12)]


@pytest.mark.anyio
async def test_the_command_gets_the_label_of_the_ledger() -> None:
    """Never what stands in the address, and names apart from options."""
    view, jobs = fake_ledger(), fake_jobs()
    jobs.dampers[2]["serial"] = "--help"
    view.life_changes = {"label": "--help"}
    assert (await get(f"/dampers/{UNIT}/life", jobs, view)).status_code == 200
    assert (await get(f"/dampers/{UNIT}/life/oil", jobs, view)).status_code == 200
    assert [names for _, names, _ in jobs.asked] == [("--help",), ("--help", "oil")]


@pytest.mark.anyio
async def test_an_answer_of_another_damper_is_not_shown() -> None:
    """Two dampers of one label: figures of the wrong one would be worse than none."""
    jobs = fake_jobs()
    jobs.dampers[2]["unit_id"] = "another"
    answer = await get(PATH, jobs)
    assert answer.status_code == 503
    assert "the answer is not of damper SN-rear_left" in answer.text


@pytest.mark.anyio
@pytest.mark.parametrize("path", [PATH, PATH + "/oil", "/due", "/api" + PATH])
async def test_what_could_not_be_worked_out_is_said(path: str) -> None:
    """In one line, in place of the figures; what people told and the cautions are still there."""
    jobs = fake_jobs()
    jobs.problem = "working this out took longer than 60 s <b>"
    answer = await get(path, jobs)
    assert answer.status_code == 503
    if path.startswith("/api"):
        assert answer.json()["error"] == jobs.problem
        return
    assert "working this out took longer than 60 s &lt;b&gt;" in answer.text
    if path == PATH:
        assert "sharp nick of 1.5 mm" in answer.text
        assert WORK_CAUTIONS[0].replace("'", "&#39;") in answer.text


@pytest.mark.anyio
async def test_the_computation_is_shown_as_it_is_printed() -> None:
    """Columns and lines as in a terminal, hostile labels as text."""
    jobs = fake_jobs()
    jobs.explained = f"damper oil of damper {HOSTILE}\n\n  measured    1\n"
    html = (await get(PATH + "/oil", jobs)).text
    assert "\n\n  measured    1\n</pre>" in html
    assert "&lt;script&gt;alert(1)" in html
    assert "<script>alert" not in html


@pytest.mark.anyio
async def test_hostile_names_and_notes_stay_text() -> None:
    """They come from whoever typed them, through the ledger and through the command."""
    view = fake_ledger()
    told = LifeEntry(9, "2026-04-01", HOSTILE, f"service: {HOSTILE}", HOSTILE)
    view.life_changes = {"label": HOSTILE, "profile": HOSTILE, "position": HOSTILE, "entries": (told,)}
    view.damper_rows = [replace(row, label=HOSTILE) for row in view.damper_rows]
    part = part_object("oil", HOSTILE, text=HOSTILE, since_entry=9)
    mark = mark_object(text=HOSTILE, advice=HOSTILE, urgency=HOSTILE, kind=HOSTILE)
    jobs = jobs_with(serial=HOSTILE, position=HOSTILE, profile=HOSTILE, parts=[part], marks=[mark])
    for path in (f"/dampers/{UNIT}/life", "/due"):
        answer = await get(path, jobs, view)
        assert answer.status_code == 200
        assert "<script>alert" not in answer.text
        assert "<img" not in answer.text
        assert answer.text.count("&lt;script&gt;alert(1)") >= 4


@pytest.mark.anyio
@pytest.mark.parametrize("key", ["SN-nobody", "", "%0a", "x" * 300, "../../etc/passwd", "%3Cscript%3E", "%00", "-x"])
async def test_an_unknown_damper_is_one_line(key: str) -> None:
    """Not a fault, nothing of the key runs, and no process starts for it."""
    for path in (f"/dampers/{key}/life", f"/dampers/{key}/life/oil"):
        jobs = fake_jobs()
        answer = await get(path, jobs)
        assert answer.status_code == 404
        assert jobs.asked == []
        assert "<script>alert" not in answer.text
    assert (await get(f"/api/dampers/{key}/life")).status_code == 404


@pytest.mark.anyio
@pytest.mark.parametrize("part", ["none", "--help", "OIL", "oil%00", "%3Cb%3E", ""])
async def test_an_unknown_part_is_one_line(part: str) -> None:
    """The command is asked for parts we know alone."""
    jobs = fake_jobs()
    assert (await get(f"{PATH}/{part}", jobs)).status_code == 404
    assert jobs.asked == []


@pytest.mark.anyio
async def test_a_part_that_this_damper_lacks_is_one_line() -> None:
    """A damper without a bladder: no process is started to find that out."""
    jobs, view = fake_jobs(), fake_ledger()
    view.life_changes = {"parts": ("shaft_seal", "oil")}
    answer = await get(PATH + "/bladder", jobs, view)
    assert answer.status_code == 404
    assert "no part &#39;bladder&#39; of this damper" in answer.text
    assert jobs.asked == []


@pytest.mark.anyio
async def test_a_profile_that_nobody_knows_is_said_in_one_line() -> None:
    """It isn't a fault of the pages, and trying again doesn't help: the vehicle file wants an entry."""
    jobs, view = fake_jobs(), fake_ledger()
    view.life_changes = {"parts": None, "profile": "gone"}
    for path in (PATH, PATH + "/oil", "/api" + PATH):
        answer = await get(path, jobs, view)
        assert answer.status_code == 409
        assert "its profile gone isn" in answer.text
        assert "t in the vehicle file; add it there" in answer.text
    assert jobs.asked == []
    assert "sharp nick of 1.5 mm" in (await get(PATH, jobs, view)).text


@pytest.mark.anyio
async def test_long_answers_are_read_and_rendered_off_the_event_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four megabytes take a second on a small board; the live stream must go on meanwhile."""
    here, seen = threading.get_ident(), []
    for name in ("read_lives", "make_dampers"):
        real = getattr(life_routes, name)
        monkeypatch.setattr(
            life_routes, name, lambda given, real=real: (seen.append(threading.get_ident()), real(given))[1]
        )
    render = Pages._page
    monkeypatch.setattr(
        Pages, "_page", lambda *given, **more: (seen.append(threading.get_ident()), render(*given, **more))[1]
    )
    for path in (PATH, PATH + "/oil", "/due", "/api" + PATH):
        assert (await get(path)).status_code == 200
    assert len(seen) == 8
    assert here not in seen


@pytest.mark.anyio
async def test_a_mark_s_passes_follow_the_reader_s_units() -> None:
    """Metric until the page's script says otherwise; 16.1 times a mile are 10 times a km."""
    html = (await get(PATH, jobs_with(marks=[mark_object(passes_per_mile=16.09344)]))).text
    assert "It passes the seal 10.0 times a km." in words(html)
    assert 'data-kind="per_m"' in html


# -- what is due first


@pytest.mark.anyio
async def test_due_shows_the_most_urgent_part_of_every_damper() -> None:
    """One question for all of them; labels are the ledger's."""
    jobs, view = fake_jobs(), fake_ledger()
    view.damper_rows = [replace(row, label=f"tag of {row.position}") for row in view.damper_rows]
    html = (await get("/due", jobs, view)).text
    assert jobs.asked == [(("life", "show", "--format=json"), (), 12)]
    links = re.findall(r'class="card" href="/dampers/([^"]+)/life"', html)
    assert [link[-2:] for link in links] == ["02", "03", "00", "01"]
    text = words(html)
    assert "tag of rear_left rear left over shaft seal and wiper 127 % used due today (today to 2027-03-02)" in text
    assert "also: damper oil: due, nitrogen charge: plan it mark on the shaft: stop" in text
    assert "front left fine damper oil 30 % used due 2027-10-16" in text


@pytest.mark.anyio
async def test_without_any_damper_due_says_why() -> None:
    """The first start, and dampers whose profile nobody knows."""
    view = fake_ledger()
    named = (await get("/due", FakeJobs(), view)).text
    assert "no damper with a known profile is here yet" in named
    assert "Not told of, since the vehicle file has no such profile" in named
    assert "SN-rear_left" in named
    view.damper_rows = []
    assert "Not told of" not in (await get("/due", FakeJobs(), view)).text


@pytest.mark.anyio
async def test_pages_lead_to_each_other() -> None:
    """Nobody types such an address."""
    assert 'href="/due"' in (await get("/dampers")).text
    assert f'href="/dampers/{UNIT}/life"' in (await get("/dampers/SN-rear_left")).text
    html = (await get(PATH)).text
    for link in (f"/dampers/{UNIT}", "/due", f"/dampers/{UNIT}/gas", *(f"{PATH}/{part}" for part in ("oil",))):
        assert f'href="{link.replace("SN-rear_left", UNIT)}"' in html


# -- what people told, from a real ledger


def test_what_people_told_comes_newest_first_without_what_was_withdrawn(tmp_path: Path) -> None:
    """Each with the number by which it can be withdrawn; other dampers' entries stay theirs."""
    lived = Lived(tmp_path)
    lived.drive(START, 5)
    lived.trip(1, 5)
    mark = {"mark": "nick", "distance_mm": 60.0, "size_mm": 1.5, "is_sharp": True}
    use = {"distance_m": 3e7, "mix": "mixed", "kind": "before_install", "factor": 2.0}
    first = lived.tell("service", unit="SN-1", on="2026-02-01", note="well", replaced=["oil"], found={"oil": "as_new"})
    slip = lived.tell("shaft_mark", unit="SN-1", **mark)["entry"]
    lived.tell("stated_use", unit="SN-1", **use)
    lived.tell("shaft_mark", unit="SN-2", **mark)
    lived.tell("dirt", trip=1, what="mud", washed=False)
    lived.tell("dirt", trip=1, what="sand", washed=True, note="rinsed")
    view = SqliteLedgerView(tmp_path)
    before = view.life("SN-1")
    assert isinstance(before, LifeBasis)
    assert [entry.what for entry in before.entries] == [
        "distance nobody measured, mixed, before install",
        "sharp nick of 1.5 mm, 60 mm from the seal head",
        "service: replaced oil; found oil as new",
    ]
    assert before.entries[-1] == LifeEntry(
        first["entry"], "2026-02-01", "Ada", "service: replaced oil; found oil as new", "well"
    )
    assert before.position == "front_left"
    assert before.parts is not None
    assert ("charge" in before.parts, "bladder" in before.parts) == (True, False)
    trip = view.trip(1)
    assert trip is not None
    assert trip.dirt is not None
    assert (trip.dirt.what, trip.dirt.by, trip.dirt.note) == ("sand, washed afterwards", "Ada", "rinsed")
    lived.tell("withdraw", entry=slip, why="wrong damper")
    after = view.life("SN-1")
    assert after is not None
    assert slip not in [entry.row for entry in after.entries]
    assert after.version > before.version
    assert view.life_version() == after.version
    assert view.life("SN-9") is None
    lived.close()
