"""`dutylog card`: duty cards, what a damper takes along to the bench, and the key they are signed with."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from dutylog.cli.card_take import take
from dutylog.cli.card_text import card_lines, issued_lines
from dutylog.cli.ledger import DataPlace, find_place, with_data
from dutylog.clock import SystemClock
from dutylog.domain.quantity import METRIC, SYSTEMS
from dutylog.errors import InputError

SVG_END = ".svg"


@click.group()
def card() -> None:
    """Duty cards: what a damper takes along to the bench, signed, and the key that signs them.

    A card holds no place on earth and no names of trips.
    """


@card.command()
@click.argument("damper")
@click.option("-o", "--output", "out", type=click.Path(path_type=Path), help="File to make: NAME.card.json.")
@click.option("--kept", is_flag=True, help="Keep it in the data folder alone, where the page hands it out.")
@click.option("--by", help="Your name; none: that of the user of this machine.")
@with_data
def export(place: DataPlace, damper: str, out: Path | None, kept: bool, by: str | None) -> None:
    """Issue the next duty card of DAMPER (serial, tag or unit id): signed, and told of in the ledger.

    Never written over another file. The newest card of each damper is kept in the data folder as well.
    """
    # Not at the top: what signs is loaded only by these commands.
    from dutylog.bench.canonical import encode_file
    from dutylog.bench.card_make import check_new_file, issue_card, write_new_file

    if kept == (out is not None):
        raise click.UsageError("where to is needed: give either -o FILE or --kept")
    if out is not None:
        check_new_file(out)
    made = issue_card(place.data_dir, damper, by or _user(), vehicle=place.vehicle)
    if out is not None:
        write_new_file(out, encode_file(made))
    click.echo("\n".join(issued_lines(made, out)))


@card.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--units", type=click.Choice(SYSTEMS), default=METRIC, show_default=True, help="Units of all figures.")
def show(file: Path, units: str) -> None:
    """Show what duty card FILE says, and whether it is as it was signed; needs no data folder."""
    from dutylog.bench.canonical import CARD
    from dutylog.bench.card_read import read_card
    from dutylog.bench.card_verify import Seen, verify

    try:
        with file.open("rb") as opened:
            data = opened.read(CARD.limit_bytes + 1)
    except OSError as err:
        raise InputError(f"{file}: {err.strerror}; name a duty card") from err
    found = read_card(data)
    click.echo("\n".join(card_lines(found, verify(found, Seen()), units)))


@card.command()
@click.argument("damper")
@click.option("-o", "--output", "out", type=click.Path(path_type=Path), required=True, help="File to make: NAME.svg.")
@with_data
def qr(place: DataPlace, damper: str, out: Path) -> None:
    """Draw the QR code of DAMPER's newest card: the figures a bench wants first, signed."""
    from dutylog.bench.card_make import write_new_file
    from dutylog.bench.kept_card import read_kept
    from dutylog.bench.qr import make_svg

    if out.suffix != SVG_END:
        raise InputError(f"{out}: a drawing of the code is a file NAME{SVG_END}; name one")
    with place.reading() as opened:
        unit = opened.find_unit(damper)
    kept = read_kept(place.data_dir, unit.unit_id)
    if kept is None:
        raise InputError(
            f"damper {unit.label} has no card kept here; issue one: dutylog card export {unit.label} -o FILE"
        )
    title = f"Duty card {kept.number} of damper {kept.label}, {kept.day}"
    write_new_file(out, make_svg(kept.summary, title))
    click.echo(f"{out}: QR code of card {kept.number} of damper {kept.label}; print it at least 5 cm wide")


@card.command()
@click.option(
    "--backup", type=click.Path(path_type=Path), help="Copy the key to a new FILE; keep that where you keep keys."
)
@click.option("--restore", type=click.Path(path_type=Path), help="Take the key of such a FILE.")
@click.option("--new", is_flag=True, help="Make another key; every bench will ask whether to believe it.")
@click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
@click.option("--config", type=click.Path(path_type=Path), help="Vehicle file that names the data folder.")
def key(backup: Path | None, restore: Path | None, new: bool, data: Path | None, config: Path | None) -> None:
    """Show the key that signs this vehicle's cards, copy it, put a copy back, or make another.

    The key itself is never shown. Whoever has it can sign cards in this vehicle's name.
    """
    from dutylog.bench.card_key import back_up_key, known_key, renew_key, restore_key, settle_key
    from dutylog.bench.keys import key_words

    if sum((backup is not None, restore is not None, new)) > 1:
        raise click.UsageError("give one of --backup, --restore and --new")
    data_dir, now_ns = find_place(data, config).data_dir, SystemClock().utc_ns()
    if not data_dir.is_dir():
        raise click.UsageError(f"{data_dir}: no such folder; give the data folder of `dutylog run`")
    before = known_key(data_dir)
    if backup is not None:
        found = back_up_key(data_dir, backup)
        click.echo(f"key {key_words(found.key_id)} copied to {backup}; keep it where nobody else gets at it")
        return
    kept = None
    if restore is not None or new:
        done = renew_key(data_dir, now_ns) if restore is None else restore_key(data_dir, restore)
        found, kept = done.key, done.kept
    else:
        found = settle_key(data_dir, now_ns, before)
    click.echo(f"key           {key_words(found.key_id)}")
    click.echo(f"made          {found.made_utc or 'nobody wrote down when'} (by the clock of then)")
    if before is None:
        click.echo("cards         none was signed yet")
    elif before.key_id == found.key_id:
        click.echo("cards         the newest was signed with it")
    else:
        click.echo(f"cards         so far signed with {key_words(before.key_id)}: benches will ask about the new key")
    if kept is not None:
        click.echo(f"before        the key that was there is kept as {kept}")


card.add_command(take)


def _user() -> str:
    """Return the name of this machine's user."""
    try:
        return getpass.getuser()
    except (OSError, KeyError) as err:
        raise click.UsageError("who issues it is unknown here: give --by NAME") from err
