"""`dutylog follow`: the live page of a vehicle on another computer, over a broker."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from dutylog.errors import ConfigError

_PATH = click.Path(path_type=Path)
_OF_MQTT = {
    "broker": "host",
    "broker_port": "port",
    "ca_file": "ca_file",
    "user": "username",
    "password_file": "password_file",
}


@click.command()
@click.option("--config", "config_path", type=_PATH, help="File with [vehicle] and [mqtt]; the vehicle file will do.")
@click.option("--vehicle", help="Id of the vehicle, if not that of the file.")
@click.option("--broker", help="Host name or IP address of the broker.")
@click.option("--broker-port", type=click.IntRange(1, 65535), help="8883, or 1883 with --no-tls.")
@click.option("--no-tls", is_flag=True, help="Open line: password and values can be read on the way.")
@click.option("--ca-file", type=_PATH, help="Certificate (PEM) that vouches for the broker.")
@click.option("--user", help="User at the broker.")
@click.option("--password-file", type=_PATH, help="File of mode 0600 that holds the password.")
@click.option("--listen", default="127.0.0.1", show_default=True, help="Address of the page; 0.0.0.0 for all.")
@click.option("--port", type=click.IntRange(0, 65535), default=8321, show_default=True, help="Port of the page.")
@click.option("--name", "names", multiple=True, help="Further host name people may type, such as camp.local.")
def follow(
    config_path: Path | None, vehicle: str | None, listen: str, port: int, names: tuple[str, ...], **options: Any
) -> None:
    """Show the live page of a vehicle that publishes to a broker, until stopped. Listens only, publishes nothing."""
    from dutylog.config.follow import load_follow
    from dutylog.web.follow_server import follow as serve
    from dutylog.web.settings import WebSettings

    if config_path is None and (vehicle is None or options["broker"] is None):
        raise click.UsageError("give --config FILE, or --broker HOST and --vehicle ID")
    settings = load_follow(config_path, vehicle, _keys(options))
    for note in settings.notes:
        click.echo(f"note: {note}", err=True)
    # A name of its own each time: the broker would throw out whoever comes second under the vehicle's.
    mqtt = replace(settings.mqtt, client_id=f"{settings.mqtt.client_id}-follow-{secrets.token_hex(4)}")
    host_names = tuple(name.lower().rstrip(".") for name in names)
    serve(settings.vehicle_id, mqtt, WebSettings(_checked(listen), port, host_names))


def _keys(options: dict[str, Any]) -> dict[str, Any]:
    """Return the options as keys of [mqtt]; a path starts where the command was typed."""
    given = {key: options[name] for name, key in _OF_MQTT.items() if options[name] is not None}
    keys = {key: str(value.absolute()) if isinstance(value, Path) else value for key, value in given.items()}
    return keys | ({"tls": False} if options["no_tls"] else {})


def _checked(listen: str) -> str:
    try:
        return str(ipaddress.ip_address(listen))
    except ValueError:
        raise ConfigError([f"--listen {listen!r}: give an IP address, such as 127.0.0.1 or 0.0.0.0"]) from None
