"""Serves the live page of a vehicle elsewhere: the same pages, fed by a broker (`dutylog follow`)."""

from __future__ import annotations

import sys
from dataclasses import replace

from starlette.types import Scope

from dutylog.clock import SystemClock
from dutylog.config.settings import MqttSettings
from dutylog.publish.mqtt import MqttConnector
from dutylog.web.access import Access, Viewer, is_loopback
from dutylog.web.app import create_app
from dutylog.web.follow import BrokerReader, FollowFeed
from dutylog.web.opening import Opening, open_listener
from dutylog.web.server import Ending, run_pages
from dutylog.web.settings import WebSettings


class OpenAccess(Access):
    """Nobody signs in, because nothing can be written; who may look is whoever reaches the address listened on."""

    def lets_in(self, address: str | None) -> bool:  # noqa: ARG002
        """Return True: listening beyond this machine was asked for by name."""
        return True

    def viewer_of(self, scope: Scope) -> Viewer:  # noqa: ARG002
        """Return a viewer who is nobody in particular."""
        return Viewer()

    def describe(self) -> str:
        """Return who may do what, in words."""
        return "whoever reaches this address sees the page, nobody can change anything"


def follow(vehicle_id: str, mqtt: MqttSettings, settings: WebSettings) -> None:
    """Serve the page of a vehicle until SIGTERM or SIGINT.

    Raises:
        ConfigError: the address can't be listened on.
    """
    if not is_loopback(settings.listen_host):
        _say(f"--listen {settings.listen_host}: all who reach this address see the page")
    feed = FollowFeed(vehicle_id, SystemClock())
    reader = BrokerReader(feed, MqttConnector(mqtt).listen, _say)
    Ending()
    with open_listener(settings.listen_host, settings.port) as listener:
        opening = Opening(replace(settings, port=listener.getsockname()[1]), (listener,), None)
        app = create_app(feed, None, opening.settings, reader, access=OpenAccess())
        run_pages(app, feed, opening)


def _say(line: str) -> None:
    sys.stderr.write(f"dutylog follow: {line}\n")
    sys.stderr.flush()
