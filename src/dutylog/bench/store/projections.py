"""What each kind of entry changes in the tables made of the chain; the same code writes them and makes them again."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sqlalchemy import Connection

from dutylog.bench.store.chain import Entry
from dutylog.bench.store.project_bench import put_account, put_bench, put_rules
from dutylog.bench.store.project_cards import put_card, put_due, put_key, put_radio
from dutylog.bench.store.project_jobs import agree_triage, check_finding, close_or_open, open_job, put_record, touch_job
from dutylog.bench.store.project_parts import change_stock, put_part
from dutylog.bench.store.project_people import put_customer, put_damper, put_vehicle
from dutylog.bench.store.project_same import join_damper

Project = Callable[[Connection, Entry], None]

OF_KIND: Mapping[str, Project] = {
    "customer_put": put_customer,
    "vehicle_put": put_vehicle,
    "damper_put": put_damper,
    "damper_joined": join_damper,
    "card_imported": put_card,
    "key_trusted": put_key,
    "due_put": put_due,
    "job_opened": open_job,
    "finding": check_finding,
    "triage_agreed": agree_triage,
    "stage": close_or_open,
    "record_made": put_record,
    "part_put": put_part,
    "stock_change": change_stock,
    "bench_put": put_bench,
    "rules_put": put_rules,
    "account_put": put_account,
    "radio_duty": put_radio,
}
"""Kinds that aren't here change nothing but the newest entry of their job."""


def project(connection: Connection, entry: Entry) -> None:
    """Bring the tables made of the chain on by one entry.

    Raises:
        InputError: the entry names what isn't there, or its data has not the shape its kind needs.
    """
    change = OF_KIND.get(entry.kind)
    if change is not None:
        change(connection, entry)
    if entry.job_id is not None and entry.kind != "job_opened":
        touch_job(connection, entry)
