"""`dutylog card take`: a bench's service record into this vehicle's ledger, and a new profile into its file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dutylog.cli.ledger import DataPlace, find_place
from dutylog.domain.vehicle import Profile
from dutylog.errors import ConfigError, InputError
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Unit
from dutylog.ledger.service_records import is_latest
from dutylog.ledger.taken_records import read_records
from dutylog.ledger.unit_profiles import read_changes

if TYPE_CHECKING:
    from dutylog.bench.record_read import ServiceRecord


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--by", required=True, help="Your name.")
@click.option("--damper", "named", help="Which damper it is about, where the bench knew no serial or another vehicle.")
@click.option("--accept-key", help="Key of the bench, if it has changed and you have compared it with them.")
@click.option("--accept-record", help="Digits of a record out of its turn, as its refusal says them.")
@click.option("--profile-name", help="Name of the new profile here, where the bench's is taken.")
@click.option("--data", type=click.Path(path_type=Path), help="Data folder of the vehicle.")
@click.option("--config", type=click.Path(path_type=Path), help="Vehicle file; a new profile is written into it.")
def take(
    file: Path,
    by: str,
    named: str | None,
    accept_key: str | None,
    accept_record: str | None,
    profile_name: str | None,
    data: Path | None,
    config: Path | None,
) -> None:
    """Take service record FILE of a bench: what was replaced and found, the gas fill, and a new force curve.

    Only the parts that were replaced start anew. Nothing is erased, and no record is taken twice.
    """
    # Not at the top: what checks signatures is loaded only by these commands.
    from dutylog.bench.canonical import RECORD
    from dutylog.bench.record_read import find_unit_of, name_here, read_record, renamed, request_of

    place = find_place(data, config)
    record = read_record(_read(file, RECORD.limit_bytes))
    with place.reading() as opened:
        unit = find_unit_of(opened, record, named)
        is_taken = any(one.digest == record.digest for one in read_records(opened))
        called = name_here(opened, unit, record, profile_name)
        request = request_of(record, unit, by, accept_key, called, accept_record)
        profile = None if record.profile is None else renamed(record.profile, called)
        positions, was = _places(opened, unit)
        # One that another followed later in its life is not what the damper is now.
        if (
            profile is not None
            and profile.name != unit.profile
            and (is_taken or not is_latest(opened, unit, record.day))
        ):
            positions = ()
    renewal = None if profile is None else _Renewal(profile, config, positions, was)
    if is_taken and renewal is not None and renewal.is_left:
        click.echo("this record was taken already, but its profile is not in the vehicle file yet")
        renewal.finish()
        return
    _take(place, request, renewal, _say_before(record, unit, profile))


def _say_before(record: ServiceRecord, unit: Unit, profile: Profile | None) -> list[str]:
    """Return notices that hang on the file alone."""
    from dutylog.bench.record_read import is_moved

    said = []
    if is_moved(record, unit):
        said.append(f"the bench knew damper {unit.label} on another vehicle; its serial says that it is this one")
    if record.profile is not None and profile is not None and profile.name != record.profile.name:
        said.append(f"the bench calls the new profile {record.profile.name}, here it is called {profile.name}")
    return said


class _Renewal:
    """A new profile on its way into the vehicle file. prepared before anything is written."""

    def __init__(self, profile: Profile, config: Path | None, positions: tuple[str, ...], was: frozenset[str]) -> None:
        from dutylog.cli.vehicle_file import prepare

        self._profile, self._positions = profile, positions
        self._edit = None if config is None else prepare(config, profile, positions, was)

    @property
    def is_left(self) -> bool:
        """Return whether a vehicle file was named that lacks it: a power cut may have come between."""
        return self._edit is not None and not self._edit.is_nothing

    def finish(self) -> None:
        """Write the file, or say what is to be written."""
        from dutylog.cli.vehicle_file import apply

        if self._edit is None:
            self._say_by_hand("give --config next time, or write this into the vehicle file yourself")
            return
        if self._edit.is_nothing:
            click.echo(f"{self._edit.path} has profile {self._profile.name} already")
            return
        try:
            apply(self._edit)
        except ConfigError as err:
            self._say_by_hand(str(err))
            return
        where = f", named at {', '.join(self._edit.positions)}" if self._edit.positions else ""
        click.echo(f"profile {self._profile.name} written into {self._edit.path}{where}; the old one stays there")

    def _say_by_hand(self, why: str) -> None:
        from dutylog.config.profile_text import profile_text

        places = f' and profile = "{self._profile.name}" at {", ".join(self._positions)}' if self._positions else ""
        click.echo(f"{why}: the block below{places}. Until then the ledger's own copy of it counts.")
        click.echo(f"\n{profile_text(self._profile)}", nl=False)


def _take(place: DataPlace, request: dict[str, Any], renewal: _Renewal | None, before: list[str]) -> None:
    reply = run_command(place.data_dir, request, place.vehicle)
    click.echo(str(reply.get("text", "done")))
    for notice in (*before, *reply.get("notices", ())):
        click.echo(f"note: {notice}")
    if renewal is not None:
        renewal.finish()


def _places(opened: Ledger, unit: Unit) -> tuple[tuple[str, ...], frozenset[str]]:
    """Return where a unit sits, or where the vehicle file has its serial, and what its profiles were."""
    positions = [position for position, there in opened.installed().items() if there.unit_id == unit.unit_id]
    vehicle = opened.vehicle()
    if not positions and vehicle is not None and unit.serial is not None:
        positions = [damper.position for damper in vehicle.dampers if damper.serial == unit.serial]
    was = {unit.profile, *(name for one in read_changes(opened, unit.unit_id) for name in (one.was, one.name))}
    return tuple(positions), frozenset(was)


def _read(file: Path, limit_bytes: int) -> bytes:
    try:
        with file.open("rb") as opened:
            return opened.read(limit_bytes + 1)
    except OSError as err:
        raise InputError(f"{file}: {err.strerror}; name a service record") from err
