"""`dutylog card export` killed at any moment: ledger, key and kept card are whole, and the next card counts on."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bench.card_made import Yard, open_card
from dutylog.bench.card_read import read_card
from dutylog.bench.card_verify import Seen, verify
from dutylog.bench.kept_card import read_kept
from dutylog.bench.keys import CARD_KEY_FILE, read_key
from dutylog.ledger.ledger import LEDGER_NAME, Ledger

COMMAND = (sys.executable, "-m", "dutylog.cli.main", "card", "export", "SN-1", "--by", "Ada")
SEED = 20261130


@pytest.mark.slow
def test_a_kill_at_any_moment_leaves_everything_whole(tmp_path: Path) -> None:
    """Forty kills spread over the time a whole run takes."""
    yard, chance = Yard(tmp_path / "yard"), random.Random(SEED)
    command = [*COMMAND, "--data", str(yard.folder)]
    begun_s = time.monotonic()
    subprocess.run([*command, "-o", str(tmp_path / "first.card.json")], check=True, stdout=subprocess.DEVNULL)
    whole_s = time.monotonic() - begun_s
    key = read_key(yard.folder / CARD_KEY_FILE)
    assert key is not None
    ended = 0
    for number in range(40):
        out = tmp_path / f"{number}.card.json"
        process = subprocess.Popen([*command, "-o", str(out)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        time.sleep(chance.uniform(0.0, 1.1 * whole_s))
        process.kill()
        _, said = process.communicate()
        assert b"Traceback" not in said
        if out.exists():
            ended += 1
            assert verify(read_card(out.read_bytes()), Seen()).is_accepted
        kept = read_key(yard.folder / CARD_KEY_FILE)
        assert kept is not None
        assert kept.key_id == key.key_id
        with Ledger.open(yard.folder / LEDGER_NAME, read_only=True) as ledger:
            assert ledger.verify_chain() is None
            unit_id = ledger.find_unit("SN-1").unit_id
            count = len(ledger.entries_of("card_issued"))
        found = read_kept(yard.folder, unit_id)
        assert found is None or found.number <= count
    card = yard.issue()
    assert card["issued"]["sequence"] == count + 1
    assert verify(open_card(card), Seen()).is_accepted
    assert 0 < ended < 40, "kills all fell before the end, or all behind it"
