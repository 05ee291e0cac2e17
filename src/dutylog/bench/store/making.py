"""Tables made of the chain, made in memory first and then put into the database at once.

Written one by one over a network they would take a round trip a statement: minutes become an hour.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, create_engine, delete, insert, select
from sqlalchemy.pool import StaticPool

from dutylog.bench.store.check import stream
from dutylog.bench.store.tables import MADE, METADATA, PHOTO

AT_ONCE = 500
"""Rows a statement puts in (judgement)."""


@contextmanager
def in_memory(target: Connection) -> Iterator[Connection]:
    """Give a connection to empty tables in memory, which know of the photos that `target` has."""
    engine = create_engine("sqlite://", poolclass=StaticPool)
    try:
        with engine.connect() as memory, memory.begin():
            METADATA.create_all(memory, [*MADE, PHOTO])
            for sha256, media_type in stream(target, select(PHOTO.c.sha256, PHOTO.c.media_type), AT_ONCE):
                memory.execute(insert(PHOTO), {"sha256": sha256, "media_type": media_type, "body": b""})
            yield memory
    finally:
        engine.dispose()


def put_made(memory: Connection, target: Connection) -> None:
    """Replace all that is made of the chain by what was made in memory."""
    for table in reversed(MADE):
        target.execute(delete(table))
    for table in MADE:
        with memory.execute(select(table), execution_options={"yield_per": AT_ONCE}) as result:
            for rows in result.mappings().partitions():
                target.execute(insert(table), [dict(row) for row in rows])
