"""Cards as they are issued: their body is the ledger's own, their entry stands before them, and nothing is half."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from dutylog.bench import card_make
from dutylog.bench.canonical import CARD, check_signature, digest_of_body, encode_file
from dutylog.bench.card_body import body_of
from dutylog.bench.card_make import issue_card
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.kept_card import file_name_of, keep_card, kept_card_path, kept_summary_path, read_kept
from dutylog.cli.main import dutylog
from dutylog.domain.vehicle import ForceAt, ForceCurve, Setting
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.output import TripDamper, TripRow
from dutylog.errors import ConfigError, InputError, LedgerError
from dutylog.ledger.card_entries import CARD_ISSUED, head_row, last_issued
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Commit, Stamp
from ledger.builders import POSITIONS
from life.lived import START, TODAY, Lived, noon_ns

GAS = {
    "gauge_pa": 1_400_000.0, "what": "check", "body_c": 21.0, "oil_c": None, "air_c": 20.5, "travel_mm": 0.0,
    "altitude_m": 250.0, "hose_ml": None, "on": "2026-10-01", "note": "morning",
}  # fmt: skip
USE = {
    "distance_m": 4.8e7, "mix": "mixed", "kind": "before_install", "from_day": "2022-04-01", "to_day": "2025-12-31",
    "factor": 2.0, "note": None,
}  # fmt: skip
MARK = {"mark": "nick", "distance_mm": 60.0, "size_mm": 1.5, "is_sharp": True, "on": None, "note": None}


FIELDS = {
    "alerts", "coverage", "damper", "engine", "evidence", "gas", "heat", "installs", "issued", "kind", "marks", "parts",
    "profile", "revision", "schema", "services", "settings", "signature", "stated_use", "totals", "trips", "vehicle",
}  # fmt: skip


def stamp() -> Stamp:
    """Return noon of the day that ledgers here live on."""
    return Stamp(noon_ns(TODAY), True, 9, "boot-a")


def ride(lived: Lived, day: date, minutes: int, meters: float, gained: Totals) -> None:
    """Drive and have a trip of it with the same share on each damper."""
    lived.drive(day, minutes)
    shares = tuple(TripDamper(unit, place, gained.copy()) for unit, place in zip(lived.ids, POSITIONS, strict=True))
    row = TripRow(lived.epochs, 0, 0, 60_000_000_000 * minutes, False, minutes * 60_000_000, meters, shares)
    lived.sequence += 1
    lived.ledger.commit(Commit(sequence=lived.sequence, engine="test", hot={}, trips=(row,)))


@pytest.fixture
def folder(driven: Path, tmp_path: Path) -> Path:
    """Give a data folder of one's own."""
    shutil.copy(driven / LEDGER_NAME, tmp_path / LEDGER_NAME)
    return tmp_path


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the data folder of a vehicle that was driven, serviced and told of; copied, never written to."""
    made = tmp_path_factory.mktemp("driven")
    lived = Lived(made)
    share = Totals(
        energy_compression_uj=4_000_000, energy_rebound_uj=6_000_000, bottom_outs_count=3, peak_body_mc=91_250
    )
    for number in range(6):
        ride(lived, START + timedelta(days=9 * number), 20, 18_000.0 + number, share)
    lived.tell("service", unit="SN-1", on="2026-03-01", note="by the book", replaced=["oil"], found={"oil": "worn"})
    lived.tell("service", unit="SN-2", on=None, note=None, replaced=["oil"], found={})
    wrong = lived.tell("service", unit="SN-1", on=None, note=None, replaced=["joints"], found={})
    lived.tell("withdraw", entry=wrong["entry"], why="wrong damper")
    lived.tell("gas_reading", unit="SN-1", **GAS)
    lived.tell("stated_use", unit="SN-1", **USE)
    lived.tell("shaft_mark", unit="SN-1", **MARK)
    lived.tell("dirt", trip=2, what="mud", washed=False, note=None)
    lived.tell_plain("rename_trip", trip=3, name="Secret valley 47.1234 N 8.5678 E")
    lived.tell("load_note", trip="3", text="Secret valley again")
    setting = Setting(date(2026, 2, 1), "desert", 8, None)
    lived.ledger.append_entry("setting", lived.ids[0], {"position": "front_left", **setting.to_dict()}, 1)
    lived.close()
    return made


def issue(folder: Path, unit: str = "SN-1", by: str = "Ada") -> dict[str, Any]:
    return issue_card(folder, unit, by, stamp=stamp)


def reading(folder: Path) -> Ledger:
    return Ledger.open(folder / LEDGER_NAME, read_only=True, stamp=stamp)


def test_the_body_is_what_the_ledger_and_life_show_say(folder: Path) -> None:
    """Two ways to the same figures: the card and the commands people know."""
    card = issue(folder)
    with reading(folder) as ledger:
        unit = ledger.find_unit("SN-1")
        totals, first = ledger.totals(unit.unit_id), ledger.entries(limit=1000)[-1]
    assert card["totals"] == dict(zip(TOTALS_COLUMNS, totals.as_row(), strict=True))
    assert card["vehicle"] == {"ledger_id": first.hash.hex(), "vehicle_id": "truck", "name": "Truck"}
    assert (card["damper"]["serial"], card["damper"]["tag"], card["damper"]["position"]) == ("SN-1", None, "front_left")
    shown = CliRunner().invoke(dutylog, ["life", "show", "SN-1", "--data", str(folder), "--format", "json"])
    life = json.loads(shown.stdout)["dampers"][0]
    # The command dates itself by this machine's clock, which forecasts depend on; all that was counted is the same.
    counted = (
        "part", "name", "since", "since_entry", "used_share", "used_sd", "measured_share", "stated_share", "doses",
        "budget", "used_ratio", "miles", "street_miles", "calendar_day",
    )  # fmt: skip
    assert [{name: one[name] for name in counted} for one in card["parts"]] == [
        {name: one[name] for name in counted} for one in life["parts"]
    ]
    assert [set(one) for one in card["parts"]] == [set(one) for one in life["parts"]]
    assert card["marks"] == life["marks"]
    assert (card["heat"]["hot_seal_s"], card["heat"]["hot_oil_s"]) == (life["hot_seal_s"], life["hot_oil_s"])
    assert card["coverage"] == {"moving_s": 7200.0, "moving_measured_s": 7200.0, "ratio": 1.0}


def test_what_people_told_is_there_but_not_what_they_took_back(folder: Path) -> None:
    """Services, gauge, distances, adjusters: of this damper, as told."""
    card = issue(folder)
    assert [(one["day"], one["replaced"], one["found"], one["note"]) for one in card["services"]] == [
        ("2026-03-01", ["oil"], {"oil": "worn"}, "by the book")
    ]
    (gas,) = card["gas"]
    assert gas == {
        "day": "2026-10-01", "what": "check", "gauge_pa": 1_400_000.0, "body_c": 21.0, "oil_c": None, "air_c": 20.5,
        "travel_mm": 0.0, "altitude_m": 250.0, "by": "Ada",
    }  # fmt: skip
    (use,) = card["stated_use"]
    assert (use["distance_m"], use["mix"], use["from_day"], use["to_day"]) == (
        4.8e7,
        "mixed",
        "2022-04-01",
        "2025-12-31",
    )
    assert card["settings"] == [
        {
            "position": "front_left", "from_day": "2026-02-01", "name": "desert", "compression_clicks": 8,
            "rebound_clicks": None,
        }
    ]  # fmt: skip
    assert [(one["position"], one["to_day"]) for one in card["installs"]] == [("front_left", None)]


def test_trips_are_the_newest_first_with_what_was_said_of_their_dirt(folder: Path) -> None:
    """Figures of the damper's own share; top-outs are unknown, never zero."""
    card = issue(folder)
    assert [one["distance_m"] for one in card["trips"]] == [18_005.0, 18_004.0, 18_003.0, 18_002.0, 18_001.0, 18_000.0]
    assert [(one["dirt"], one["washed"]) for one in card["trips"][-3:]] == [(None, None), ("mud", False), (None, None)]
    assert card["trips"][0] == {
        "day": "2026-02-19", "distance_m": 18_005.0, "moving_s": 1200.0, "energy_j": 10.0, "bottom_outs_count": 3,
        "top_outs_count": None, "peak_body_c": 91.25, "dirt": None, "washed": None,
    }  # fmt: skip


def test_trips_that_were_not_driven_or_made_one_count_as_the_ledger_has_them(folder: Path) -> None:
    """A trip on a trailer is no trip; two that were made one are one; totals fall with another revision."""
    before = issue(folder)
    tell(folder, "trip_not_driven", trip="6", why="transport", by="Ada", note=None)
    tell(folder, "trip_merge", trips=["1", "2"], by="Ada")
    card = issue(folder)
    assert [one["distance_m"] for one in card["trips"]] == [18_004.0, 18_003.0, 18_002.0, 36_001.0]
    assert card["trips"][-1]["energy_j"] == 20.0
    assert card["trips"][-1]["dirt"] == "mud"
    assert card["revision"] == before["revision"] + 1
    assert card["totals"]["energy_compression_uj"] == before["totals"]["energy_compression_uj"] - 4_000_000
    assert verify(read_card(encode_file(card)), Seen()).is_accepted


def tell(folder: Path, command: str, **fields: Any) -> None:
    run_command(folder, {"command": command, **fields})


def test_the_histogram_holds_every_minute_with_a_temperature(folder: Path) -> None:
    """Two hours at 75 degC."""
    assert issue(folder)["heat"]["body_histogram"] == [[70, 80, 7200.0]]


def test_there_is_no_place_on_earth_and_no_name_of_a_trip(folder: Path) -> None:
    """What the vehicle keeps of where it was stays there."""
    text = encode_file(issue(folder)).decode()
    assert "Secret" not in text
    assert re.findall(r'"(?:lat|lon|latitude|longitude|track|gps|place)\w*":|47\.1234', text) == []
    assert set(json.loads(text)) == FIELDS


def test_a_card_is_signed_and_its_evidence_ends_with_its_own_entry(folder: Path) -> None:
    """What the reader of cards checks, from the maker's side."""
    card = issue(folder)
    assert check_signature(CARD, card) == card["signature"]["key_id"]
    with reading(folder) as ledger:
        entries = list(reversed(ledger.entries(limit=1000)))
    evidence = card["evidence"]
    assert evidence["chain"] == [entry.hash.hex() for entry in entries]
    assert evidence["head_row"] == len(entries)
    mine = [e.row for e in entries if e.unit_id == card["damper"]["unit_id"] or e.kind == "card_key"]
    assert [one["row"] for one in evidence["entries"]] == mine
    last = evidence["entries"][-1]
    told = json.loads(last["data"])
    assert (last["kind"], last["row"]) == (CARD_ISSUED, evidence["head_row"])
    assert told["body_digest"] == digest_of_body(card)
    assert (told["totals"], told["revision"], told["by"]) == (card["totals"], card["revision"], "Ada")
    assert all(isinstance(one[name], str) for one in evidence["entries"] for name in ("utc_ns", "mono_ns", "data"))
    assert verify(read_card(encode_file(card)), Seen()).is_accepted


def test_cards_count_on_and_the_newest_is_kept(folder: Path) -> None:
    """Two in a row, and one of another damper between; the second tells of the first."""
    first, other, second = issue(folder), issue(folder, "SN-2", "Bo"), issue(folder)
    assert [one["issued"]["sequence"] for one in (first, other, second)] == [1, 1, 2]
    assert second["evidence"]["chain"][: len(first["evidence"]["chain"])] == first["evidence"]["chain"]
    issued = [one for one in second["evidence"]["entries"] if one["kind"] == CARD_ISSUED]
    assert [json.loads(one["data"])["sequence"] for one in issued] == [1, 2]
    unit_id = first["damper"]["unit_id"]
    kept = read_kept(folder, unit_id)
    assert kept is not None
    assert (kept.number, kept.data, kept.by) == (2, encode_file(second), "Ada")
    assert kept_card_path(folder, unit_id).stat().st_mode & 0o777 == 0o600
    assert kept_card_path(folder, unit_id).parent.stat().st_mode & 0o777 == 0o700
    assert file_name_of(second) == "SN-1-card-2.card.json"


def test_a_ledger_put_back_gives_a_number_away_twice(folder: Path, tmp_path: Path) -> None:
    """The vehicle can't know; who saw the first card 2 sees that the second is another."""
    issue(folder)
    copy = tmp_path / "old"
    copy.mkdir()
    shutil.copy(folder / LEDGER_NAME, copy / LEDGER_NAME)
    before = issue(folder)
    issue(folder)
    shutil.copy(copy / LEDGER_NAME, folder / LEDGER_NAME)
    tell(folder, "service", unit="SN-1", on=None, note=None, replaced=["hose"], found={}, by="Ada")
    after = issue(folder)
    assert before["issued"]["sequence"] == after["issued"]["sequence"] == 2
    known = Seen(
        ledger=tuple(before["evidence"]["chain"]),
        keys={before["signature"]["key_id"]: before["signature"]["public_key"]},
        sequence=2,
        digest=read_card(encode_file(before)).digest,
        revision=before["revision"],
        totals=before["totals"],
    )
    assert not verify(read_card(encode_file(after)), known).is_accepted
    kept = read_kept(folder, after["damper"]["unit_id"])
    assert kept is not None
    assert kept.data == encode_file(after)


def test_what_is_told_meanwhile_is_on_the_card(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody tells of a service just as the card is made: it is made again."""
    made = []

    def body_then_told(ledger: Ledger, unit: Any, by: str) -> Any:
        found = body_of(ledger, unit, by)
        made.append(found)
        if len(made) == 1:
            with Ledger.open(folder / LEDGER_NAME, stamp=stamp) as writing:
                run = {"unit": "SN-1", "on": None, "note": None, "replaced": ["hose"], "found": {}, "by": "Bo"}
                assert card_make_reply(writing, run)["ok"]
        return found

    monkeypatch.setattr(card_make, "body_of", body_then_told)
    card = issue(folder)
    assert len(made) == 2
    assert [one["by"] for one in card["services"]] == ["Ada", "Bo"]
    assert verify(read_card(encode_file(card)), Seen()).is_accepted


def card_make_reply(ledger: Ledger, fields: dict[str, Any]) -> dict[str, Any]:
    from dutylog.ledger.command import apply_command

    return apply_command(ledger, {"schema": 1, "command": "service", **fields}).reply


def test_a_ledger_that_never_rests_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No endless loop: five tries, then one line; nothing was written by us."""
    tries = []

    def always_late(ledger: Ledger, unit: Any, by: str) -> Any:
        found = body_of(ledger, unit, by)
        tries.append(found)
        with Ledger.open(folder / LEDGER_NAME, stamp=stamp) as writing:
            writing.append_entry("test_mark", None, {"n": len(tries)})
        return found

    monkeypatch.setattr(card_make, "body_of", always_late)
    with pytest.raises(LedgerError, match="make it again"):
        issue(folder)
    assert len(tries) == card_make.MOST_TRIES
    with reading(folder) as ledger:
        assert ledger.entries_of(CARD_ISSUED) == []


def test_a_kill_behind_the_entry_costs_a_number_only(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry is there, the file isn't; the next card counts on and holds in itself."""

    def cut(*_arguments: Any) -> None:
        raise KeyboardInterrupt

    first = issue(folder)
    with monkeypatch.context() as patched:
        patched.setattr(card_make, "keep_card", cut)
        with pytest.raises(KeyboardInterrupt):
            issue(folder)
    card = issue(folder)
    assert card["issued"]["sequence"] == 3
    assert verify(read_card(encode_file(card)), Seen()).is_accepted
    assert kept_summary_path(folder, first["damper"]["unit_id"]).exists()


def test_a_kill_between_card_and_code_shows_neither(folder: Path) -> None:
    """A code of another card beside a card would be a lie."""
    card = issue(folder)
    unit_id = card["damper"]["unit_id"]
    old = kept_summary_path(folder, unit_id).read_bytes()
    issue(folder)
    kept_summary_path(folder, unit_id).write_bytes(old)
    assert read_kept(folder, unit_id) is None
    assert read_kept(folder, "nobody") is None


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b'{"issued": 3}', b"\xff"])
def test_a_kept_card_that_is_damaged_is_one_line(folder: Path, data: bytes) -> None:
    """A torn file on the card of the logger."""
    unit_id = issue(folder)["damper"]["unit_id"]
    kept_card_path(folder, unit_id).write_bytes(data)
    with pytest.raises(ConfigError, match="issue another one") as caught:
        read_kept(folder, unit_id)
    assert "\n" not in str(caught.value)


def test_a_damper_without_serial_and_on_the_shelf_has_a_card(folder: Path) -> None:
    """Our own tag stands in; nothing was ever counted."""
    tell(folder, "add", serial=None, profile="desert", note=None)
    card = issue(folder, "D5")
    assert (card["damper"]["serial"], card["damper"]["tag"], card["damper"]["position"]) == (None, "D5", None)
    assert card["coverage"]["ratio"] is None
    assert (card["trips"], card["heat"]["peak_body_c"]) == ([], None)
    assert verify(read_card(encode_file(card)), Seen()).is_accepted


def test_what_can_not_be_issued_is_one_line_and_told_to_nobody(folder: Path) -> None:
    """No such damper, a name that isn't one, a profile the vehicle lacks."""
    with reading(folder) as ledger:
        before = head_row(ledger)
    for unit, by in (("SN-9", "Ada"), ("SN-1", "x" * 65), ("SN-1", "A\nB"), ("SN-1", "")):
        with pytest.raises((LedgerError, InputError)) as caught:
            issue(folder, unit, by)
        assert "\n" not in str(caught.value)
    with reading(folder) as ledger:
        assert head_row(ledger) == before


def test_a_clock_that_was_never_set_is_said_on_the_card(folder: Path) -> None:
    """A board without a battery: days are unknown, nothing is refused."""
    unset = lambda: Stamp(86_400_000_000_000, False, 9, "boot-a")  # noqa: E731
    card = issue_card(folder, "SN-1", "Ada", stamp=unset)
    assert (card["issued"]["utc"], card["issued"]["utc_trusted"]) == ("1970-01-02T00:00:00Z", False)
    assert check_signature(CARD, card)


def test_a_history_too_long_for_a_file_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Benches take 4 MB; nothing is cut silently."""
    from dataclasses import replace

    monkeypatch.setattr(card_make, "CARD", replace(CARD, limit_bytes=9000))
    with pytest.raises(InputError, match="benches take 9000"):
        issue(folder)
    with reading(folder) as ledger:
        unit_id = ledger.find_unit("SN-1").unit_id
        assert last_issued(ledger, unit_id) is not None
    assert read_kept(folder, unit_id) is None


def test_of_two_made_at_once_the_later_is_kept(folder: Path) -> None:
    """Whoever is slower with writing must not put the older card in the place of the newer."""
    first, second = issue(folder), issue(folder)
    unit_id = first["damper"]["unit_id"]
    kept = kept_summary_path(folder, unit_id).read_text(encoding="ascii")
    keep_card(folder, first, encode_file(first), "unused")
    assert kept_card_path(folder, unit_id).read_bytes() == encode_file(second)
    assert kept_summary_path(folder, unit_id).read_text(encoding="ascii") == kept


def test_a_curve_as_long_as_a_vehicle_file_may_have_is_read(folder: Path) -> None:
    """Measured at a bench in fine steps; a card that no bench reads must not be handed out."""
    with Ledger.open(folder / LEDGER_NAME, stamp=stamp) as ledger:
        vehicle = ledger.vehicle()
        assert vehicle is not None
        speeds = tuple(round(-2.0 + 0.002 * step, 3) for step in range(2000))
        curve = ForceAt(0.0, ForceCurve(speeds, tuple(4000.0 * speed for speed in speeds)))
        ledger.put_vehicle(replace(vehicle, profiles=tuple(replace(one, force=(curve,)) for one in vehicle.profiles)))
    card = issue(folder)
    assert len(card["profile"]["force"][0]["speeds_mps"]) == 2000
    assert verify(read_card(encode_file(card)), Seen()).is_accepted


@pytest.mark.parametrize(
    ("name", "value"), [("by", "x" * 65), ("engine", "\u202e"), ("services", None), ("number", 10**6), ("row", 60_000)]
)
def test_what_no_bench_would_read_is_refused_before_the_ledger_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch, name: str, value: Any
) -> None:
    """One line; no number is lost and nothing is kept."""

    def odd(ledger: Ledger, unit: Any, by: str) -> Any:
        body = body_of(ledger, unit, by)
        if name == "by":
            body.content["issued"]["by"] = value
        elif name in ("number", "row"):
            return replace(body, **{"head_row" if name == "row" else name: value})
        else:
            body.content[name] = value
        return body

    with reading(folder) as ledger:
        before, unit = head_row(ledger), ledger.find_unit("SN-1")
    monkeypatch.setattr(card_make, "body_of", odd)
    with pytest.raises(InputError, match=r"card .* of damper SN-1") as caught:
        issue(folder)
    assert str(caught.value).isprintable()
    with reading(folder) as ledger:
        assert head_row(ledger) == before
    assert read_kept(folder, unit.unit_id) is None


def test_a_card_whose_evidence_does_not_hold_is_not_handed_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A damaged ledger: nobody should drive to a bench to hear of it."""
    real = card_make._evidence

    def cut(ledger: Ledger, unit_id: str, row: int) -> dict[str, Any]:
        found = real(ledger, unit_id, row)
        return found | {"entries": [one for one in found["entries"] if one["kind"] != "service"]}

    monkeypatch.setattr(card_make, "_evidence", cut)
    with pytest.raises(LedgerError, match=r"no bench would take it .* Check the ledger") as caught:
        issue(folder)
    assert str(caught.value).isprintable()
    with reading(folder) as ledger:
        assert read_kept(folder, ledger.find_unit("SN-1").unit_id) is None
