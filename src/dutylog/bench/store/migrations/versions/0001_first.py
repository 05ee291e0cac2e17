"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
WHOLE = sa.BigInteger()


def upgrade() -> None:
    """Make all tables, and the head of an empty chain."""
    _make_chain()
    _make_people_and_cards()
    _make_jobs()
    _make_bench_and_parts()


def _make_chain() -> None:
    """The chain and what is kept beside it."""
    op.create_table(
        "chain_head",
        sa.Column("id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_chain_head")),
    )
    op.create_table(
        "entry",
        sa.Column("row", WHOLE, autoincrement=False, nullable=False),
        sa.Column("utc", TEXT, nullable=False),
        sa.Column("who", TEXT, nullable=False),
        sa.Column("role", TEXT, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("damper_id", TEXT, nullable=True),
        sa.Column("job_id", WHOLE, nullable=True),
        sa.Column("data", TEXT, nullable=False),
        sa.Column("prev_hash", sa.LargeBinary(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("row", name=op.f("pk_entry")),
    )
    op.create_index("ix_entry_damper_id_kind_row", "entry", ["damper_id", "kind", "row"], unique=False)
    op.create_index("ix_entry_job_id_row", "entry", ["job_id", "row"], unique=False)
    op.create_index("ix_entry_kind_row", "entry", ["kind", "row"], unique=False)
    op.create_table(
        "photo",
        sa.Column("sha256", TEXT, nullable=False),
        sa.Column("media_type", TEXT, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_photo")),
    )
    op.execute(sa.text("INSERT INTO chain_head (id, row, hash) VALUES (1, 0, :hash)").bindparams(hash=bytes(32)))


def _make_people_and_cards() -> None:
    """Customers, vehicles, dampers, cards and keys."""
    op.create_table(
        "customer",
        sa.Column("customer_id", TEXT, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("contact", TEXT, nullable=True),
        sa.Column("note", TEXT, nullable=True),
        sa.Column("folded", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("customer_id", name=op.f("pk_customer")),
    )
    op.create_index("ix_customer_folded", "customer", ["folded"], unique=False)
    op.create_table(
        "ledger_seen",
        sa.Column("ledger_id", TEXT, nullable=False),
        sa.Column("chain", sa.LargeBinary(), nullable=False),
        sa.Column("head_row", WHOLE, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("ledger_id", name=op.f("pk_ledger_seen")),
    )
    op.create_table(
        "vehicle_key",
        sa.Column("ledger_id", TEXT, nullable=False),
        sa.Column("key_id", TEXT, nullable=False),
        sa.Column("public_key", TEXT, nullable=False),
        sa.Column("how", TEXT, nullable=False),
        sa.Column("why", TEXT, nullable=True),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("utc", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("ledger_id", "key_id", name=op.f("pk_vehicle_key")),
    )
    op.create_table(
        "vehicle",
        sa.Column("vehicle_key", TEXT, nullable=False),
        sa.Column("label", TEXT, nullable=False),
        sa.Column("customer_id", TEXT, nullable=True),
        sa.Column("ledger_id", TEXT, nullable=True),
        sa.Column("vehicle_id", TEXT, nullable=True),
        sa.Column("radio_agreed_by", TEXT, nullable=True),
        sa.Column("radio_agreed_utc", TEXT, nullable=True),
        sa.Column("note", TEXT, nullable=True),
        sa.Column("folded", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["customer_id"], ["customer.customer_id"], name=op.f("fk_vehicle_customer_id")),
        sa.PrimaryKeyConstraint("vehicle_key", name=op.f("pk_vehicle")),
    )
    op.create_index("ix_vehicle_customer_id", "vehicle", ["customer_id"], unique=False)
    op.create_index("ix_vehicle_ledger_id", "vehicle", ["ledger_id"], unique=False)
    op.create_index("ix_vehicle_vehicle_id", "vehicle", ["vehicle_id"], unique=False)
    op.create_table(
        "damper",
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("unit_id", TEXT, nullable=True),
        sa.Column("serial", TEXT, nullable=True),
        sa.Column("tag", TEXT, nullable=True),
        sa.Column("vehicle_key", TEXT, nullable=True),
        sa.Column("position", TEXT, nullable=True),
        sa.Column("construction", TEXT, nullable=False),
        sa.Column("reservoir", TEXT, nullable=False),
        sa.Column("joints", TEXT, nullable=False),
        sa.Column("profile_name", TEXT, nullable=True),
        sa.Column("profile", TEXT, nullable=True),
        sa.Column("folded", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["vehicle_key"], ["vehicle.vehicle_key"], name=op.f("fk_damper_vehicle_key")),
        sa.PrimaryKeyConstraint("damper_id", name=op.f("pk_damper")),
    )
    op.create_index("ix_damper_profile_name", "damper", ["profile_name"], unique=False)
    op.create_index("ix_damper_serial", "damper", ["serial"], unique=False)
    op.create_index("ix_damper_tag", "damper", ["tag"], unique=False)
    op.create_index("ix_damper_unit_id", "damper", ["unit_id"], unique=False)
    op.create_index("ix_damper_vehicle_key", "damper", ["vehicle_key"], unique=False)
    op.create_table(
        "card",
        sa.Column("row", WHOLE, autoincrement=False, nullable=False),
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("ledger_id", TEXT, nullable=False),
        sa.Column("unit_id", TEXT, nullable=False),
        sa.Column("sequence", WHOLE, nullable=False),
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("key_id", TEXT, nullable=False),
        sa.Column("head_row", WHOLE, nullable=False),
        sa.Column("head_hash", TEXT, nullable=True),
        sa.Column("revision", WHOLE, nullable=False),
        sa.Column("totals", TEXT, nullable=False),
        sa.Column("entry_rows", TEXT, nullable=False),
        sa.Column("utc", TEXT, nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_card_damper_id")),
        sa.PrimaryKeyConstraint("row", name=op.f("pk_card")),
    )
    op.create_index("ix_card_damper_id_row", "card", ["damper_id", "row"], unique=False)
    op.create_index("ix_card_digest", "card", ["digest"], unique=False)
    op.create_index("ix_card_unit_id_row", "card", ["unit_id", "row"], unique=False)
    op.create_table(
        "card_part",
        sa.Column("row", WHOLE, autoincrement=False, nullable=False),
        sa.Column("part", TEXT, nullable=False),
        sa.Column("used_share", sa.Float(), nullable=True),
        sa.Column("used_ratio", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["row"], ["card.row"], name=op.f("fk_card_part_row")),
        sa.PrimaryKeyConstraint("row", "part", name=op.f("pk_card_part")),
    )


def _make_jobs() -> None:
    """Jobs, services, forecasts, duty by radio."""
    op.create_table(
        "due",
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("part", TEXT, nullable=False),
        sa.Column("early", TEXT, nullable=True),
        sa.Column("likely", TEXT, nullable=True),
        sa.Column("late", TEXT, nullable=True),
        sa.Column("order_by", TEXT, nullable=True),
        sa.Column("used_ratio", sa.Float(), nullable=True),
        sa.Column("first_day", TEXT, nullable=True),
        sa.Column("day", TEXT, nullable=False),
        sa.Column("basis", TEXT, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_due_damper_id")),
        sa.PrimaryKeyConstraint("damper_id", "part", name=op.f("pk_due")),
    )
    op.create_index("ix_due_first_day", "due", ["first_day"], unique=False)
    op.create_table(
        "job",
        sa.Column("job_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("basis", TEXT, nullable=False),
        sa.Column("digest", TEXT, nullable=True),
        sa.Column("card_row", WHOLE, nullable=True),
        sa.Column("opened_utc", TEXT, nullable=False),
        sa.Column("opened_by", TEXT, nullable=False),
        sa.Column("opened_row", WHOLE, nullable=False),
        sa.Column("stage", TEXT, nullable=True),
        sa.Column("stage_utc", TEXT, nullable=True),
        sa.Column("triage_row", TEXT, nullable=True),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        sa.Column("newest_row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_job_damper_id")),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_job")),
    )
    op.create_index("ix_job_damper_id_job_id", "job", ["damper_id", "job_id"], unique=False)
    op.create_index("ix_job_is_open_job_id", "job", ["is_open", "job_id"], unique=False)
    op.create_table(
        "radio_duty",
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("vehicle_id", TEXT, nullable=False),
        sa.Column("unit_id", TEXT, nullable=False),
        sa.Column("revision", WHOLE, nullable=False),
        sa.Column("sequence", WHOLE, nullable=False),
        sa.Column("utc", TEXT, nullable=False),
        sa.Column("totals", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_radio_duty_damper_id")),
        sa.PrimaryKeyConstraint("damper_id", name=op.f("pk_radio_duty")),
    )
    op.create_table(
        "service",
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("source", TEXT, nullable=False),
        sa.Column("number", WHOLE, autoincrement=False, nullable=False),
        sa.Column("day", TEXT, nullable=True),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("replaced", TEXT, nullable=False),
        sa.Column("found", TEXT, nullable=False),
        sa.Column("note", TEXT, nullable=True),
        sa.Column("sequence", WHOLE, nullable=True),
        sa.Column("digest", TEXT, nullable=True),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_service_damper_id")),
        sa.PrimaryKeyConstraint("damper_id", "source", "number", name=op.f("pk_service")),
    )
    op.create_index("ix_service_digest", "service", ["digest"], unique=False)
    op.create_table(
        "record",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("job_id", WHOLE, nullable=False),
        sa.Column("sequence", WHOLE, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["damper_id"], ["damper.damper_id"], name=op.f("fk_record_damper_id")),
        sa.ForeignKeyConstraint(["job_id"], ["job.job_id"], name=op.f("fk_record_job_id")),
        sa.PrimaryKeyConstraint("digest", name=op.f("pk_record")),
    )
    op.create_index("ix_record_damper_id", "record", ["damper_id"], unique=False)
    op.create_table(
        "part_look",
        sa.Column("job_id", WHOLE, autoincrement=False, nullable=False),
        sa.Column("part", TEXT, nullable=False),
        sa.Column("damper_id", TEXT, nullable=False),
        sa.Column("profile_name", TEXT, nullable=True),
        sa.Column("day", TEXT, nullable=False),
        sa.Column("grade", TEXT, nullable=True),
        sa.Column("is_replaced", sa.Boolean(), nullable=False),
        sa.Column("used_share", sa.Float(), nullable=True),
        sa.Column("used_ratio", sa.Float(), nullable=True),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.job_id"], name=op.f("fk_part_look_job_id")),
        sa.PrimaryKeyConstraint("job_id", "part", name=op.f("pk_part_look")),
    )
    op.create_index("ix_part_look_damper_id", "part_look", ["damper_id"], unique=False)
    op.create_index("ix_part_look_seen", "part_look", ["profile_name", "part", "damper_id", "row"], unique=False)
    op.create_index(
        "ix_part_look_profile_name_part_used_ratio", "part_look", ["profile_name", "part", "used_ratio"], unique=False
    )


def _make_bench_and_parts() -> None:
    """The bench itself, its accounts, rules and parts."""
    op.create_table(
        "account",
        sa.Column("name", TEXT, nullable=False),
        sa.Column("role", TEXT, nullable=False),
        sa.Column("code", TEXT, nullable=True),
        sa.Column("is_closed", sa.Boolean(), nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_account")),
    )
    op.create_table(
        "bench",
        sa.Column("bench_id", TEXT, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("key_id", TEXT, nullable=False),
        sa.Column("public_key", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("bench_id", name=op.f("pk_bench")),
    )
    op.create_table(
        "part",
        sa.Column("part_no", TEXT, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("need", TEXT, nullable=True),
        sa.Column("profile_name", TEXT, nullable=True),
        sa.Column("lead_days", WHOLE, nullable=False),
        sa.Column("price_minor", WHOLE, nullable=True),
        sa.Column("least_count", WHOLE, nullable=False),
        sa.Column("is_gone", sa.Boolean(), nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("part_no", name=op.f("pk_part")),
    )
    op.create_index("ix_part_need", "part", ["need"], unique=False)
    op.create_table(
        "rules",
        sa.Column("version", WHOLE, autoincrement=False, nullable=False),
        sa.Column("text", TEXT, nullable=False),
        sa.Column("why", TEXT, nullable=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("utc", TEXT, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_rules")),
    )
    op.create_table(
        "stock",
        sa.Column("part_no", TEXT, nullable=False),
        sa.Column("count", WHOLE, nullable=False),
        sa.Column("row", WHOLE, nullable=False),
        sa.ForeignKeyConstraint(["part_no"], ["part.part_no"], name=op.f("fk_stock_part_no")),
        sa.PrimaryKeyConstraint("part_no", name=op.f("pk_stock")),
    )
