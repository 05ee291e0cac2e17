"""`dutylog follow` beside `dutylog run`: a real broker between them, real pages in a real browser."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from playwright.sync_api import Browser, Page, expect, sync_playwright

from daemon.processes import DEMO, LIMIT_S, wait_until
from dutylog.publish.snapshot import AlertNow
from dutylog.web.follow import NETWORK_S, OFFLINE_TEXT
from dutylog.web.line import OLD_AFTER_S
from publish.brokers import MOSQUITTO, Mosquitto, free_port, make_certificates
from web.followed import VEHICLE, messages, talkative

pytestmark = pytest.mark.skipif(not Path(MOSQUITTO).exists(), reason="no mosquitto here; .ci/run brings it in")
DUTYLOG = (sys.executable, "-m", "dutylog.cli.main")
SECRETS = {"logger": "correct horse", "camp": "battery staple"}
ROOT = "dutylog/v1/demo"
ALERT = AlertNow("7", "body_over_limit", "rear_left", None, "raised", "act_now", "body too hot", "ease off", 12.0)
NOTE_WHAT_IS_SHOWN = """
  window.shown = {};
  const Plain = window.EventSource;
  window.EventSource = class extends Plain {
    addEventListener(kind, take) {
      super.addEventListener(kind, (event) => {
        take(event);
        const shot = kind === "snapshot" && JSON.parse(event.data).snapshot;
        if (!shot) return;
        window.heardAt = performance.now();
        const words = (element) => {
          const copy = element.cloneNode(true);
          for (const part of copy.querySelectorAll(".alert-action")) part.remove();  // not offered to who follows
          return copy.textContent.replace(/\\s+/g, " ");
        };
        const parts = ["#vehicle", ".facts", "#alert-list", "#dampers"].map((where) => document.querySelector(where));
        window.shown[`${shot.boot_id} ${shot.seq}`] = parts.map(words);
      });
    }
  };
"""
"""Before our scripts run: what the page shows right after each snapshot, by its number."""


@dataclass
class Rig:
    """A vehicle that drives and publishes, and a broker that lets `logger` write and `camp` read."""

    folder: Path
    broker: Mosquitto
    vehicle_port: int

    @property
    def vehicle_address(self) -> str:
        return f"http://127.0.0.1:{self.vehicle_port}"

    def options(self, user: str = "camp") -> list[str]:
        """Return options of `dutylog follow` that lead to the broker."""
        port, ca = str(self.broker.port), str(self.folder / "ca.pem")
        words = ["--broker", "127.0.0.1", "--broker-port", port, "--ca-file", ca, "--user", user]
        return [*words, "--password-file", str(self.folder / user), "--vehicle", "demo"]


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    folder = tmp_path_factory.mktemp("follow")
    authority, certificate, key = make_certificates(folder)
    for number, (user, secret) in enumerate(SECRETS.items()):
        words = ["mosquitto_passwd", "-b", *(["-c"] if number == 0 else []), str(folder / "users"), user, secret]
        subprocess.run(words, check=True, capture_output=True)
        (folder / user).write_text(secret + "\n")
        (folder / user).chmod(0o600)
    (folder / "acl").write_text(
        f"user logger\ntopic readwrite dutylog/v1/#\n\nuser camp\ntopic read {ROOT}/#\ntopic deny $SYS/#\n"
    )
    lines = [f"password_file {folder / 'users'}", f"acl_file {folder / 'acl'}", "log_type all"]
    lines += [f"cafile {authority}", f"certfile {certificate}", f"keyfile {key}"]
    broker = Mosquitto(folder / "broker", lines)
    vehicle = folder / "vehicle.toml"
    table = {
        "host": "127.0.0.1",
        "ca_file": str(authority),
        "username": "logger",
        "password_file": str(folder / "logger"),
    }
    mqtt = "\n".join(f"{name} = {json.dumps(value)}" for name, value in table.items())
    vehicle.write_text(f"{DEMO.read_text(encoding='utf-8')}\n[mqtt]\nport = {broker.port}\n{mqtt}\n", encoding="utf-8")
    port = free_port()
    broker.start()
    words = ["run", "--config", str(vehicle), "--data", str(folder / "data"), "--port", str(port)]
    run = subprocess.Popen([*DUTYLOG, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield Rig(folder, broker, port)
    finally:
        run.send_signal(signal.SIGTERM)
        run.wait(LIMIT_S)
        broker.kill()


@contextmanager
def following(*options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run `dutylog follow`; give its process and address, and end it by its own pid."""
    process = subprocess.Popen(
        [*DUTYLOG, "follow", *options, "--port", "0"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        found = re.fullmatch(r"pages ready: (http://127\.0\.0\.1:\d+)/\n", process.stdout.readline())
        assert found, process.stderr.read() if process.stderr else ""
        yield process, found[1]
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


@pytest.fixture(scope="module")
def follower(rig: Rig) -> Iterator[str]:
    """A page that follows, once both know the units: before, nothing of a damper is told (shared/TOPICS.md)."""
    with following(*rig.options()) as (_, address):
        wait_until(lambda: is_measuring(address) and is_measuring(rig.vehicle_address), "both know the units", LIMIT_S)
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        pytest.skip("no browser here; install one (Debian: apt-get install chromium) to run these tests")
    with sync_playwright() as playwright:
        words = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
        running = playwright.chromium.launch(executable_path=program, headless=True, args=words)
        yield running
        running.close()


@contextmanager
def opened(browser: Browser, *addresses: str) -> Iterator[list[Page]]:
    """Give a page for each address, in contexts of their own, with a note of what they show."""
    with ExitStack() as stack:
        pages = []
        for address in addresses:
            context = browser.new_context(viewport={"width": 390, "height": 844})
            stack.callback(context.close)
            context.add_init_script(NOTE_WHAT_IS_SHOWN)
            page = context.new_page()
            page.set_default_timeout(LIMIT_S * 1000)
            page.goto(address)
            pages.append(page)
        yield pages


def live(address: str) -> dict[str, Any]:
    try:
        answer: dict[str, Any] = httpx.get(f"{address}/api/live", timeout=5).json()
    except (httpx.HTTPError, ValueError):
        return {"link": "", "snapshot": None, "notice": None}
    return answer


def health(address: str) -> dict[str, Any]:
    answer: dict[str, Any] = httpx.get(f"{address}/health.json", timeout=5).json()
    return answer


def is_live(address: str) -> bool:
    return bool(live(address)["link"] == "live")


def is_measuring(address: str) -> bool:
    """Whether readings are fresh and each place has its unit."""
    dampers = (live(address)["snapshot"] or {}).get("dampers", [])
    return is_live(address) and bool(dampers) and all(one["unit_id"] for one in dampers)


@pytest.mark.browser
def test_both_pages_show_the_same_for_the_same_snapshot(rig: Rig, follower: str, browser: Browser) -> None:
    """Whoever looks in camp and whoever looks in the vehicle talk about the same figures."""
    with opened(browser, rig.vehicle_address, follower) as (there, here):

        def both() -> list[str]:
            ours, theirs = (page.evaluate("Object.keys(shown)") for page in (here, there))
            return [key for key in ours if key in theirs]

        common = wait_until(lambda: len(found := both()) >= 5 and found, "five snapshots on both pages", LIMIT_S)
        for key in common:
            shown = [page.evaluate("(key) => shown[key]", key) for page in (there, here)]
            assert shown[0] == shown[1]
            assert "front left" in shown[0][3]
        expect(here.locator("#dampers .row")).to_have_count(4)
        assert [a.inner_text() for a in there.locator("nav a").all()] == ["Live", "Trips", "Dampers"]
        assert [a.inner_text() for a in here.locator("nav a").all()] == ["Live"]
        assert here.locator("a[href^='/sign-in'], form").count() == 0


def test_the_snapshots_behind_them_are_equal_field_by_field(rig: Rig, follower: str) -> None:
    """Also what this page happens not to show, such as what scripts read from /api/live."""

    def same() -> tuple[Any, Any] | None:
        there, here = live(rig.vehicle_address)["snapshot"], live(follower)["snapshot"]
        return (there, here) if there and here and there["seq"] == here["seq"] else None

    there, here = wait_until(same, "the same snapshot on both", LIMIT_S)
    if not there["utc_trusted"]:
        there["utc_ns"] = 0
    for damper in there["dampers"]:
        damper |= {"body_raw_c": None, "travel_raw": None, "travel_raw_noise": None}
    assert len(there["dampers"]) == 4
    assert here == there


def test_what_needs_the_ledger_and_what_writes_is_not_offered(follower: str) -> None:
    """A page that follows can't acknowledge, rename or sign anybody in, and says where trips are."""
    with httpx.Client(base_url=follower, timeout=10) as client:
        for path in ("/trips", "/trips/1", "/dampers", "/dampers/DEMO-F1", "/dampers/DEMO-F1/life", "/due"):
            answer = client.get(path)
            assert answer.status_code == 404
            assert answer.text.count("vehicle&#39;s own machine") == 1
        error = client.get("/api/trips").json()["error"]
        assert "\n" not in error
        for path in ("/alerts/1/acknowledge", "/trips/1/name", "/sign-in", "/sign-out"):
            assert client.post(path, json={}).status_code in (404, 405)
        assert client.get("/sign-in").status_code == 404
        assert "ledger: none here" in client.get("/health").text


def test_hostile_payloads_change_nothing_and_are_counted(rig: Rig, follower: str) -> None:
    """Over a real broker, from somebody who may write there."""
    wait_until(lambda: is_live(follower), "live", LIMIT_S)
    before = health(follower)["feed"]
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.tls_set(ca_certs=str(rig.folder / "ca.pem"))
    client.username_pw_set("logger", SECRETS["logger"])
    client.connect("127.0.0.1", rig.broker.port)
    client.loop_start()
    good = json.dumps({"schema": 1, "state": "online"}).encode()
    junk = [b"", b"hello", b"[]", b"\xff\xfe", b'{"schema":2}', b'{"schema":1,"body_c":NaN}', b"[" * 20_000]
    junk += [b'{"schema":1,"positions":["a"]}', b'{"schema":1,"x":"' + b"x" * 60_000 + b'"}']
    try:
        for payload in junk:
            for topic in ("live/front_left", "vehicle"):
                client.publish(f"{ROOT}/{topic}", payload)
        for number in range(2000):
            client.publish(f"{ROOT}/live/made_up_{number}", b'{"schema":1}')
        client.publish(f"{ROOT}/live/front_left", b"x" * 5_000_000)  # the broker keeps what we don't take
        client.publish("dutylog/v1/other/vehicle", good)
        client.publish(f"{ROOT}/live/front/left", good)
        client.publish(f"{ROOT}/status", b"\x00", qos=1).wait_for_publish(LIMIT_S)
        expected = before["garbled_count"] + 2 * len(junk) + 2000 + 1
        wait_until(lambda: health(follower)["feed"]["garbled_count"] == expected, "all counted", LIMIT_S)
    finally:
        client.disconnect()
        client.loop_stop()
    wait_until(lambda: is_live(follower), "still live", LIMIT_S)
    after = health(follower)["feed"]
    assert (after["connects_count"], after["disconnects_count"]) == (before["connects_count"], 0)
    positions = [damper["position"] for damper in live(follower)["snapshot"]["dampers"]]
    assert positions == ["front_left", "front_right", "rear_left", "rear_right"]


def test_the_broker_never_hears_anything_but_a_wish_to_listen(rig: Rig, follower: str) -> None:
    """Seen from the broker's side: no will, nothing published, only this vehicle's topics asked for."""
    wait_until(lambda: is_live(follower), "live", LIMIT_S)
    lines = rig.broker.log().splitlines()
    names = re.findall(r"as (dutylog-demo-follow-[0-9a-f]{8}) \(p5, c1, k15, u'camp'\)", "\n".join(lines))
    assert names
    name = names[0]
    received = {line.split("Received ", 1)[1].split(" from ")[0] for line in lines if f"from {name}" in line}
    assert {"SUBSCRIBE"} <= received <= {"SUBSCRIBE", "PUBACK", "PINGREQ"}
    assert len(set(names)) == len(names)  # each start has a name of its own, so none throws another out
    asked = {line.rsplit(" ", 1)[1] for line in lines if re.search(rf": {name} [01] dutylog/", line)}
    assert asked == {f"{ROOT}/status", f"{ROOT}/vehicle", f"{ROOT}/live/+"}
    start = next(i for i, line in enumerate(lines) if f"as {name} " in line)
    assert "No will message specified." in lines[start + 1]


def test_the_password_is_nowhere_but_in_its_file(rig: Rig) -> None:
    """Command lines are for all to see."""
    with following(*rig.options()) as (process, address):
        wait_until(lambda: is_live(address), "live", LIMIT_S)
        seen = Path(f"/proc/{process.pid}/cmdline").read_bytes() + Path(f"/proc/{process.pid}/environ").read_bytes()
        assert SECRETS["camp"].encode() not in seen
        assert SECRETS["camp"] not in httpx.get(f"{address}/health.json").text


@pytest.mark.parametrize(
    ("user", "vehicle", "said"),
    [("camp", "other", "nothing comes of vehicle other"), ("logger_", "demo", "check mqtt.username")],
)
def test_why_nothing_is_shown_stands_on_the_page(rig: Rig, user: str, vehicle: str, said: str) -> None:
    """A wrong id, a wrong name: said before the first snapshot, where somebody looks."""
    (rig.folder / "logger_").write_text("wrong\n")
    (rig.folder / "logger_").chmod(0o600)
    with following(*rig.options(user), "--vehicle", vehicle) as (_, address):
        wait_until(lambda: said in (live(address)["notice"] or ""), "said", LIMIT_S)
        assert live(address)["snapshot"] is None


@pytest.mark.browser
def test_a_killed_broker_is_stale_in_time_said_and_followed_again_by_itself(
    rig: Rig, follower: str, browser: Browser
) -> None:
    """The last: a broker that forgets everything, as after a cut of its power."""
    wait_until(lambda: is_measuring(follower), "live", LIMIT_S)
    connects_count = health(follower)["feed"]["connects_count"]
    with opened(browser, follower) as (page,):
        expect(page.locator("#link-word")).to_have_text("live", timeout=LIMIT_S * 1000)
        page.evaluate(
            """() => new MutationObserver(() => {
                const { link } = document.getElementById("live").dataset;
                if (link !== "stale" || window.staleAfter) return;
                window.staleAfter = performance.now() - window.heardAt;
                window.saidFirst = document.getElementById("stale-age").textContent;
            }).observe(document.getElementById("live"), { attributes: true })"""
        )
        rig.broker.kill()
        expect(page.locator("#link-word")).to_have_text("stale", timeout=LIMIT_S * 1000)
        expect(page.locator("#way")).to_have_text(re.compile("out of reach"), timeout=LIMIT_S * 1000)
        limit_s = OLD_AFTER_S + NETWORK_S
        # never before the limit, by the age of the readings themselves, which may have come late
        assert page.evaluate("saidFirst") == f"no new data for {limit_s:.0f} s"
        # ten times the limit is for a machine shared with other tests
        assert page.evaluate("staleAfter") <= 10_000 * limit_s
        expect(page.locator("#dampers .row")).to_have_count(4)
        rig.broker.start()
        expect(page.locator("#link-word")).to_have_text("live", timeout=2 * LIMIT_S * 1000)
        expect(page.locator("#way")).to_be_hidden(timeout=LIMIT_S * 1000)
    assert health(follower)["feed"]["connects_count"] == connects_count + 1


@pytest.fixture
def spoken_for(tmp_path: Path) -> Iterator[tuple[Client, str]]:
    """Give a client that speaks for a vehicle, and the address of a page that follows it."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    file = tmp_path / "follow.toml"
    table = f'host = "127.0.0.1"\nport = {broker.port}\ntls = false\n'
    file.write_text(f'[vehicle]\nid = "{VEHICLE}"\n[mqtt]\n{table}')
    try:
        with following("--config", str(file)) as (_, address):
            yield client, address
    finally:
        client.disconnect()
        client.loop_stop()
        broker.kill()


def test_a_logger_that_says_goodbye_is_said(spoken_for: tuple[Client, str]) -> None:
    """Off is something else than out of reach."""
    client, address = spoken_for
    payload = json.dumps({"schema": 1, "state": "offline"})
    client.publish(f"dutylog/v1/{VEHICLE}/status", payload, qos=1, retain=True)
    wait_until(lambda: live(address)["notice"] == OFFLINE_TEXT, "said", LIMIT_S)


@pytest.mark.browser
def test_an_open_alert_is_shown_and_nobody_is_asked_to_acknowledge_it(
    spoken_for: tuple[Client, str], browser: Browser
) -> None:
    """That takes the vehicle's own page; a button that does nothing would be a promise."""
    client, address = spoken_for
    numbers = itertools.count(1)

    def speak() -> bool:
        for heard in messages(replace(talkative(next(numbers)), alerts=(ALERT,))):
            client.publish(heard.topic, heard.payload)
        return live(address)["snapshot"] is not None

    wait_until(speak, "a snapshot", LIMIT_S)
    with opened(browser, address) as (page,):
        expect(page.locator(".alert-text")).to_have_text(ALERT.text, timeout=LIMIT_S * 1000)
        expect(page.locator("#dampers .row")).to_have_count(4)
        assert page.locator("#alerts a, .alert button, .alert-action").count() == 0
