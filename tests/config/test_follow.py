"""What `dutylog follow` is told: a small file, the vehicle file, options, or both."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from dutylog.cli.main import main
from dutylog.config.follow import load_follow
from dutylog.config.settings import MqttSettings
from dutylog.errors import ConfigError

SMALL = '[vehicle]\nid = "truck"\n\n[mqtt]\nhost = "broker.example"\nusername = "camp"\npassword_file = "secret"\n'
GOOD = (Path(__file__).parent / "data" / "good.toml").read_text(encoding="utf-8")


@pytest.fixture
def load(tmp_path):
    def load_text(text, vehicle_id=None, **mqtt):
        path = tmp_path / "follow.toml"
        path.write_text(text, encoding="utf-8")
        return load_follow(path, vehicle_id, mqtt)

    return load_text


def test_a_small_file_is_enough_and_the_line_is_encrypted(load, tmp_path):
    """Safe without knowing the options; the password's file stands beside the file."""
    found = load(SMALL)
    secret = tmp_path / "secret"
    assert found.vehicle_id == "truck"
    assert found.mqtt == MqttSettings("broker.example", 8883, True, None, "camp", secret, "dutylog-truck")
    assert found.notes == ()


def test_the_vehicle_file_serves_too(load):
    """Its other tables are the vehicle's affair, and its id may follow from its name."""
    found = load(GOOD + '\n[mqtt]\nhost = "broker.example"\n')
    assert (found.vehicle_id, found.mqtt.host) == ("test_truck", "broker.example")


def test_options_go_before_the_file(load):
    found = load(SMALL, "buggy", host="10.0.0.5", tls=False, password_file="/run/secret")  # noqa: S106
    assert (found.vehicle_id, found.mqtt.host, found.mqtt.port) == ("buggy", "10.0.0.5", 1883)
    assert found.mqtt.password_file == Path("/run/secret")
    assert any("readable for all" in note for note in found.notes)


def test_options_alone_are_enough():
    assert load_follow(None, "truck", {"host": "b"}).mqtt == MqttSettings(
        "b", 8883, True, None, None, None, "dutylog-truck"
    )


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("", {}, "vehicle: missing"),
        ('[vehicle]\nid = "truck"\n', {}, "mqtt: missing; [mqtt]"),
        ('[vehicle]\nid = "a/b"\n[mqtt]\nhost = "x"\n', {}, "vehicle.id: "),
        ('[vehicle]\nid = "#"\n[mqtt]\nhost = "x"\n', {}, "vehicle.id: "),
        ('[vehicle]\n[mqtt]\nhost = "x"\n', {}, "vehicle.id: missing"),
        ('[vehicle]\nname = "---"\n[mqtt]\nhost = "x"\n', {}, "vehicle.id: missing"),
        (SMALL + "pasword_file = 1\n", {}, "mqtt.pasword_file: unknown key"),
        (SMALL.replace('username = "camp"\n', ""), {}, "mqtt.username: missing; a password needs a user"),
        ("mqtt = 5\n" + SMALL.split("[mqtt]")[0], {"host": "x"}, "mqtt: 5 is a number, expected a table"),
        (SMALL, {"port": 0}, "mqtt.port: 0 is outside 1 to 65535"),
        (SMALL, {"host": "a b"}, "mqtt.host: "),
        ("[mqtt", {}, "not TOML"),
    ],
)
def test_mistakes_are_named(load, text, options, said):
    with pytest.raises(ConfigError) as caught:
        load(text, **options)
    assert any(said in line for line in caught.value.problems), caught.value.problems


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give --config FILE, or --broker HOST and --vehicle ID"),
        (["--broker", "x"], "give --config FILE"),
        (["--broker", "x", "--vehicle", "A b"], "options: vehicle.id:"),
        (["--broker", "x", "--vehicle", "a", "--listen", "camp"], "--listen 'camp': give an IP address"),
        (["--broker", "x", "--vehicle", "a", "--listen", "203.0.113.7"], "choose another with --port or --listen"),
        (["--config", "/nowhere/at/all"], "no such file"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(capsys, words, said):
    assert main(["follow", *words]) == 2
    seen = capsys.readouterr()
    assert seen.out == ""
    (line,) = [line for line in seen.err.splitlines() if not line.startswith(("note: ", "dutylog follow: "))]
    assert said in line


def test_no_option_takes_a_password():
    """It would stand in the list of processes, for all to see."""
    from dutylog.cli.main import dutylog

    text = CliRunner().invoke(dutylog, ["follow", "--help"]).output
    assert "--password-file" in text
    assert "--password " not in text
