"""[mqtt] and [influxdb]: who is told, safe by default, secrets never shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.cli.main import dutylog
from dutylog.config.loader import parse_settings
from dutylog.config.settings import InfluxSettings, MqttSettings
from dutylog.errors import ConfigError

MQTT = '\n[mqtt]\nhost = "broker.example"\n'
INFLUX = '\n[influxdb]\nurl = "https://db.example:8086"\norg = "o"\nbucket = "b"\ntoken_file = "token"\n'
GOOD = (Path(__file__).parent / "data" / "good.toml").read_text(encoding="utf-8")


def read(text):
    return parse_settings(text.encode(), Path("/etc/dutylog/truck.toml"))


def problems(text):
    with pytest.raises(ConfigError) as caught:
        read(text)
    return caught.value.problems


def test_nobody_is_told_unless_asked():
    assert (read(GOOD).mqtt, read(GOOD).influxdb) == (None, None)


def test_a_host_is_enough_and_the_line_is_encrypted():
    """Safe without knowing the options."""
    settings = read(GOOD + MQTT)
    assert settings.mqtt == MqttSettings("broker.example", 8883, True, None, None, None, "dutylog-test_truck")
    assert settings.notes == read(GOOD).notes


def test_everything_said():
    text = 'port = 1884\nca_file = "ca.pem"\nusername = "u"\npassword_file = "/p"\nclient_id = "me"\n'
    assert read(GOOD + MQTT + text).mqtt == MqttSettings(
        "broker.example", 1884, True, Path("/etc/dutylog/ca.pem"), "u", Path("/p"), "me"
    )
    assert read(GOOD + INFLUX + 'ca_file = "ca.pem"\n').influxdb == InfluxSettings(
        "https://db.example:8086", "o", "b", Path("/etc/dutylog/token"), Path("/etc/dutylog/ca.pem")
    )


def test_an_open_line_is_noted_unless_it_stays_on_this_machine():
    notes = read(GOOD + MQTT + "tls = false\n").notes
    assert [n for n in notes if "mqtt.tls" in n and "readable for all" in n]
    for host in ("127.0.0.1", "localhost", "::1"):
        settings = read(GOOD + MQTT.replace("broker.example", host) + "tls = false\n")
        assert settings.notes == read(GOOD).notes
        assert settings.mqtt.port == 1883
    assert [n for n in read(GOOD + INFLUX.replace("https", "http")).notes if "influxdb.url" in n]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (MQTT + "tls = 1\n", "mqtt.tls: 1 is a number, expected true or false"),
        (MQTT + 'tls = false\nca_file = "x"\n', "mqtt.ca_file: means nothing with tls = false"),
        (MQTT + 'password_file = "x"\n', "mqtt.username: missing; a password needs a user"),
        (MQTT + "port = 0\n", "mqtt.port: 0 is outside 1 to 65535"),
        (MQTT.replace("broker.example", "mqtts://x:1"), 'mqtt.host: "mqtts://x:1" is no host name'),
        (MQTT.replace("broker.example", "a b"), "mqtt.host: "),
        ("\n[mqtt]\ntls = true\n", "mqtt.host: missing; the broker's host name or IP address"),
        ("\n[mqt]\n", "mqt: unknown key; did you mean"),
        ("\n[[mqtt]]\n", "mqtt: this is an array, expected a table; write it as [mqtt]"),
        (INFLUX.replace("https://", "ftp://"), "influxdb.url: "),
        (INFLUX.replace("https://", ""), "influxdb.url: "),
        (INFLUX.replace("db.example:8086", "db.example:99999999"), "influxdb.url: "),
        (INFLUX.replace("db.example:8086", "[::1"), "influxdb.url: "),
        (INFLUX.replace("db.example:8086", "db/?x=1"), "leave out ? and #"),
        ("\n[influxdb]\n", "influxdb.token_file: missing; file that holds the token"),
    ],
)
def test_mistakes_are_named(text, expected):
    assert any(expected in line for line in problems(GOOD + text)), problems(GOOD + text)


@pytest.mark.parametrize(
    "text",
    [
        INFLUX.replace("https://", "https://me:hunter2@"),
        INFLUX.replace("https://", "htps://me:hunter2@"),
        INFLUX + 'token = "hunter2"\n',
        MQTT + 'password = "hunter2"\n',
        MQTT + 'passwort = ["hunter2"]\n',
    ],
)
def test_a_secret_in_the_vehicle_file_is_refused_and_not_repeated(text):
    """What is printed lands in logs."""
    lines = problems(GOOD + text)
    assert lines
    assert "hunter2" not in "\n".join(lines)


VALUE = st.sampled_from(['"x"', '""', "1", "true", "[]", "{}", "1.5", '"http://["', '"::"', '"\\u0000"', '"é"'])


@settings(deadline=None)
@given(st.dictionaries(st.sampled_from(["host", "port", "tls", "ca_file", "username", "url", "org"]), VALUE))
def test_any_values_are_good_or_named(values):
    """Never another exception."""
    body = "".join(f"{key} = {value}\n" for key, value in values.items())
    for table in ("mqtt", "influxdb"):
        problems_found = ["none"]
        try:
            read(f"{GOOD}\n[{table}]\n{body}")
        except ConfigError as err:
            problems_found = err.problems
        assert problems_found


def test_config_check_shows_who_is_told(tmp_path):
    """A person sees at a glance where duty goes, and that the line is open."""
    path = tmp_path / "truck.toml"
    path.write_text(GOOD + MQTT + "tls = false\n" + INFLUX)
    output = CliRunner().invoke(dutylog, ["config", "check", str(path)]).output
    assert "broker   broker.example port 1883, open line" in output
    assert "database https://db.example:8086, bucket b" in output
