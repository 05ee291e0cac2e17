"""Would the broker let us in? Name, line, encryption, credentials; nothing is published."""

from __future__ import annotations

from dataclasses import replace

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, failed_by, passed
from dutylog.cli.checks.reach import STEP_S, find_no_way
from dutylog.cli.checks.scene import Scene
from dutylog.cli.checks.within import within
from dutylog.config.settings import MqttSettings
from dutylog.errors import ConfigError, OutputDown
from dutylog.publish.broker import Message
from dutylog.publish.mqtt import MqttConnector
from dutylog.publish.secret import read_secret
from dutylog.publish.topics import ROOT

SUBJECT = "broker"


def check_broker(scene: Scene) -> list[Finding]:
    """Return how far we get with the broker of the vehicle file; nothing where it names none."""
    if scene.settings is None or scene.settings.mqtt is None:
        return []
    settings = scene.settings.mqtt
    if settings.password_file is not None:
        try:
            read_secret(settings.password_file, "mqtt.password_file")
        except ConfigError as err:
            return [failed_by(SUBJECT, err, "give the password in a file of its own")]
    no_way = find_no_way(SUBJECT, settings.host, settings.port, "mqtt.host and mqtt.port")
    if no_way is not None:
        return [no_way]
    if scene.live.publish is not None:
        # Two with one name throw each other out, and what is published goes first.
        settings = replace(settings, client_id=f"{settings.client_id}-check")
    return [_sign_in(settings, scene.settings.vehicle.vehicle_id)]


def _sign_in(settings: MqttSettings, vehicle_id: str) -> Finding:
    # Published only if this very process is killed meanwhile, and means nothing to anybody.
    will = Message(f"{ROOT}/{vehicle_id}/check", b"", 0, False)

    def connect() -> None:
        MqttConnector(settings)(will, lambda _event: None).close()

    how = "encrypted line" if settings.tls else "open line"
    who = f"user {settings.username}" if settings.username else "nobody by name"
    try:
        within(STEP_S, connect)
    except TimeoutError:
        text = f"{settings.host} port {settings.port} takes the line but doesn't answer within {STEP_S:g} s"
        return fail(SUBJECT, text, "is an MQTT broker there? check mqtt.tls and mqtt.port")
    except OutputDown as err:
        return failed_by(SUBJECT, err, "look at the broker's log")
    return passed(SUBJECT, f"{settings.host} port {settings.port}: {how}, {who} is let in")
