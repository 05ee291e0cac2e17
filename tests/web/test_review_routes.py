"""The page of a trip and its files over HTTP: what is shown, who starts work, and what hostile files and names do."""

from __future__ import annotations

import gzip
import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from dutylog.clock import ManualClock
from dutylog.review.review import ACT, Figure, Sentence
from dutylog.review.trip_data import Contact
from dutylog.web.app import create_app
from dutylog.web.feed import LiveFeed
from dutylog.web.review_desk import DONE, FAILED, WORKING, DeskState, ReviewDesk
from dutylog.web.review_view import MOST_FILE_BYTES, unpack
from dutylog.web.settings import WebSettings
from dutylog.web.vendored import Vendored
from review.made_trips import made_review, made_trip
from web.review_samples import write_review
from web.samples import HOSTILE, FakeLedgerView, fake_ledger

BASE = "http://127.0.0.1:8321"
STATE_PATH = "/api/trips/{}/review/state"


class FakeDesk(ReviewDesk):
    """Keeps what was asked of it; says what a test tells it to."""

    def __init__(self) -> None:
        super().__init__(None)
        self.asked: list[tuple[str, object, bool]] = []
        self.now = DeskState(DONE, 1.0)

    def state(self, key: str) -> DeskState:
        return self.now

    def want(self, key: str, version: Any, again: bool = False, whole: bool = False) -> DeskState:
        self.asked.append((key, version, again))
        self.is_whole = whole
        return self.now


class Pages:
    """The application on a data folder."""

    def __init__(self, data_dir: Path, view: FakeLedgerView | None = None) -> None:
        self.desk, self.view = FakeDesk(), view or fake_ledger()
        settings = WebSettings(data_dir=data_dir)
        self.app = create_app(LiveFeed(ManualClock(mono_ns=10**12)), self.view, settings, desk=self.desk)

    async def get(self, path: str, method: str = "GET", **headers: str) -> httpx.Response:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        async with httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url=BASE) as client:
            return await client.request(method, path, headers=named)


@pytest.fixture
def shown(tmp_path: Path) -> Pages:
    """Give pages with a review of trip 1."""
    write_review(tmp_path, "1")
    return Pages(tmp_path)


def words(html: str) -> str:
    plain = re.sub(r"<[^>]+>", " ", html).replace("&nbsp;", " ")
    text = " ".join(re.sub(r"[\u00a0\u202f]", " ", plain).split())
    return re.sub(r" ([;:,.)])", r"\1", text)


# -- the page


@pytest.mark.anyio
async def test_the_verdict_comes_first_with_its_why(shown: Pages) -> None:
    """Before any figure or picture: what was, how bad, and by which rule; with the reader's units."""
    html = (await shown.get("/trips/1")).text
    text = words(html)
    said = ("rear right bottomed 14 times", "rear right took 38 % more", "29.0 km of washboard made 55 %")
    order = [text.index(sentence) for sentence in said]
    assert order == sorted(order)
    assert order[-1] < text.index("Over time") < text.index("Duty of this trip")
    assert "Why: said from 3 bottom-outs on" in text
    assert '<span class="q" data-kind="distance_m" data-value="29000.0">' in html


@pytest.mark.anyio
async def test_levels_are_words_and_shapes(shown: Pages) -> None:
    """Never colour alone."""
    html = (await shown.get("/trips/1")).text
    tags = re.findall(r'<span class="rv-level rv-(\w+)"><svg[^>]*>(.*?)</svg> ([a-z ]+)</span>', html, re.DOTALL)
    assert {word for word, _, _ in tags} == {"act", "look", "fine"}
    assert len({drawing.strip() for _, drawing, _ in tags}) == len({said for _, _, said in tags}) == 3


@pytest.mark.anyio
async def test_every_list_of_the_review_is_on_the_page(shown: Pages) -> None:
    """Roads, hits, heights, differences, care and what each damper was worth."""
    text = words((await shown.get("/trips/1")).text)
    for said in (
        "washboard 0:10:00 7.8 km 47 km/h 74 %", "2.1 % of shaft seal", "660 km", "Fastest compression 2.40 m/s",
        "Bump stop reached 31", "Limit strap reached 2", "Body above the air, at most 62 K",
        "0:17:29 rear right topped out 1.90 m/s washboard", "32.1",
        "front left: stands 12 mm lower than at first", "change 12 mm ± 4 mm, from 6 stops of 3 trips",
        "Stop at Damper Travel Left to bump Left to droop Body", "100 mm 94 mm 100 mm 60 °C", "Load: full tank",
        "more than its doubt: heat a metre on washboard", "88.0 kJ/km", "1.38 times (1.20 to 1.57 in 95 of 100 cases)",
        "within its doubt: heat a metre on graded", "to do Let them cool below 50 °C first",
        "Caution: A hot damper burns; never pour water on it.", "done Wash by hand", "entry 31: with a sponge",
        "Not needed this time: 1", "Read the nitrogen when cold",
    ):  # fmt: skip
        assert said in text, said


@pytest.mark.anyio
async def test_the_hardest_hits_are_shown_and_the_rest_counted(tmp_path: Path) -> None:
    """A rough day has thousands."""
    data = made_trip(key="1")
    hits = tuple(Contact("rear_left", "bump_stop", float(k), 9.0 - k / 1000) for k in range(1000))
    made = made_review(data)
    dampers = tuple(replace(row, contacts_count={"bump_stop": 250}) for row in made.dampers)
    write_review(tmp_path, "1", data, replace(made, hits=hits, dampers=dampers))
    text = words((await Pages(tmp_path).get("/trips/1")).text)
    assert "The hardest of each kind, 30 of 1 000." in text
    assert text.count("bump stop reached") == 30


@pytest.mark.anyio
async def test_an_uneventful_trip_says_so(tmp_path: Path) -> None:
    """No empty headings."""
    data = made_trip(key="1")
    bare = replace(made_review(data), verdict=(), hits=(), heights=(), trends=(), differences=(), care=(), roads=())
    write_review(tmp_path, "1", data, bare)
    html = (await Pages(tmp_path).get("/trips/1")).text
    text = words(html)
    assert "Nothing of this trip calls for a word." in text
    assert "No end of travel was met." in text
    for name in ("roads", "heights", "differences", "care"):
        assert f'id="{name}-title"' not in html
        assert f'href="#{name}-title"' not in html


@pytest.mark.anyio
async def test_names_and_notes_stay_text(tmp_path: Path) -> None:
    """They come from people and files."""
    data = made_trip(key="1")
    review = made_review(data)
    hostile = replace(
        review,
        verdict=(Sentence(HOSTILE, ACT, (HOSTILE,), (HOSTILE, Figure("count", 3.0)), (HOSTILE,)),),
        notes=(HOSTILE,),
        cost_problem=HOSTILE,
        is_raw_whole=False,
        hits=(replace(review.hits[0], kind=HOSTILE, position=HOSTILE),),
        heights=tuple(replace(one, position=HOSTILE, load_note=HOSTILE) for one in review.heights),
        trends=tuple(replace(one, position=HOSTILE, words=(HOSTILE,)) for one in review.trends),
        differences=tuple(replace(one, what=HOSTILE, first_name=HOSTILE, basis=HOSTILE) for one in review.differences),
        care=tuple(
            replace(one, text=(HOSTILE,), caution=(HOSTILE,), done_by=HOSTILE, note=HOSTILE) for one in review.care
        ),
        facts=replace(review.facts, load_note=HOSTILE),
    )
    write_review(tmp_path, "1", data, hostile)
    html = (await Pages(tmp_path).get("/trips/1")).text
    assert "<img" not in html
    assert "<script>alert" not in html
    assert "49" not in re.findall(r"onerror=alert\(2\)&gt;(\S*)", html)
    assert html.count("&lt;script&gt;alert(1)&lt;/script&gt;") > 15


@pytest.mark.anyio
async def test_without_a_review_figures_stand_there_at_once(tmp_path: Path) -> None:
    """Nobody waits for the samples to see what the ledger knows; progress is words and a bar."""
    pages = Pages(tmp_path)
    pages.desk.now = DeskState(WORKING, 0.42)
    html = (await pages.get("/trips/1")).text
    text = words(html)
    assert "Goes through the samples of this trip: 42 %" in text
    assert re.search(r'role="progressbar"[^>]*aria-valuenow="42"', html)
    assert '<noscript><p><a class="more" href="/trips/1">Look again</a></p></noscript>' in html
    assert "1.21 MJ" in text
    assert 'id="pictures"' not in html
    assert pages.desk.asked == [("1", (12, 5025.0), False)]


@pytest.mark.anyio
async def test_a_failure_is_said_in_its_one_line(tmp_path: Path, shown: Pages) -> None:
    """With an earlier review, which stays, and without."""
    shown.desk.now = DeskState(FAILED, None, f"the log is gone {HOSTILE}")
    earlier = "could not be made anew; what follows is an earlier one: the log is gone"
    for path, said in (("/trips/1", earlier), ("/trips/2", "could not be made: the log is gone")):
        html = (await shown.get(path)).text
        assert said in words(html)
        assert "<script>alert" not in html
        assert 'action="/trips/' + path[-1] + '/again"' in html


@pytest.mark.anyio
async def test_a_trip_under_way_is_reviewed_up_to_now_once(tmp_path: Path) -> None:
    """It changes every second; a button does it again."""
    write_review(tmp_path, "3", made_trip(key="3"))
    pages = Pages(tmp_path)
    text = words((await pages.get("/trips/3")).text)
    assert "The trip goes on; this is it up to 0:30:00." in text
    assert pages.desk.asked == []
    await pages.get("/trips/3/again", "POST")
    assert pages.desk.asked == [("3", None, True)]


@pytest.mark.anyio
async def test_only_a_look_from_here_starts_work(tmp_path: Path) -> None:
    """Not a HEAD, not a picture in a foreign page, not a browser that reads ahead."""
    pages = Pages(tmp_path)
    await pages.get("/trips/1", "HEAD")
    await pages.get("/trips/1", sec_fetch_site="cross-site")
    await pages.get("/trips/1", sec_purpose="prefetch")
    assert pages.desk.asked == []
    await pages.get("/trips/1", sec_fetch_site="same-origin")
    assert len(pages.desk.asked) == 1


@pytest.mark.anyio
async def test_again_is_refused_to_other_sites(tmp_path: Path) -> None:
    """It writes nothing down, so nobody need be signed in; but it costs the board work."""
    pages = Pages(tmp_path)
    assert (await pages.get("/trips/1/again", "POST", origin="http://evil.example")).status_code == 403
    assert (await pages.get("/trips/99/again", "POST")).status_code == 404
    assert (await pages.get("/trips/1/again")).status_code in (404, 405)
    assert pages.desk.asked == []
    answer = await pages.get("/trips/1/again", "POST", origin=BASE)
    assert (answer.status_code, answer.headers["location"]) == (303, "/trips/1")
    answer = await pages.get("/trips/1/again", "POST", accept="application/json")
    assert answer.json()["state"] == DONE


@pytest.mark.anyio
@pytest.mark.parametrize("key", ["0", "x", "1.0", "1.2.3", "..%2f..", "1%00", "9" * 40, "-1", "%ff"])
async def test_keys_that_are_none_are_not_looked_for(shown: Pages, key: str) -> None:
    """No path of the disk can be made of one."""
    for path in (
        "/trips/{}",
        "/trips/{}/plots.json",
        "/trips/{}/detail/0",
        "/api/trips/{}/review",
        "/api/trips/{}/review/state",
    ):
        answer = await shown.get(path.format(key))
        assert answer.status_code == 404, path
        assert "Traceback" not in answer.text


# -- files


@pytest.mark.anyio
async def test_files_go_out_as_they_lie_there(shown: Pages, tmp_path: Path) -> None:
    """Compressed, with a tag, so that a second look costs a line; unpacked for who takes no gzip."""
    folder = tmp_path / "reviews" / "trip-1"
    for path, name in (("/trips/1/plots.json", "plots"), ("/trips/1/detail/0", "detail-00")):
        raw = (folder / f"{name}.json.gz").read_bytes()
        answer = await shown.get(path, accept_encoding="gzip")
        assert answer.headers["content-encoding"] == "gzip"
        assert int(answer.headers["content-length"]) == len(raw)
        assert answer.json() == json.loads(gzip.decompress(raw))
        plain = await shown.get(path, accept_encoding="identity")
        assert "content-encoding" not in plain.headers
        assert plain.content == gzip.decompress(raw)
        again = await shown.get(path, if_none_match=answer.headers["etag"])
        assert (again.status_code, again.content) == (304, b"")


@pytest.mark.anyio
async def test_missing_and_damaged_files_are_said(shown: Pages, tmp_path: Path) -> None:
    """One line each, as JSON for the page's script."""
    folder = tmp_path / "reviews" / "trip-1"
    assert (await shown.get("/trips/2/plots.json")).json()[
        "error"
    ] == "none are kept of trip '2'; the button on its page makes them"
    assert (await shown.get("/trips/1/detail/7")).status_code == 404
    for part in ("x", "-1", "0000", "1e3", "%C2%B2"):
        assert (await shown.get(f"/trips/1/detail/{part}")).status_code == 404
    path = folder / "plots.json.gz"
    whole = path.read_bytes()
    for raw in (b"", b"no gzip", b"\x1f\x8b", whole[:100], b"\x1f\x8b" + b"x" * MOST_FILE_BYTES):
        path.write_bytes(raw)
        answer = await shown.get("/trips/1/plots.json", accept_encoding="identity")
        assert answer.status_code == 404
        assert len(answer.json()["error"]) < 200


def test_a_bomb_is_not_unpacked() -> None:
    """A few kilobytes that become gigabytes."""
    assert unpack(gzip.compress(b"0" * 40_000_000)) is None


@pytest.mark.anyio
async def test_state_for_the_script(shown: Pages, tmp_path: Path) -> None:
    """What it asks each second; `made` changes when there is something new to load."""
    shown.desk.now = DeskState(WORKING, 0.5)
    now = (await shown.get("/api/trips/1/review/state")).json()
    assert (now["schema"], now["state"], now["ratio"], now["text"]) == (1, WORKING, 0.5, "")
    assert now["made"]
    assert f'data-made="{now["made"]}"' in (await shown.get("/trips/1")).text
    write_review(tmp_path, "1", made_trip(900, key="1"))
    assert (await shown.get("/api/trips/1/review/state")).json()["made"] != now["made"]
    assert (await shown.get("/api/trips/2/review/state")).json()["made"] == ""


@pytest.mark.anyio
async def test_the_json_is_the_review(shown: Pages, tmp_path: Path) -> None:
    """All of review.json, for programs."""
    answer = (await shown.get("/api/trips/1/review")).json()
    assert answer == json.loads((tmp_path / "reviews" / "trip-1" / "review.json").read_text())
    assert "isn't reviewed yet" in (await shown.get("/api/trips/2/review")).json()["error"]


# -- what isn't as it should be


@pytest.mark.anyio
async def test_a_pruned_log_is_one_plain_line(tmp_path: Path) -> None:
    """The ledger still has the duty; pictures have less."""
    data = made_trip(key="1")
    write_review(tmp_path, "1", data, replace(made_review(data), is_raw_whole=False))
    text = words((await Pages(tmp_path).get("/trips/1")).text)
    assert text.count("samples is gone or damaged: pictures show less than the tables.") == 1


@pytest.mark.anyio
async def test_a_damaged_review_is_one_plain_line(shown: Pages, tmp_path: Path) -> None:
    """Not as one that was never made; and its tag stands there, so that no script loads the page for it."""
    path = tmp_path / "reviews" / "trip-1" / "review.json"
    path.write_text(path.read_text()[:-40])
    html = (await shown.get("/trips/1")).text
    assert "What is kept of this trip's review is damaged; the button makes it anew." in words(html)
    assert "has not been reviewed yet" not in html
    assert "Review it now" in html
    made = (await shown.get("/api/trips/1/review/state")).json()["made"]
    assert f'data-made="{made}"' in html
    assert "has not been reviewed yet" in (await shown.get("/trips/2")).text


@pytest.mark.anyio
async def test_missing_pictures_are_one_plain_line(shown: Pages, tmp_path: Path) -> None:
    """The page stands; the script shows this line in their place."""
    (tmp_path / "reviews" / "trip-1" / "plots.json.gz").unlink()
    assert (await shown.get("/trips/1")).status_code == 200
    said = (await shown.get("/trips/1/plots.json")).json()["error"]
    assert said == "none are kept of trip '1'; the button on its page makes them"


@pytest.mark.anyio
async def test_the_basis_of_differences_is_said_once(tmp_path: Path) -> None:
    """All left and right are of one trip."""
    data = made_trip(key="1")
    review = made_review(data)
    clear = tuple(replace(one, is_clear=True) for one in review.differences * 3)
    write_review(tmp_path, "1", data, replace(review, differences=(*clear, replace(clear[0], basis="another trip"))))
    text = words((await Pages(tmp_path).get("/trips/1")).text)
    assert text.count("Compared on: same road, same trip") == text.count("Compared on: another trip") == 1
    assert text.count("more than its doubt: heat a metre") == 7


@pytest.mark.anyio
@pytest.mark.parametrize(("ratio", "is_said"), [(0.0049, False), (0.005, True)])
async def test_street_is_said_of_what_was_used_enough(tmp_path: Path, ratio: float, is_said: bool) -> None:
    """As on paper."""
    data = made_trip(key="1")
    review = made_review(data)
    rows = tuple(replace(one, used=(replace(one.used[0], ratio=ratio),)) for one in review.dampers)
    write_review(tmp_path, "1", data, replace(review, dampers=rows))
    assert ("660 km" in words((await Pages(tmp_path).get("/trips/1")).text)) == is_said


@pytest.mark.anyio
async def test_what_became_of_a_trip_stands_at_its_top(tmp_path: Path) -> None:
    """Split, or no drive at all: before any figure, in words."""
    view = fake_ledger()
    for number, changes in ((1, {"parts": ("1.1", "1.2")}), (2, {"not_driven": "dyno"})):
        detail = view.trip_details[number]
        view.trip_details[number] = replace(detail, trip=replace(detail.trip, **changes))
    pages = Pages(tmp_path, view)
    split, idle = [(await pages.get(f"/trips/{number}")).text for number in (1, 2)]
    assert "Trip 1 split Its parts: trip 1.1, trip 1.2 Started" in words(split)
    assert "Trip 2 Dry lake not driven Started" in words(idle)


@pytest.mark.anyio
@pytest.mark.parametrize(("count", "is_beside"), [(4, True), (5, False)])
async def test_many_dampers_have_the_whole_width(tmp_path: Path, count: int, is_beside: bool) -> None:
    """Beside the bars a table of more than four columns would hide some."""
    view = fake_ledger()
    detail = view.trip_details[1]
    view.trip_details[1] = replace(detail, dampers=(detail.dampers * 2)[:count])
    html = (await Pages(tmp_path, view).get("/trips/1")).text
    assert ('<div class="beside">' in html) == is_beside
    assert ('<div class="rv-below">' in html) != is_beside


# -- the script that draws


@pytest.mark.anyio
async def test_the_script_is_served_for_ever_and_small(shown: Pages) -> None:
    """From here alone; its address changes with its version, so a browser may keep it."""
    about = (await shown.get("/static-vendored/plots.json")).json()
    answer = await shown.get(about["script"], accept_encoding="gzip")
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
    assert int(answer.headers["content-length"]) < 1_600_000
    assert b"Licensed under the MIT license" in answer.content[:300]
    assert (await shown.get("/static-vendored/plots-0.js")).status_code == 404
    assert (await shown.get("/static-vendored/..%2fx")).status_code == 404
    # each of them stands in the script as a style sheet that a page of ours would refuse
    for name in about["style_ids"]:
        assert name.encode() in answer.content


@pytest.mark.anyio
async def test_ten_hours_are_less_than_three_megabytes(tmp_path: Path) -> None:
    """All that a phone loads for a long trip: page, styles, scripts, plots, and three half-hours looked at closely."""
    data = made_trip(36_000, key="1")
    write_review(tmp_path, "1", data)
    pages = Pages(tmp_path)
    static = Path(sys.modules["dutylog.web.app"].__file__ or "").parent / "static"
    total = len((await pages.get("/trips/1")).content) + sum(path.stat().st_size for path in static.iterdir())
    script = (await pages.get("/static-vendored/plots.json")).json()["script"]
    for path in (script, "/trips/1/plots.json", *(f"/trips/1/detail/{part}" for part in (3, 4, 5))):
        total += int((await pages.get(path, accept_encoding="gzip")).headers["content-length"])
    assert total < 3_000_000


def test_without_the_package_pictures_are_left_out(tmp_path: Path) -> None:
    """Tables and verdict need no script."""
    assert Vendored(tmp_path).script() is None


def test_the_pages_never_load_the_plot_package_nor_the_analysis() -> None:
    """They only hand out files: memory of the pages stays as it is."""
    code = (
        "import sys, dutylog.web.server, dutylog.web.vendored as v; assert v.Vendored().script();"
        "print([name for name in sys.modules if name.startswith(('plotly', 'dutylog.review'))])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
