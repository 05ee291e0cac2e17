"""The bench itself, its rules and its accounts out of entries."""

from __future__ import annotations

from sqlalchemy import Connection, delete, func, insert, select

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.fields import encode_canonical
from dutylog.bench.store.put import put
from dutylog.bench.store.tables import ACCOUNT, BENCH, RULES
from dutylog.errors import InputError


def put_bench(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on the bench."""
    connection.execute(delete(BENCH))
    values = {key: entry.data[key] for key in ("bench_id", "name", "key_id", "public_key")}
    connection.execute(insert(BENCH), {**values, "row": entry.row})


def put_rules(connection: Connection, entry: Entry) -> None:
    """Add a version of the triage rules; two people who changed the same one are told so."""
    version = entry.data["version"]
    newest = connection.execute(select(func.max(RULES.c.version))).scalar() or 0
    if version <= newest:
        raise InputError(f"rules: version {version} is not above {newest}: somebody changed them meanwhile; look again")
    values = {"version": version, "text": entry.data["text"], "why": entry.data["why"]}
    connection.execute(insert(RULES), {**values, "by": entry.who, "utc": entry.utc, "row": entry.row})


def put_account(connection: Connection, entry: Entry) -> None:
    """Keep the newest word on who may sign in."""
    data = entry.data
    code = None if data["code"] is None else encode_canonical(data["code"], "code")
    values = {"name": data["name"], "role": data["role"], "code": code, "is_closed": data["is_closed"]}
    put(connection, ACCOUNT, {**values, "row": entry.row})
