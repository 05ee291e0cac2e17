"""`dutylog card`: what people type and read."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from bench.card_made import Yard
from dutylog.bench.canonical import encode_file
from dutylog.bench.keys import CARD_KEY_FILE
from dutylog.cli.main import main
from dutylog.ledger.ledger import LEDGER_NAME, Ledger

WORDS = r"[0-9a-f]{4} [0-9a-f]{4} [0-9a-f]{4} [0-9a-f]{4}"


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    """Give a vehicle whose tests tell of ever more cards."""
    return Yard(tmp_path_factory.mktemp("yard"))


def run(capsys: pytest.CaptureFixture[str], status: int, *words: object) -> tuple[str, str]:
    assert main(["card", *map(str, words)]) == status
    out, err = capsys.readouterr()
    return out, err


def entries_count(yard: Yard) -> int:
    with Ledger.open(yard.folder / LEDGER_NAME, read_only=True) as ledger:
        return ledger.entries(limit=1)[0].row


def test_a_card_is_issued_and_shown(yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From the damper to a text that people read without our data folder."""
    file = tmp_path / "a.card.json"
    out, err = run(capsys, 0, "export", "SN-1", "-o", file, "--by", "Ada", "--data", yard.folder)
    number = json.loads(file.read_bytes())["issued"]["sequence"]
    assert re.fullmatch(
        rf"card {number} of damper SN-1, issued by Ada\nkey  {WORDS}\nfile {re.escape(str(file))}, \d+ bytes\n", out
    )
    assert err == ""
    shown, _ = run(capsys, 0, "show", file)
    assert f"duty card {number} of damper SN-1, at front left of Truck (truck)" in shown
    assert re.search(rf"signed by key {WORDS}: it is as it was signed", shown)
    assert "NOT IN ORDER" not in shown
    for line in ("time in motion", "shaft seal and wiper", "services:", "gauge readings:", "mark on the shaft, nick"):
        assert line in shown
    assert "13.80 bar" in shown
    assert "200.2 psi" in run(capsys, 0, "show", file, "--units", "us")[0]
    assert "no place on earth" in shown


def test_nothing_is_written_over_and_nothing_told_for_it(
    yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong name is said before the ledger hears of a card."""
    before = entries_count(yard)
    there = tmp_path / "there.card.json"
    there.write_text("mine")
    for file, said in (
        (there, "is there already"),
        (tmp_path / "card.json", "is a file NAME.card.json"),
        (tmp_path / "no" / "x.card.json", "no such folder"),
    ):
        _, err = run(capsys, 2, "export", "SN-1", "-o", file, "--data", yard.folder)
        assert said in err
        assert err.count("\n") == 1
    assert there.read_text() == "mine"
    assert "give either -o FILE or --kept" in run(capsys, 2, "export", "SN-1", "--data", yard.folder)[1]
    assert entries_count(yard) == before


def test_a_card_can_be_kept_for_the_page_alone(yard: Yard, capsys: pytest.CaptureFixture[str]) -> None:
    """What the page's button runs; an argument that looks like an option is none."""
    out, _ = run(capsys, 0, "export", "--kept", "--by=--help", f"--data={yard.folder}", "--", "SN-2")
    assert out.startswith("card 1 of damper SN-2, issued by --help\n")
    assert (yard.folder / "cards").is_dir()


def test_a_card_that_was_changed_is_refused_when_shown(
    yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sign, and not a figure of it is shown."""
    card = yard.issue()
    card["totals"]["strokes_count"] += 1
    file = tmp_path / "changed.card.json"
    file.write_bytes(encode_file(card))
    out, err = run(capsys, 2, "show", file)
    assert out == ""
    assert "changed after it was signed" in err
    for name, content in (("a.txt", b"hello"), ("b.txt", b"\x00" * 100), ("c.txt", b"")):
        (tmp_path / name).write_bytes(content)
        assert run(capsys, 2, "show", tmp_path / name)[1].count("\n") == 1
    assert run(capsys, 2, "show", tmp_path)[1].count("\n") == 1
    assert run(capsys, 2, "show", tmp_path / "none")[1].count("\n") == 1


def test_the_code_of_the_newest_card_is_drawn(yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only of a card that is kept, never over another file."""
    card, file = yard.issue(), tmp_path / "code.svg"
    out, _ = run(capsys, 0, "qr", "SN-1", "-o", file, "--data", yard.folder)
    assert out.startswith(f"{file}: QR code of card {card['issued']['sequence']} of damper SN-1")
    assert file.read_bytes().startswith(b"<svg ")
    assert "is there already" in run(capsys, 2, "qr", "SN-1", "-o", file, "--data", yard.folder)[1]
    assert "NAME.svg" in run(capsys, 2, "qr", "SN-1", "-o", tmp_path / "code.png", "--data", yard.folder)[1]
    missing = run(capsys, 2, "qr", "SN-3", "-o", tmp_path / "c.svg", "--data", yard.folder)[1]
    assert "no card kept here; issue one: dutylog card export SN-3" in missing


def test_the_key_is_shown_by_its_words_and_goes_round(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Never the key itself."""
    yard, safe = Yard(tmp_path / "yard"), tmp_path / "safe.pem"
    out, _ = run(capsys, 0, "key", "--data", yard.folder)
    assert re.search(rf"^key           ({WORDS})$", out, re.MULTILINE)
    assert "none was signed yet" in out
    card = yard.issue()
    words = " ".join(re.findall("....", card["signature"]["key_id"]))
    out, _ = run(capsys, 0, "key", "--data", yard.folder)
    assert f"key           {words}\n" in out
    assert "the newest was signed with it" in out
    assert words in run(capsys, 0, "key", "--backup", safe, "--data", yard.folder)[0]
    renewed, _ = run(capsys, 0, "key", "--new", "--data", yard.folder)
    assert f"so far signed with {words}: benches will ask" in renewed
    assert "is kept as" in renewed
    restored, _ = run(capsys, 0, "key", "--restore", safe, "--data", yard.folder)
    assert f"key           {words}\n" in restored
    texts = out + renewed + restored
    assert "BEGIN" not in texts
    assert (yard.folder / CARD_KEY_FILE).read_text().splitlines()[2] not in texts
    assert "one of" in run(capsys, 2, "key", "--new", "--backup", tmp_path / "x", "--data", yard.folder)[1]
    assert "no such folder" in run(capsys, 2, "key", "--data", tmp_path / "none")[1]


def test_what_has_no_ledger_or_damper_is_one_line(
    yard: Yard, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty folder, another damper."""
    file = tmp_path / "x.card.json"
    for words in (("SN-1", "--data", tmp_path), ("SN-77", "--data", yard.folder)):
        _, err = run(capsys, 2, "export", *words, "-o", file, "--by", "Ada")
        assert err.count("\n") == 1
        assert "Traceback" not in err
    assert not file.exists()
    assert list(tmp_path.iterdir()) == []
