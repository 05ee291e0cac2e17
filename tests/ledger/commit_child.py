"""Writes commits as fast as it can and says each one's sequence on standard output once it is durable."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from ledger.builders import POSITIONS, commit_at, fill, open_ledger


def main() -> None:
    with open_ledger(Path(sys.argv[1])) as ledger:
        ids = [unit.unit_id for unit in ledger.units()]
        if len(ids) < len(POSITIONS):
            ids = fill(ledger)
        sequence = ledger.cursor().hot_sequence
        while True:
            sequence += 1
            ledger.commit(commit_at(ids, sequence))
            os.write(1, b"%d\n" % sequence)


if __name__ == "__main__":
    main()
