"""`dutylog alert`: what people had to be told, and who has seen it."""

from __future__ import annotations

from typing import Any

import click

from dutylog.cli.duty_text import UNKNOWN, duration_text, json_text, table_text, utc_text
from dutylog.cli.ledger import DataPlace, with_data, with_format
from dutylog.ledger.rows import Stamp, StoredAlert

ID_SHOWN = 8
"""Signs of an id in the table; `acknowledge` takes as few."""


@click.group()
def alert() -> None:
    """Show alerts and acknowledge them."""


@alert.command("list")
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True, help="Alerts to show.")
@click.option("--before", type=click.IntRange(1), help="Only alerts with a smaller number.")
@click.option("--open", "only_open", is_flag=True, help="Only what isn't over.")
@with_data
@with_format
def list_alerts(
    place: DataPlace,
    limit: int,
    before: int | None,
    only_open: bool,
    form: str,
    units: str,  # noqa: ARG001
) -> None:
    """Show alerts, the newest first."""
    with place.reading() as opened:
        engine = opened.cursor().engine
        found = list(reversed(opened.open_alerts()))[:limit] if only_open else opened.alerts(limit, before)
    if form == "json":
        click.echo(json_text(engine, {"alerts": [_to_json(one) for one in found]}))
        return
    if not found:
        click.echo("no alerts" + (" are open" if only_open else " yet" if before is None else f" before {before}"))
        return
    heads = ["number", "id", "raised", "level", "what", "lasted", "seen by"]
    click.echo(table_text(heads, [_row(one) for one in found], left=7))


@alert.command()
@click.argument("alert_id", metavar="ID")
@click.option("--by", required=True, help="Name of who has seen it.")
@with_data
def acknowledge(place: DataPlace, alert_id: str, by: str) -> None:
    """Say that a person has seen alert ID, or the one whose id begins so; it stays raised until it is over."""
    place.do({"command": "acknowledge", "alert": alert_id, "by": by})


def _row(one: StoredAlert) -> list[str]:
    row = one.row
    told = row.acknowledged
    return [
        str(one.number),
        row.alert_id[:ID_SHOWN],
        UNKNOWN if one.raised_at is None else utc_text(one.raised_at.utc_ns, one.raised_at.utc_trusted),
        "act now" if row.level == "act_now" else row.level,
        row.text,
        "still open" if row.cleared is None else _lasted(one),
        UNKNOWN if told is None else told.by,
    ]


def _lasted(one: StoredAlert) -> str:
    raised_at, cleared_at = one.raised_at, one.cleared_at
    if raised_at is None or cleared_at is None or raised_at.boot_id != cleared_at.boot_id:
        return UNKNOWN
    return duration_text(max(0, cleared_at.mono_ns - raised_at.mono_ns))


def _to_json(one: StoredAlert) -> dict[str, Any]:
    row, told = one.row, one.row.acknowledged
    return {
        "number": one.number,
        "id": row.alert_id,
        "kind": row.kind,
        "position": row.position,
        "subject": row.subject,
        "level": row.level,
        "state": "raised" if row.cleared is None else "cleared",
        "text": row.text,
        "remedy": row.remedy,
        **_times("raised", one.raised_at),
        **_times("cleared", one.cleared_at),
        "acknowledged_by": None if told is None else told.by,
        **_times("acknowledged", None if told is None else told.stamp),
    }


def _times(what: str, stamp: Stamp | None) -> dict[str, Any]:
    return {
        f"{what}_utc_ns": None if stamp is None else stamp.utc_ns,
        f"{what}_utc_trusted": None if stamp is None else stamp.utc_trusted,
    }
