"""What people who watch cost: pages and core of a real `dutylog run`, without viewers, with 20, and with a browser.

Started with an address it is the viewers: so many streams in one process, which says at its end what it saw.
"""

from __future__ import annotations

import itertools
import json
import os
import selectors
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Thread
from urllib.parse import urlsplit

from dutylog import config
from dutylog.publish.core_link import LineSplitter
from dutylog.sockets import LIVE, unix_address

VIEWERS = 20
SETTLE_S, SPAN_S, PATIENCE_S = 15.0, 60.0, 60.0
DEMO = Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml"
TICK_HZ = os.sysconf("SC_CLK_TCK")
TIMER = "import time\nwhile True: time.sleep(1.0)"
"""An empty process that wakes once a second: what waking alone costs here."""
CORE, PAGES = "dutylog.daemon.core", "dutylog.web"


@dataclass
class CoreWatch:
    """Notes when each snapshot leaves core, straight from its socket. late_s: beyond the quickest of all."""

    data_dir: Path
    seen: list[tuple[float, float, float]] = field(default_factory=list)
    """(arrival, time of the readings, standing) [s]"""
    dropped_count: int = 0
    stop: Event = field(default_factory=Event)

    def run(self) -> None:
        """Read until stopped."""
        splitter = LineSplitter()
        with unix_address(self.data_dir, LIVE) as path, socket.socket(socket.AF_UNIX) as line:
            line.connect(path)
            line.settimeout(0.5)
            while not self.stop.is_set():
                try:
                    data = line.recv(1 << 16)
                except TimeoutError:
                    continue
                arrived_s = time.monotonic()
                for text in splitter.push(data):
                    shot = json.loads(text)
                    self.seen.append((arrived_s, shot["mono_s"], shot["standing_s"]))
                    self.dropped_count = sum(shot["drops"].values())

    def between(self, start_s: float, end_s: float) -> str:
        """Return what happened between two moments, for people."""
        inside = [(arrived, mono) for arrived, mono, _ in self.seen if start_s <= arrived < end_s]
        least_s = min(arrived - mono for arrived, mono, _ in self.seen)
        late_ms = sorted(1e3 * (arrived - mono - least_s) for arrived, mono in inside)
        gaps_s = [b[0] - a[0] for a, b in itertools.pairwise(inside)]
        standing_s = max((standing for arrived, _, standing in self.seen if start_s <= arrived < end_s), default=0.0)
        return (
            f"{len(inside)} tiles, largest gap between two commits {max(gaps_s):.3f} s; later than the quickest: "
            f"median {statistics.median(late_ms):.0f} ms, longest {late_ms[-1]:.0f} ms; stood still {standing_s:g} s"
        )


def cpu_s(pid: int) -> float:
    """Return user and system time of a process [s]. Source: proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK_HZ


def children_of(pid: int) -> dict[str, int]:
    """Return {module: pid} of the processes a supervisor started."""
    found = {}
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split():
        words = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
        if "-m" in words:
            found[words[words.index("-m") + 1]] = int(child)
    return found


def viewer_lines(folder: Path) -> list[str]:
    """Measure; return lines for people."""
    data = folder / "viewers"
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    words = ["run", "--config", str(DEMO), "--data", str(data), "--port", str(port)]
    with (
        process([sys.executable, "-m", "dutylog.cli.main", *words], stdout=subprocess.DEVNULL) as run,
        process([sys.executable, "-c", TIMER]) as timer,
    ):
        wait_until(lambda: {CORE, PAGES} <= set(children_of(run.pid)), "core and pages run")
        wait_until(lambda: is_served(port), "the pages answer")
        watch = CoreWatch(data)
        thread = Thread(target=watch.run)
        thread.start()
        try:
            time.sleep(SETTLE_S)
            pids = {"core": children_of(run.pid)[CORE], "pages": children_of(run.pid)[PAGES], "timer": timer.pid}
            lines = measure(pids, watch, address)
        finally:
            watch.stop.set()
            thread.join()
    return [*lines, f"lines core dropped for whoever was too slow: {watch.dropped_count}", *check_log(data)]


def measure(pids: dict[str, int], watch: CoreWatch, address: str) -> list[str]:
    """Go through the phases; return lines for people."""
    lines: list[str] = []
    shares = []
    for name, viewers in (("no viewer", 0), (f"{VIEWERS} viewers", VIEWERS), ("no viewer again", 0)):
        with ExitStack() as stack:
            seen = stack.enter_context(watching(address, viewers)) if viewers else None
            share = phase(pids, watch, name, lines)
        shares.append(share)
        if seen is not None:
            lines.append(f"  {' '.join(seen)}")
    idle = {name: (shares[0][name] + shares[2][name]) / 2 for name in pids}
    more = {name: shares[1][name] - idle[name] for name in pids}
    lines.append(
        f"{VIEWERS} viewers cost {more['pages'] + more['core']:+.2%} of one processor: pages {more['pages']:+.2%}, "
        f"core {more['core']:+.2%} (core alone {idle['core']:.2%}: a ratio of {shares[1]['core'] / idle['core']:.2f}); "
        f"asked for: less than 5 %"
    )
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        return [*lines, "no browser here, so none was measured"]
    with watching(address, VIEWERS), browsing(program, address):
        phase(pids, watch, f"{VIEWERS} viewers and a real browser on the same machine", lines)
    return lines


def phase(pids: dict[str, int], watch: CoreWatch, name: str, lines: list[str]) -> dict[str, float]:
    """Measure for SPAN_S; add lines, return the share of one processor that each process took."""
    before, start_s = {who: cpu_s(pid) for who, pid in pids.items()}, time.monotonic()
    time.sleep(SPAN_S)
    end_s = time.monotonic()
    share = {who: (cpu_s(pid) - before[who]) / (end_s - start_s) for who, pid in pids.items()}
    lines.append(
        f"{name}: pages {share['pages']:.2%}, core {share['core']:.2%} of one processor over {end_s - start_s:.0f} s;"
        f" an empty process that wakes once a second {share['timer']:.2%}; load {os.getloadavg()[0]:.1f}"
    )
    lines.append(f"  {watch.between(start_s, end_s)}")
    return share


@contextmanager
def watching(address: str, viewers: int) -> Iterator[list[str]]:
    """Have so many viewers in a process of their own; the list holds what they saw, once they are gone."""
    seen: list[str] = []
    command = [sys.executable, "-m", "tests.benchmark_viewers", address, str(viewers)]
    with process(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline() == "all watch\n"
        yield seen
        child.stdin.close()
        seen.append(child.stdout.read().strip())


@contextmanager
def browsing(program: str, address: str) -> Iterator[None]:
    """Have a real browser show the live page."""
    from playwright.sync_api import sync_playwright

    arguments = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, headless=True, args=arguments)
        page = browser.new_page()
        page.goto(address)
        page.locator("#link-word", has_text="live").wait_for(timeout=PATIENCE_S * 1e3)
        yield
        browser.close()


@contextmanager
def process(command: list[str], **options: object) -> Iterator[subprocess.Popen[str]]:
    """Run a program; end it by its own pid."""
    child: subprocess.Popen[str] = subprocess.Popen(command, **options)  # type: ignore[call-overload]
    try:
        yield child
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(PATIENCE_S)


def wait_until(predicate: Callable[[], object], what: str) -> None:
    """Wait for something in another process."""
    deadline_s = time.monotonic() + PATIENCE_S
    while not predicate():
        if time.monotonic() > deadline_s:
            raise SystemExit(f"not within {PATIENCE_S:.0f} s: {what}")
        time.sleep(0.1)


def is_served(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def check_log(data: Path) -> list[str]:
    """Return what the raw log says of itself: nothing may be missing."""
    command = [sys.executable, "-m", "dutylog.cli.main", "recording", "check", str(data / "log")]
    said = subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip().splitlines()
    return ["raw log afterwards: " + "; ".join(said)]


def watch_streams(address: str, viewers: int) -> str:
    """Be the viewers until standard input ends; return what they saw."""
    place = urlsplit(address)
    request = f"GET /events HTTP/1.1\r\nHost: {place.netloc}\r\n\r\n".encode()
    chooser = selectors.DefaultSelector()
    for number in range(viewers):
        line = socket.create_connection((place.hostname or "", place.port or 80))
        line.sendall(request)
        chooser.register(line, selectors.EVENT_READ, (number, LineSplitter(1 << 20)))
    chooser.register(sys.stdin, selectors.EVENT_READ, None)
    arrivals: list[list[float]] = [[] for _ in range(viewers)]
    under_way_ms: list[float] = []
    is_told = False
    while True:
        for key, _ in chooser.select():
            if key.data is None:
                return describe(arrivals, under_way_ms)
            number, splitter = key.data
            data = key.fileobj.recv(1 << 16)  # type: ignore[union-attr]
            if not data:
                raise SystemExit(f"viewer {number} was cut off")
            now_s = time.monotonic()
            for text in splitter.push(data):
                if text.startswith(b"data: {") and b'"snapshot":{' in text:
                    arrivals[number].append(now_s)
                    under_way_ms.append(1e3 * (now_s - json.loads(text[6:])["sent_mono_s"]))
        if not is_told and all(arrivals):
            is_told = True
            print("all watch", flush=True)


def describe(arrivals: list[list[float]], under_way_ms: list[float]) -> str:
    """Return what the viewers saw, for people."""
    counts = [len(times) for times in arrivals]
    gaps_s = [b - a for times in arrivals for a, b in itertools.pairwise(times)]
    ordered = sorted(under_way_ms)
    return (
        f"each viewer got {min(counts)} to {max(counts)} snapshots, largest gap {max(gaps_s):.2f} s;"
        f" from the pages to the viewer median {statistics.median(ordered):.1f} ms, longest {ordered[-1]:.1f} ms"
    )


if __name__ == "__main__":
    print(watch_streams(sys.argv[1], int(sys.argv[2])), flush=True)
