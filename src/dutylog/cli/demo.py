"""`dutylog demo`: the whole path on a simulated vehicle, no hardware, broker or account."""

from __future__ import annotations

import http.client
import json
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from importlib import resources
from pathlib import Path

import click

from dutylog.errors import ConfigError

READY_S = 30.0


@click.command()
@click.option("--data", type=click.Path(path_type=Path), help="Keep the data here; else a folder that goes at the end.")
@click.option("--pace", type=click.FloatRange(min=0), default=1.0, show_default=True, help="Times faster than real.")
@click.option("--port", type=click.IntRange(1, 65535), default=8321, show_default=True)
def demo(data: Path | None, pace: float, port: int) -> None:
    """Drive a simulated vehicle over a desert stage and show the live page."""
    _refuse_taken(port)
    folder = Path(tempfile.mkdtemp(prefix="dutylog-demo-")) if data is None else data
    folder.mkdir(parents=True, exist_ok=True)
    vehicle = folder / "demo_vehicle.toml"
    vehicle.write_text(resources.files("dutylog.sim").joinpath("demo_vehicle.toml").read_text("utf-8"), "utf-8")
    command = [sys.executable, "-m", "dutylog.daemon", "--config", str(vehicle), "--data", str(folder / "data")]
    daemon = subprocess.Popen([*command, "--pace", str(pace), "--port", str(port)])
    signal.signal(signal.SIGTERM, lambda *_: daemon.terminate())
    try:
        if _wait_until_ready(daemon, port):
            click.echo(f"live page: http://127.0.0.1:{port}/   (Ctrl-C ends it; data in {folder})")
            sys.stdout.flush()
        status = daemon.wait()
    except KeyboardInterrupt:
        daemon.terminate()
        status = daemon.wait()
    finally:
        if data is None:
            shutil.rmtree(folder, ignore_errors=True)
    if status:
        raise SystemExit(status)


def _refuse_taken(port: int) -> None:
    """Say so at once when another program has the port."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as err:
            raise ConfigError([f"port {port} on 127.0.0.1: {err.strerror}; choose another with --port"]) from err


def _wait_until_ready(daemon: subprocess.Popen[bytes], port: int) -> bool:
    """Wait until the page has live data; False when the daemon ended or takes too long."""
    deadline_s = time.monotonic() + READY_S
    while time.monotonic() < deadline_s and daemon.poll() is None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=1)
        try:
            connection.request("GET", "/api/live")
            reply = connection.getresponse()
            if reply.status == 200 and json.loads(reply.read()):
                return True
        except (OSError, ValueError, http.client.HTTPException):
            pass
        finally:
            connection.close()
        time.sleep(0.1)
    return False
