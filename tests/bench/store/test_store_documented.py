"""shared/BENCH_STORE.md says what an entry of each kind holds, which tables there are, and what is hashed."""

from __future__ import annotations

from pathlib import Path

from bench.store.test_store_append import EXAMPLE, EXAMPLE_BYTES
from dutylog.bench.entry_kinds import KINDS
from dutylog.bench.store.chain import compute_hash
from dutylog.bench.store.tables import METADATA

PAGE = Path(__file__).parents[3] / "shared" / "BENCH_STORE.md"


def page() -> str:
    return PAGE.read_text(encoding="utf-8")


def test_every_kind_stands_there_with_all_its_fields():
    """Other people's programs read backups by this table."""
    rows = [line.strip("| ").split(" | ") for line in page().splitlines() if line.startswith("| `")]
    told = {row[0]: (row[1], row[3]) for row in rows if len(row) == 5}
    expected = {
        f"`{name}`": (
            kind.of or "-",
            ", ".join(f"`{key}` {field.type}{'' if field.is_needed else '?'}" for key, field in kind.fields.items()),
        )
        for name, kind in KINDS.items()
    }
    assert told == expected


def test_the_example_and_all_tables_stand_there():
    """Whoever checks a chain without our software starts from the example."""
    text = page()
    assert compute_hash(EXAMPLE).hex() in text
    for line in EXAMPLE_BYTES.decode().splitlines():
        assert line in text
    assert [name for name in METADATA.tables if f"`{name}`" not in text] == []
