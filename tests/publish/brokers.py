"""A real mosquitto of a test's own, and a reader that notes all it publishes."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from daemon.processes import wait_until

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
needs_mosquitto = pytest.mark.skipif(not Path(MOSQUITTO).exists(), reason="no mosquitto here; .ci/run brings it in")


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@dataclass(frozen=True)
class Received:
    topic: str
    payload: bytes
    qos: int
    is_retained: bool
    is_dup: bool

    @property
    def object(self):
        return json.loads(self.payload, parse_constant=lambda name: pytest.fail(f"{name} in {self.payload!r}"))


class Mosquitto:
    """lines: further lines of its configuration, such as a password file or certificates."""

    def __init__(self, folder, lines=("allow_anonymous true",)):
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.port = free_port()
        self.process = None
        lines = [f"listener {self.port} 127.0.0.1", "user root", "persistence false", "log_dest stderr", *lines]
        (folder / "mosquitto.conf").write_text("\n".join(["per_listener_settings false", *lines, ""]))

    def start(self):
        with (self.folder / "log").open("ab") as log:
            words = [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")]
            self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=log)
        wait_until(self._listens, "the broker listens", 10)

    def kill(self):
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        if self.process is not None:
            self.process.wait()

    def log(self):
        return (self.folder / "log").read_text(errors="replace")

    def _listens(self):
        assert self.process.poll() is None, self.log()
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


class Reader:
    """A subscriber; keeps every message as it came."""

    def __init__(self, port, pattern="dutylog/#", tls=None, user=None):
        self.messages = []
        self._lock = threading.Lock()
        self._ready = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if tls:
            self._client.tls_set(ca_certs=str(tls))
        if user:
            self._client.username_pw_set(*user)
        self._client.on_connect = lambda client, *_: client.subscribe(pattern, qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._note
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(10)

    def _note(self, _client, _data, message):
        received = Received(message.topic, message.payload, message.qos, message.retain, message.dup)
        with self._lock:
            self.messages.append(received)

    def of(self, kind):
        """Return the messages of `status`, `live`, `duty` or `alert`."""
        with self._lock:
            return [m for m in self.messages if m.topic.split("/")[3] == kind]

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


def retained(port, **options):
    """Return {topic: object} of what a broker holds for those who come later."""
    reader = Reader(port, **options)
    try:
        time.sleep(0.3)  # retained messages come at once after the subscription; nothing tells their end
        return {m.topic: m.object for m in reader.messages if m.is_retained}
    finally:
        reader.close()


def make_certificates(folder):
    """Return (authority, certificate, key) for localhost, good for a day."""
    names = {name: str(folder / name) for name in ("ca.pem", "ca.key", "broker.pem", "broker.key", "broker.csr", "san")}
    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    authority = ("-x509", "-days", "1", "-keyout", names["ca.key"], "-out", names["ca.pem"], "-subj", "/CN=authority")
    request = ("-keyout", names["broker.key"], "-out", names["broker.csr"], "-subj", "/CN=localhost")
    signing = ("-CA", names["ca.pem"], "-CAkey", names["ca.key"], "-CAcreateserial", "-days", "1")
    (folder / "san").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    for words in (
        ("req", *new_key, *authority),
        ("req", *new_key, *request),
        ("x509", "-req", "-in", names["broker.csr"], *signing, "-extfile", names["san"], "-out", names["broker.pem"]),
    ):
        subprocess.run(("openssl", *words), check=True, capture_output=True)
    return folder / "ca.pem", folder / "broker.pem", folder / "broker.key"
