"""Serves the bench's pages until stopped."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace

from dutylog.bench.key_copy import require_key
from dutylog.bench.keys import BENCH_KEY_FILE
from dutylog.bench.store.store import Store
from dutylog.clock import SystemClock
from dutylog.config.bench import BenchSettings
from dutylog.errors import ConfigError
from dutylog.web.access import is_loopback
from dutylog.web.bench.accounts import BenchAccess, read_accounts
from dutylog.web.bench.app import create_bench_app
from dutylog.web.bench.radio_listener import RadioListener, settings_of_bench
from dutylog.web.bench.setting_up import find_bench, keep_bench
from dutylog.web.opening import Doors
from dutylog.web.server import Ending, check_listen, run_pages
from dutylog.web.settings import WebSettings


class BenchDoors(Doors):
    """Nothing is shown without signing in, so other machines are let in as soon as they are asked for."""

    def _is_withheld(self) -> bool:
        return False


class NoStreams:
    """The bench holds no connection open."""

    def close(self) -> None:
        """Do nothing."""


def serve(settings: BenchSettings, listen: str | None = None, port: int | None = None) -> None:
    """Serve until SIGTERM or SIGINT; opens anew when the certificate changes.

    Args:
        listen, port: instead of the file's.
    Raises:
        ConfigError: nobody could sign in, the bench's key is gone or another one, or the address can't be listened on.
        StoreError: the store can't be opened, or is gone.
    """
    host = check_listen(listen or settings.listen)
    web = WebSettings(
        host, settings.port if port is None else port, settings.names, data_dir=settings.data_dir, tls=settings.tls
    )
    clock = SystemClock()
    for note in settings.notes:
        _say(f"note: {note}")
    if not is_loopback(host) and not settings.tls:
        _say(f"{host} without tls: names and passwords travel readable for all on that network; set tls = true")
    with Store.open(settings.store_url, clock, is_new_ok=False) as store:
        if not any(not one.is_closed and one.code for one in read_accounts(store)):
            raise ConfigError([f"{settings.data_dir}: nobody may sign in yet; dutylog bench setup, or account add"])
        # Only read: a key that is lost or another one is a person's to mend, no vehicle would know a new one.
        key = require_key(settings.data_dir / BENCH_KEY_FILE, find_bench(store).key_id)
        keep_bench(store, settings.name, key)
        access = BenchAccess(store, clock, _say)
        doors, ending = BenchDoors(web, clock, _say, None), Ending()
        radio = _listen(settings, store, clock)
        while not ending.is_asked:
            opening = doors.open()
            with ExitStack() as stack:
                for listener in opening.listeners:
                    stack.enter_context(listener)
                app = create_bench_app(store, replace(settings), opening.settings, access, clock)
                app.state.radio = None if radio is None else lambda: radio.state
                run_pages(app, NoStreams(), opening, doors.is_stale)
        if radio is not None:
            radio.stop()


def _listen(settings: BenchSettings, store: Store, clock: SystemClock) -> RadioListener | None:
    """Begin to listen for duty by radio where the bench's file names a broker."""
    if settings.mqtt is None:
        return None
    from dutylog.publish.mqtt import MqttConnector

    with store.read() as reading:
        bench = reading.bench()
    broker = settings_of_bench(settings.mqtt, "" if bench is None else bench.bench_id)
    listener = RadioListener(store, MqttConnector(broker).listen, clock, _say)
    listener.start()
    return listener


def _say(line: str) -> None:
    sys.stderr.write(f"dutylog bench: {line}\n")
    sys.stderr.flush()
