"""The QR code: what is drawn is the code of the library, and its text holds the card's figures, signed."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
import segno

from bench.card_made import Yard
from dutylog.bench.canonical import CARD, SUMMARY, digest_of, encode, is_signed_by
from dutylog.bench.kept_card import kept_summary_path
from dutylog.bench.qr import MOST_SIGNS, QUIET, draw_path, make_svg
from dutylog.bench.summary_make import summary_of
from dutylog.bench.summary_read import START, read_summary
from dutylog.errors import InputError

RUN = re.compile(r"M(\d+) (\d+)h(\d+)v1h-(\d+)z")
LONGEST = "L" * 64


def modules_of(path: str, size: int) -> list[list[int]]:
    """Return which modules a path fills; every stroke of it must be understood."""
    assert RUN.sub("", path) == ""
    rows = [[0] * size for _ in range(size)]
    for x, y, length, back in (map(int, run) for run in RUN.findall(path)):
        assert length == back
        for at in range(x, x + length):
            assert rows[y][at] == 0, "drawn twice"
            rows[y][at] = 1
    return rows


@pytest.mark.parametrize("text", ["DC1:x", "DC1:" + "aZ09-_" * 80, "é" * 40])
def test_the_drawing_is_the_code_with_its_quiet_zone(text: str) -> None:
    """Module by module that of the library, four empty ones around."""
    drawing = draw_path(text)
    rows = modules_of(drawing.path, drawing.size)
    inner = [row[QUIET:-QUIET] for row in rows[QUIET:-QUIET]]
    code = segno.make(text, error="m", micro=False, boost_error=False)
    assert inner == [[int(one) for one in row] for row in code.matrix]
    edges = [*rows[:QUIET], *rows[-QUIET:], *(row[:QUIET] + row[-QUIET:] for row in rows)]
    assert not any(map(any, edges))


def test_the_file_is_whole_and_escaped() -> None:
    """A serial may hold whatever is stamped on a damper."""
    title = "card of </title><script>alert(1)</script>&\"'"
    svg = make_svg("DC1:x", title)
    root = ElementTree.fromstring(svg)  # noqa: S314 - our own drawing
    assert [one.tag.rpartition("}")[2] for one in root] == ["title", "path", "path"]
    assert root[0].text == title
    assert root.get("width", "").endswith("mm")


@pytest.mark.parametrize("text", ["", "x" * (MOST_SIGNS + 1)])
def test_a_text_that_does_not_fit_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="1 to 2000 fit"):
        draw_path(text)


def parts_of(text: str) -> tuple[bytes, bytes]:
    """Return content and signature of a code's text."""
    content, value = text.removeprefix(START).split(".")
    both = (base64.urlsafe_b64decode(one + "=" * (-len(one) % 4)) for one in (content, value))
    return next(both), next(both)


def test_the_text_says_what_the_card_says_and_is_signed_by_its_key(tmp_path: Path) -> None:
    """Letters as in the contract; canonical bytes; a signature that fits no card, only a summary."""
    yard = Yard(tmp_path)
    card = yard.issue("SN-1")
    text = kept_summary_path(tmp_path, card["damper"]["unit_id"]).read_text(encoding="ascii")
    content, value = parts_of(text)
    said = json.loads(content)
    assert content == encode(said)
    public_key = bytes.fromhex(card["signature"]["public_key"])
    assert is_signed_by(public_key, value, SUMMARY.prefix + content)
    assert not is_signed_by(public_key, value, CARD.prefix + content)
    totals = card["totals"]
    read = read_summary(text, {card["signature"]["key_id"]: card["signature"]["public_key"]})
    assert read.key_id == card["signature"]["key_id"]
    assert read.fields == said == summary_of(card)
    assert (said["s"], said["u"], said["v"], said["n"]) == ("SN-1", card["damper"]["unit_id"], "truck", 1)
    assert said["l"] == card["vehicle"]["ledger_id"][:16]
    assert said["h"] == digest_of(CARD, card)[:16]
    assert said["d"] == card["issued"]["utc"][:10]
    assert said["e"] == pytest.approx((totals["energy_compression_uj"] + totals["energy_rebound_uj"]) / 1e12, abs=0.05)
    assert said["t"] == pytest.approx(totals["shaft_travel_um"] / 1e9, abs=0.05)
    assert said["r"] == pytest.approx(totals["moving_us"] / 3.6e9, abs=0.05)
    assert (said["b"], said["c"]) == (totals["bottom_outs_count"], 100)
    used = {one["part"]: one["used_ratio"] for one in card["parts"]}
    assert {part for part, _ in said["p"]} == set(used) - {"charge"}
    assert all(percent == pytest.approx(100 * used[part], abs=0.5) for part, percent in said["p"])


def test_coverage_is_cut_and_never_rounded_up(tmp_path: Path) -> None:
    """99.9 % must not read as all; nothing moved reads as unknown."""
    card = Yard(tmp_path).issue("SN-1")
    assert summary_of(card | {"coverage": {"ratio": 0.9999}})["c"] == 99
    assert summary_of(card | {"coverage": {"ratio": None}})["c"] is None


def test_the_longest_names_fit_a_code(tmp_path: Path) -> None:
    """64 signs of serial and a vehicle's longest id: still well within what a code holds."""
    card = Yard(tmp_path).issue("SN-1")
    long = card | {
        "damper": card["damper"] | {"serial": "ü" * 64},
        "vehicle": card["vehicle"] | {"vehicle_id": "v" * 40},
    }
    text = START + base64.urlsafe_b64encode(encode(summary_of(long))).decode() + "." + "x" * 86
    assert len(text) < 800
    assert draw_path(text).size <= 113 + 2 * QUIET
