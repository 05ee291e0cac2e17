"""MQTT 5 over paho-mqtt, which is imported here alone: one connection, its errors in our words."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from dutylog.config.settings import MqttSettings
from dutylog.errors import ConfigError, OutputDown
from dutylog.publish.broker import Connection, Delivered, Event, Heard, Lost, Message, Refused, Wanted
from dutylog.publish.secret import read_secret

KEEPALIVE_S = 15
"""A broker that says nothing is given up after two of these; duty may then be 30 s late, never lost."""
CONNECT_S = 5.0
ANSWER_S = 10.0
CLOSE_S = 1.5
LARGEST_HEARD = 64 * 1024
"""Bytes of a packet a listener takes; the broker must drop larger ones. Source: MQTT 5.0 section 3.1.2.11.4."""
_KEEP_RETAINED, _LEAVE_RETAINED = 0, 2
"""Retain Handling. Source: MQTT 5.0 section 3.8.3.1."""
# Source: MQTT 5.0 section 2.4, reason codes.
_REFUSING = frozenset({0x84, 0x85, 0x86, 0x87, 0x8A, 0x8C, 0x8E})
_FOR_GOOD = frozenset({0x90, 0x95, 0x99})
_RIGHT_TO_READ = "check mqtt.username, the file of mqtt.password_file, and the right to read under dutylog/v1/"
_REMEDIES = {
    0x84: "it needs MQTT 5; update the broker",
    0x85: "it doesn't take this client_id; set mqtt.client_id",
    0x86: "check mqtt.username and the file of mqtt.password_file",
    0x87: "check mqtt.username, the file of mqtt.password_file, and the right to publish under dutylog/v1/",
    0x8A: "the broker has banned us; ask who runs it",
    0x8E: "another program uses the same client_id; set mqtt.client_id",
}


class MqttConnector:
    """Opens connections to the broker of the vehicle file; secrets are read anew for each."""

    def __init__(self, settings: MqttSettings) -> None:
        self._settings = settings
        self._where = f"broker {settings.host} port {settings.port}"

    def __call__(self, will: Message, notify: Callable[[Event], None]) -> Connection:
        """Return a connection that the broker has accepted.

        Raises:
            OutputDown: out of reach; with is_refused where only a person can change it.
        """
        client = self._make_client()
        client.will_set(will.topic, will.payload, will.qos, will.is_retained)
        line = _Line(client, self._where, notify)
        self._connect(line)
        line.start()
        return line

    def listen(
        self, wanted: Sequence[Wanted], take: Callable[[Heard], None], notify: Callable[[Event], None]
    ) -> Connection:
        """Return a connection that only listens: no will, nothing is published.

        Args:
            take: gets each message, in the connection's thread; must not raise.
            notify: gets the end, also where the broker refuses what is wanted.
        Raises:
            OutputDown: as above.
        """
        client = self._make_client()
        line = _Line(client, self._where, notify)
        line.listen(wanted, take)
        largest = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        largest.MaximumPacketSize = LARGEST_HEARD
        self._connect(line, largest)
        line.start()
        return line

    def _connect(self, line: _Line, properties: Properties | None = None) -> None:
        try:
            self._reach(line.client, properties)
        except OutputDown:
            line.let_go()
            raise

    def _reach(self, client: Client, properties: Properties | None) -> None:
        try:
            client.connect(
                self._settings.host, self._settings.port, KEEPALIVE_S, clean_start=True, properties=properties
            )
        except ssl.SSLCertVerificationError as err:
            text = (
                f"{self._where}: its certificate isn't trusted ({err.verify_message}); check mqtt.ca_file and mqtt.host"
            )
            raise OutputDown(text, is_refused=True) from err
        except ssl.SSLError as err:
            raise OutputDown(f"{self._where}: no encrypted line ({err.reason}); check mqtt.tls and mqtt.port") from err
        except (OSError, ValueError) as err:
            reason = getattr(err, "strerror", None) or err
            raise OutputDown(f"{self._where} is out of reach ({reason}); check network and broker") from err

    def _make_client(self) -> Client:
        settings = self._settings
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_S
        try:
            if settings.username is not None:
                password = settings.password_file and read_secret(settings.password_file, "mqtt.password_file")
                client.username_pw_set(settings.username, password or None)
            if settings.tls:
                client.tls_set_context(ssl.create_default_context(cafile=settings.ca_file))
        except ConfigError as err:
            raise OutputDown(str(err), is_refused=True) from err
        except (OSError, ssl.SSLError) as err:
            text = f"mqtt.ca_file {settings.ca_file}: {err.strerror or err}; name a certificate in PEM form"
            raise OutputDown(text, is_refused=True) from err
        return client


class _Client(Client):
    """The library's client, which by itself leaves the socket to the collector where encryption fails."""

    def _ssl_wrap_socket(self, tcp_sock: socket.socket) -> ssl.SSLSocket:
        context = self._ssl_context
        if context is None:
            raise OutputDown("no encryption was set up for an encrypted line")
        line = context.wrap_socket(tcp_sock, server_hostname=self._host, do_handshake_on_connect=False)
        try:
            line.settimeout(CONNECT_S)
            line.do_handshake()
        except BaseException:
            line.close()
            raise
        return line


class _Line:
    """One connection and the thread that serves it; ends once, with one `Lost` unless we closed it."""

    def __init__(self, client: Client, where: str, notify: Callable[[Event], None]) -> None:
        self.client = client
        self._where = where
        self._notify = notify
        self._answered = threading.Event()
        self._closing = False
        self._end = Lost(f"{where}: hung up; check network and broker, and that nobody else uses its client_id")
        self._is_accepted = False
        self._wanted: list[tuple[str, SubscribeOptions]] = []
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        self._thread: threading.Thread | None = None

    def listen(self, wanted: Sequence[Wanted], take: Callable[[Heard], None]) -> None:
        """Ask for these topics once the broker has accepted us; before `start`."""
        self._wanted = [
            (
                one.pattern,
                SubscribeOptions(one.qos, retainHandling=_KEEP_RETAINED if one.takes_retained else _LEAVE_RETAINED),
            )
            for one in wanted
        ]
        self.client.on_subscribe = self._on_subscribe

        def hand_over(_client: Client, _data: Any, message: MQTTMessage) -> None:
            take(Heard(message.topic, bytes(message.payload), message.retain))

        self.client.on_message = hand_over

    def start(self) -> None:
        """Wait for the broker's answer; OutputDown when it is no or doesn't come."""
        self._thread = threading.Thread(target=self._pump, name="mqtt-line", daemon=True)
        self._thread.start()
        if not self._answered.wait(ANSWER_S):
            self.close()
            raise OutputDown(f"{self._where}: didn't answer within {ANSWER_S:g} s; is an MQTT broker there?")
        if not self._is_accepted:
            self.close()
            raise OutputDown(self._end.text, is_refused=self._end.is_refused)

    def publish(self, message: Message) -> int:
        """See Connection."""
        info = self.client.publish(message.topic, message.payload, message.qos, message.is_retained)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise OutputDown(self._end.text, is_refused=self._end.is_refused)
        return info.mid

    def close(self) -> None:
        """See Connection."""
        self._closing = True
        self.client.disconnect()
        if self._thread is not None:
            self._thread.join(CLOSE_S)
        self.let_go()

    def let_go(self) -> None:
        """Untie client and line, which hold each other: else both wait for a search for garbage."""
        client = self.client
        client.on_connect = client.on_disconnect = client.on_publish = client.on_subscribe = client.on_message = None

    def _pump(self) -> None:
        """Serve the socket until it ends. Whatever bytes come, only this connection is lost by them."""
        try:
            self.client.loop_forever()
        except Exception as err:  # noqa: BLE001 - the library raises all sorts on bytes that are no MQTT
            self._end = Lost(f"{self._where}: sent what is no MQTT ({type(err).__name__}); is it a broker?")
        finally:
            was_accepted = self._is_accepted
            self._answered.set()
            if was_accepted and not self._closing:
                self._notify(self._end)

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            self._end = self._say(code, "refused us")
        else:
            self._is_accepted = True
            if self._wanted:
                self.client.subscribe(self._wanted)
        self._answered.set()

    def _on_subscribe(
        self, client: Client, _data: Any, _number: int, codes: list[ReasonCode], _properties: Any
    ) -> None:
        for code in codes:
            if code.is_failure:
                self._end = self._say(code, "doesn't let us listen")
                client.disconnect()

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, code: ReasonCode, _properties: Any) -> None:
        # paho tells its own findings (keepalive, broken line) as 0x80; the broker's own reasons say more.
        if self._is_accepted and code.is_failure and code.value != 0x80:
            self._end = self._say(code, "ended the connection")

    def _on_publish(self, _client: Client, _data: Any, number: int, code: ReasonCode, _properties: Any) -> None:
        if code.is_failure:
            text = self._say(code, "refused a message").text
            self._notify(Refused(number, text, code.value in _FOR_GOOD))
        else:
            self._notify(Delivered(number))

    def _say(self, code: ReasonCode, what: str) -> Lost:
        remedy = _REMEDIES.get(code.value, "look at the broker's log")
        if self._wanted and code.value == 0x87:
            remedy = _RIGHT_TO_READ
        return Lost(f"{self._where}: {what} ({str(code).lower()}); {remedy}", code.value in _REFUSING)
