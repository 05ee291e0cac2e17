"""Would the database take points? Name, line, encryption, token; nothing is stored."""

from __future__ import annotations

from urllib.parse import urlsplit

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, failed_by, passed
from dutylog.cli.checks.reach import STEP_S, find_no_way
from dutylog.cli.checks.scene import Scene
from dutylog.cli.checks.within import within
from dutylog.config.settings import InfluxSettings
from dutylog.errors import ConfigError, OutputDown, OutputRejected
from dutylog.publish.secret import read_secret

SUBJECT = "database"
NO_POINT = b"# dutylog check"
"""A comment: the server judges token and bucket, and has nothing to store. Source: InfluxDB line protocol reference,
"Comments"."""
PORTS = {"http": 80, "https": 443}


def check_database(scene: Scene) -> list[Finding]:
    """Return how far we get with the database of the vehicle file; nothing where it names none."""
    if scene.settings is None or scene.settings.influxdb is None:
        return []
    settings = scene.settings.influxdb
    try:
        token = read_secret(settings.token_file, "influxdb.token_file")
    except ConfigError as err:
        return [failed_by(SUBJECT, err, "give the token in a file of its own")]
    address = urlsplit(settings.url)
    no_way = find_no_way(SUBJECT, address.hostname or "", address.port or PORTS.get(address.scheme, 80), "influxdb.url")
    return [no_way if no_way is not None else _sign_in(settings, token)]


def _sign_in(settings: InfluxSettings, token: str) -> Finding:
    # Loaded before the time counts: it takes seconds on a small board.
    from dutylog.publish.influx import InfluxServer

    try:
        server = InfluxServer(
            settings.url, settings.org, settings.bucket, token, settings.ca_file, timeout_s=STEP_S - 1.0
        )
        within(STEP_S, lambda: server.write([NO_POINT]))
    except TimeoutError:
        text = f"{settings.url} takes the line but doesn't answer within {STEP_S:g} s"
        return fail(SUBJECT, text, "is a database there? check influxdb.url")
    except OutputDown as err:
        return failed_by(SUBJECT, err, "check influxdb.url and network, look at the database's log")
    except OutputRejected:
        pass  # version 2 has nothing against us, only against an empty batch
    return passed(SUBJECT, f"{settings.url}: token is accepted for bucket {settings.bucket}")
