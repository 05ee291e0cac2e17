"""Tables of the bench's store: the chain, what is kept beside it, and what is made of it (shared/BENCH_STORE.md).

Days are text of ISO 8601, so both databases sort them alike; text is compared by its bytes in both.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
TEXT = Text().with_variant(Text(collation="C"), "postgresql")
"""Compared by its bytes, as SQLite does: by the words of a country the two would sort names differently."""

ENTRY = Table(
    "entry",
    METADATA,
    Column("row", BigInteger, primary_key=True, autoincrement=False),
    Column("utc", TEXT, nullable=False),
    Column("who", TEXT, nullable=False),
    Column("role", TEXT, nullable=False),
    Column("kind", TEXT, nullable=False),
    Column("damper_id", TEXT),
    Column("job_id", BigInteger),
    Column("data", TEXT, nullable=False),
    Column("prev_hash", LargeBinary, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    Index("ix_entry_kind_row", "kind", "row"),
    Index("ix_entry_damper_id_kind_row", "damper_id", "kind", "row"),
    Index("ix_entry_job_id_row", "job_id", "row"),
)
"""The chain: appended to and never changed."""
HEAD = Table(
    "chain_head",
    METADATA,
    Column("id", BigInteger, primary_key=True, autoincrement=False),
    Column("row", BigInteger, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)
"""One row: the newest entry. Whoever appends locks it first."""
PHOTO = Table(
    "photo",
    METADATA,
    Column("sha256", TEXT, primary_key=True),
    Column("media_type", TEXT, nullable=False),
    Column("body", LargeBinary, nullable=False),
)
"""Bytes too large for the chain; findings name them by their hash."""
KEPT = (ENTRY, HEAD, PHOTO)
"""What can't be made again."""

CUSTOMER = Table(
    "customer",
    METADATA,
    Column("customer_id", TEXT, primary_key=True),
    Column("name", TEXT, nullable=False),
    Column("contact", TEXT),
    Column("note", TEXT),
    Column("folded", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
    Index("ix_customer_folded", "folded"),
)
VEHICLE = Table(
    "vehicle",
    METADATA,
    Column("vehicle_key", TEXT, primary_key=True),
    Column("label", TEXT, nullable=False),
    Column("customer_id", TEXT, ForeignKey("customer.customer_id")),
    Column("ledger_id", TEXT),
    Column("vehicle_id", TEXT),
    Column("radio_agreed_by", TEXT),
    Column("radio_agreed_utc", TEXT),
    Column("note", TEXT),
    Column("folded", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
    Index("ix_vehicle_customer_id", "customer_id"),
    Index("ix_vehicle_ledger_id", "ledger_id"),
    Index("ix_vehicle_vehicle_id", "vehicle_id"),
)
DAMPER = Table(
    "damper",
    METADATA,
    Column("damper_id", TEXT, primary_key=True),
    Column("unit_id", TEXT),
    Column("serial", TEXT),
    Column("tag", TEXT),
    Column("vehicle_key", TEXT, ForeignKey("vehicle.vehicle_key")),
    Column("position", TEXT),
    Column("construction", TEXT, nullable=False),
    Column("reservoir", TEXT, nullable=False),
    Column("joints", TEXT, nullable=False),
    Column("profile_name", TEXT),
    Column("profile", TEXT),
    Column("folded", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
    Index("ix_damper_unit_id", "unit_id"),
    Index("ix_damper_serial", "serial"),
    Index("ix_damper_tag", "tag"),
    Index("ix_damper_vehicle_key", "vehicle_key"),
    Index("ix_damper_profile_name", "profile_name"),
)
CARD = Table(
    "card",
    METADATA,
    Column("row", BigInteger, primary_key=True, autoincrement=False),
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), nullable=False),
    Column("ledger_id", TEXT, nullable=False),
    Column("unit_id", TEXT, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("digest", TEXT, nullable=False),
    Column("key_id", TEXT, nullable=False),
    Column("head_row", BigInteger, nullable=False),
    Column("head_hash", TEXT),
    Column("revision", BigInteger, nullable=False),
    Column("totals", TEXT, nullable=False),
    Column("entry_rows", TEXT, nullable=False),
    Column("utc", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    Index("ix_card_damper_id_row", "damper_id", "row"),
    Index("ix_card_unit_id_row", "unit_id", "row"),
    Index("ix_card_digest", "digest"),
)
CARD_PART = Table(
    "card_part",
    METADATA,
    Column("row", BigInteger, ForeignKey("card.row"), primary_key=True, autoincrement=False),
    Column("part", TEXT, primary_key=True),
    Column("used_share", Float),
    Column("used_ratio", Float),
)
"""How far each part was used on a card: what a finding at the bench is learned with."""
VEHICLE_KEY = Table(
    "vehicle_key",
    METADATA,
    Column("ledger_id", TEXT, primary_key=True),
    Column("key_id", TEXT, primary_key=True),
    Column("public_key", TEXT, nullable=False),
    Column("how", TEXT, nullable=False),
    Column("why", TEXT),
    Column("by", TEXT, nullable=False),
    Column("utc", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
)
LEDGER_SEEN = Table(
    "ledger_seen",
    METADATA,
    Column("ledger_id", TEXT, primary_key=True),
    Column("chain", LargeBinary, nullable=False),
    Column("head_row", BigInteger, nullable=False),
    Column("row", BigInteger, nullable=False),
)
"""Hashes of a vehicle's chain as far as any card of it showed them, 32 bytes each."""
JOB = Table(
    "job",
    METADATA,
    Column("job_id", BigInteger, primary_key=True, autoincrement=False),
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), nullable=False),
    Column("basis", TEXT, nullable=False),
    Column("digest", TEXT),
    Column("card_row", BigInteger),
    Column("opened_utc", TEXT, nullable=False),
    Column("opened_by", TEXT, nullable=False),
    Column("opened_row", BigInteger, nullable=False),
    Column("stage", TEXT),
    Column("stage_utc", TEXT),
    Column("triage_row", TEXT),
    Column("is_open", Boolean, nullable=False),
    Column("newest_row", BigInteger, nullable=False),
    Index("ix_job_damper_id_job_id", "damper_id", "job_id"),
    Index("ix_job_is_open_job_id", "is_open", "job_id"),
)
DUE = Table(
    "due",
    METADATA,
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), primary_key=True),
    Column("part", TEXT, primary_key=True),
    Column("early", TEXT),
    Column("likely", TEXT),
    Column("late", TEXT),
    Column("order_by", TEXT),
    Column("used_ratio", Float),
    Column("first_day", TEXT),
    Column("day", TEXT, nullable=False),
    Column("basis", TEXT, nullable=False),
    Index("ix_due_first_day", "first_day"),
)
"""first_day: the earliest day of a row, by which a board finds it. day: of which the forecast is."""
SERVICE = Table(
    "service",
    METADATA,
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), primary_key=True),
    Column("source", TEXT, primary_key=True),
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("day", TEXT),
    Column("by", TEXT, nullable=False),
    Column("replaced", TEXT, nullable=False),
    Column("found", TEXT, nullable=False),
    Column("note", TEXT),
    Column("sequence", BigInteger),
    Column("digest", TEXT),
    Column("row", BigInteger, nullable=False),
    Index("ix_service_digest", "digest"),
)
"""source 'bench': number is the job's, sequence and digest its record's. 'vehicle': number is the ledger's entry.

'before': told by the vehicle of a damper that was joined to this one; number counts them.
"""
RECORD = Table(
    "record",
    METADATA,
    Column("digest", TEXT, primary_key=True),
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), nullable=False),
    Column("job_id", BigInteger, ForeignKey("job.job_id"), nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("row", BigInteger, nullable=False),
    Index("ix_record_damper_id", "damper_id"),
)
"""Every service record that was made here, corrected ones too: a vehicle tells of the one it took."""
PART_LOOK = Table(
    "part_look",
    METADATA,
    Column("job_id", BigInteger, ForeignKey("job.job_id"), primary_key=True, autoincrement=False),
    Column("part", TEXT, primary_key=True),
    Column("damper_id", TEXT, nullable=False),
    Column("profile_name", TEXT),
    Column("day", TEXT, nullable=False),
    Column("grade", TEXT),
    Column("is_replaced", Boolean, nullable=False),
    Column("used_share", Float),
    Column("used_ratio", Float),
    Column("row", BigInteger, nullable=False),
    Index("ix_part_look_profile_name_part_used_ratio", "profile_name", "part", "used_ratio"),
    Index("ix_part_look_damper_id", "damper_id"),
    Index("ix_part_look_seen", "profile_name", "part", "damper_id", "row"),
)
"""What each finished job found of each part, and how far the card had it used."""
PART = Table(
    "part",
    METADATA,
    Column("part_no", TEXT, primary_key=True),
    Column("name", TEXT, nullable=False),
    Column("need", TEXT),
    Column("profile_name", TEXT),
    Column("lead_days", BigInteger, nullable=False),
    Column("price_minor", BigInteger),
    Column("least_count", BigInteger, nullable=False),
    Column("is_gone", Boolean, nullable=False),
    Column("row", BigInteger, nullable=False),
    Index("ix_part_need", "need"),
)
STOCK = Table(
    "stock",
    METADATA,
    Column("part_no", TEXT, ForeignKey("part.part_no"), primary_key=True),
    Column("count", BigInteger, nullable=False),
    Column("row", BigInteger, nullable=False),
)
BENCH = Table(
    "bench",
    METADATA,
    Column("bench_id", TEXT, primary_key=True),
    Column("name", TEXT, nullable=False),
    Column("key_id", TEXT, nullable=False),
    Column("public_key", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
)
RULES = Table(
    "rules",
    METADATA,
    Column("version", BigInteger, primary_key=True, autoincrement=False),
    Column("text", TEXT, nullable=False),
    Column("why", TEXT, nullable=False),
    Column("by", TEXT, nullable=False),
    Column("utc", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
)
ACCOUNT = Table(
    "account",
    METADATA,
    Column("name", TEXT, primary_key=True),
    Column("role", TEXT, nullable=False),
    Column("code", TEXT),
    Column("is_closed", Boolean, nullable=False),
    Column("row", BigInteger, nullable=False),
)
RADIO = Table(
    "radio_duty",
    METADATA,
    Column("damper_id", TEXT, ForeignKey("damper.damper_id"), primary_key=True),
    Column("vehicle_id", TEXT, nullable=False),
    Column("unit_id", TEXT, nullable=False),
    Column("revision", BigInteger, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("utc", TEXT, nullable=False),
    Column("totals", TEXT, nullable=False),
    Column("row", BigInteger, nullable=False),
)
MADE = tuple(table for table in METADATA.sorted_tables if table not in KEPT)
"""What is made of the entries, those first that others point at."""
