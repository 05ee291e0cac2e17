from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dutylog.ledger.ledger import Ledger
from ledger.builders import fill, open_ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path) as opened:
        yield opened


@pytest.fixture
def unit_ids(ledger: Ledger) -> list[str]:
    return fill(ledger)
