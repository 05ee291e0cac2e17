"""The store's tables brought to this version's state, by numbered steps (Alembic); a newer state is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from alembic.operations import Operations
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, inspect, text

from dutylog.bench.store.errors import StoreError

STEPS = Path(__file__).parent / "migrations"
_LOCK = 0x6475_7479
"""PostgreSQL's advisory lock while tables are made: two benches may start at once. A number of ours."""


def bring_to_date(connection: Connection, place: str) -> None:
    """Make or change the tables, within the transaction that is under way.

    Raises:
        StoreError: tables of another program, or of a newer dutylog; nothing is touched.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": _LOCK})
    script = ScriptDirectory(str(STEPS))
    context = MigrationContext.configure(connection, opts={"fn": _upgrade(script)})
    stands = check_version(connection, place, script, context)
    if stands != script.get_current_head():
        with Operations.context(context):
            context.run_migrations()


def check_version(
    connection: Connection, place: str, script: ScriptDirectory | None = None, context: MigrationContext | None = None
) -> str | None:
    """Return the step the tables stand at, None where there are none yet; StoreError where they aren't ours."""
    script = script or ScriptDirectory(str(STEPS))
    context = context or MigrationContext.configure(connection)
    stands = context.get_current_revision()
    if stands is None:
        others = [name for name in inspect(connection).get_table_names() if name != "alembic_version"]
        if others:
            raise StoreError(f"store {place} holds tables of another program ({others[0]}); name an empty database")
        return None
    try:
        script.get_revision(stands)
    except CommandError as err:
        raise StoreError(f"store {place} was made by a newer dutylog (step {stands}); update this one") from err
    return stands


def _upgrade(script: ScriptDirectory) -> Any:
    def steps(stands: Any, _context: MigrationContext) -> Any:
        return script._upgrade_revs("head", stands)

    return steps
