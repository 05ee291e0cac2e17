"""The outputs that a vehicle file asks for, each in a thread of its own."""

from __future__ import annotations

import sys
import threading
import traceback
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from dutylog.clock import Clock
from dutylog.errors import ConfigError, OutputDown
from dutylog.publish.board import Board
from dutylog.publish.influx_output import InfluxOutput
from dutylog.publish.mqtt import MqttConnector
from dutylog.publish.mqtt_output import MqttOutput
from dutylog.publish.outbox import Outbox
from dutylog.publish.output import STOP_S, Output
from dutylog.publish.secret import read_secret
from dutylog.publish.settings import PublishSettings

if TYPE_CHECKING:
    from dutylog.config.settings import InfluxSettings
    from dutylog.publish.influx import InfluxServer

RESTART_S = 5.0
"""Between a fault of ours in an output and its next life (judgement)."""
Say = Callable[[str], None]


def make_outputs(settings: PublishSettings, board: Board, outbox: Outbox, clock: Clock, say: Say) -> list[Output]:
    """Return the outputs of a vehicle file; none of them has begun."""
    names = [name for name, table in (("mqtt", settings.mqtt), ("influxdb", settings.influxdb)) if table is not None]
    outputs: list[Output] = []
    if settings.mqtt is not None:
        connect = MqttConnector(settings.mqtt)
        outputs.append(MqttOutput(connect, settings.vehicle_id, board, outbox, clock, output_names=names, say=say))
    if settings.influxdb is not None:
        outputs.append(InfluxOutput(_InfluxDoor(settings.influxdb), outbox, clock, say=say))
    return outputs


class _InfluxDoor:
    """Opens the database at the first write, and anew after it refused us: the token may have been put right."""

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self._server: InfluxServer | None = None

    def write(self, lines: Sequence[bytes]) -> None:
        """See influx_output.LineServer."""
        if self._server is None:
            self._server = self._open()
        try:
            self._server.write(lines)
        except OutputDown as err:
            if err.is_refused:
                self._server.close()
                self._server = None
            raise

    def _open(self) -> InfluxServer:
        from dutylog.publish.influx import InfluxServer  # 43 MB that a vehicle without a database doesn't load

        settings = self._settings
        try:
            token = read_secret(settings.token_file, "influxdb.token_file")
            return InfluxServer(settings.url, settings.org, settings.bucket, token, settings.ca_file)
        except (ConfigError, OSError) as err:
            raise OutputDown(str(err), is_refused=True) from err


class OutputThread:
    """Keeps one output alive: what it doesn't catch itself is logged, counted, and it begins anew."""

    def __init__(self, output: Output, say: Say) -> None:
        self.output = output
        self.restarts_count = 0
        self.last_failure = ""
        self._say = say
        self._stop = threading.Event()
        # A daemon thread: one that hangs in a library must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name=f"output-{output.name}", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Have it finish; `join` waits for that."""
        self._stop.set()
        self.output.wake()

    def join(self, limit_s: float = STOP_S) -> bool:
        """Return whether it has finished in time."""
        self._thread.join(limit_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        """Return whether its thread still runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.output.run(self._stop)
            except Exception as err:  # noqa: BLE001 - the one catch-all of this thread
                self.restarts_count += 1
                self.last_failure = f"{type(err).__name__}: {err}"
                traceback.print_exc(file=sys.stderr)
                self._say(f"{self.output.name} failed ({self.last_failure}); it begins anew in {RESTART_S:g} s")
                self._stop.wait(RESTART_S)
