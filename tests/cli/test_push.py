"""`dutylog push`: with a real daemon that logs while somebody pushes, and on recordings of it."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from dutylog import config
from dutylog.cli.main import main
from dutylog.cli.push import CAUTIONS, push
from dutylog.ledger.push_tests import history
from ledger.builders import open_ledger
from motion.pushed import DEMO, in_turn_m, push_travel_m, sense_m

CHILD = Path(__file__).with_name("push_child.py")
DEMO_FILE = str(Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml")
PACE = 8.0
LIMIT_S = 120.0
POSITIONS = [damper.position for damper in DEMO.dampers]


@pytest.fixture(scope="module")
def rounds_m() -> list[np.ndarray[Any, Any]]:
    """Return two rounds of travel: sound, and with 30 % of every damping force gone."""
    return [in_turn_m(push_travel_m(DEMO, factor=factor)) for factor in (1.0, 0.7)]


@pytest.fixture(scope="module")
def recordings(rounds_m: list[np.ndarray[Any, Any]], tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Return the same as recordings of a 12-bit sensor."""
    folder, rng = tmp_path_factory.mktemp("pushes"), np.random.default_rng(3)
    files = []
    for number, travel_m in enumerate(rounds_m):
        read_mm = sense_m(travel_m, "adc12", rng) * 1e3
        columns: dict[str, Any] = {f"{name}_travel_mm": read_mm[:, k] for k, name in enumerate(POSITIONS)}
        files.append(str(folder / f"round{number}.parquet"))
        pq.write_table(pa.table({"t_s": np.arange(len(read_mm)) / 1000.0, **columns}), files[-1])
    return files


# -- with a daemon


class Typed:
    """`dutylog push` in a process of its own, its prompts read and answered one by one."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-c", "import sys; from dutylog.cli.main import main; sys.exit(main())"]
        self.process = subprocess.Popen(
            [*command, "push", *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        self.text = ""

    def read_until(self, words: str) -> str:
        """Return all that was said up to some words, from where the last call ended."""
        assert self.process.stdout is not None
        deadline_s, begin = time.monotonic() + LIMIT_S, len(self.text)
        while words not in self.text[begin:]:
            ready, _, _ = select.select([self.process.stdout], [], [], max(0.0, deadline_s - time.monotonic()))
            piece = os.read(self.process.stdout.fileno(), 65_536) if ready else b""
            assert piece, f"never said {words!r}: {self.text}"
            self.text += piece.decode()
        return self.text[begin:]

    def answer(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")
        self.process.stdin.flush()

    def finish(self) -> tuple[int, str]:
        out, _ = self.process.communicate(timeout=LIMIT_S)
        return self.process.returncode, out.decode()

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


@pytest.fixture
def daemon(rounds_m: list[np.ndarray[Any, Any]], tmp_path: Path) -> Iterator[Path]:
    """Run core on a vehicle that waits to be pushed; gives its data folder, in which `go0` begins a round."""
    data = tmp_path / "data"
    data.mkdir()
    np.savez(tmp_path / "rows.npz", *rounds_m)
    options = {"data": str(data), "pace": PACE, "rows": str(tmp_path / "rows.npz"), "folder": str(tmp_path)}
    with (tmp_path / "said").open("w") as said:
        process = subprocess.Popen(
            [sys.executable, str(CHILD), json.dumps(options)], stdout=said, stderr=subprocess.STDOUT
        )
    try:
        wait_for(lambda: (data / "core.sock").exists() and any((data / "log").glob("*.dlg")), "core listens")
        yield data
    finally:
        process.terminate()
        process.wait(LIMIT_S)


def wait_for(predicate: Any, what: str) -> None:
    deadline_s = time.monotonic() + LIMIT_S
    while not predicate():
        assert time.monotonic() < deadline_s, f"never happened: {what}"
        time.sleep(0.05)


def push_round(data: Path, number: int, *arguments: str) -> str:
    """Lead `dutylog push` through a round in which every corner is pushed three times; return what it said."""
    typed = Typed("--data", str(data), "--by", "Ann", *arguments)
    try:
        said = typed.read_until("Is all of this seen to?")
        assert CAUTIONS in said
        typed.answer("y")
        said += typed.read_until("Enter, then begin")
        typed.answer("")
        said += typed.read_until("Enter when the last one has come to rest")
        (data.parent / f"go{number}").touch()
        wait_for((data.parent / f"done{number}").exists, "the pushes are over")
        typed.answer("")
        said += typed.read_until("q stores nothing")
        typed.answer("s")
        status, rest = typed.finish()
        assert status == 0
        return said + rest
    finally:
        typed.stop()


@pytest.mark.slow
def test_a_vehicle_pushed_with_a_third_less_damping_is_told(daemon: Path) -> None:
    """The whole way: cautions, pushes logged by a real daemon, table, ledger; then worn, against the same units."""
    first = push_round(daemon, 0, "--when", "before", "--note", "as found")
    assert "not pushed before with this damper" in first
    assert "front_left against front_right: damping ratio" in first
    assert "push test of 4 corners stored by Ann as entry" in first
    second = push_round(daemon, 1, "--when", "after")
    for position in POSITIONS:
        (line,) = [line for line in second.splitlines() if line.startswith(f"{position}: damping ratio -")]
        assert "against before service (entry" in line
        assert "fell by more than pushes differ by (10%)" in line
        fall = int(line.split("damping ratio -")[1].split("%")[0])
        assert 25 <= fall <= 45
    with open_ledger(daemon) as ledger:
        before, after = history(ledger)
        assert ledger.verify_chain() is None
    assert (before.when, before.note, after.when) == ("before", "as found", "after")
    for test in (before, after):
        assert [corner.position for corner in test.corners] == POSITIONS
        assert all(len(corner.pushes) == 3 and len(corner.units) == 1 for corner in test.corners)


def test_who_does_not_confirm_the_cautions_pushes_nothing(daemon: Path) -> None:
    runner = CliRunner().invoke(push, ["--data", str(daemon), "--by", "Ann"], input="n\n", catch_exceptions=False)
    assert "Enter, then begin" not in runner.output
    assert runner.output.endswith("nothing was stored\n")


def test_a_round_in_which_nobody_pushed_can_not_be_stored(daemon: Path) -> None:
    answers = "y\n\n\ns\nq\n"
    done = CliRunner().invoke(push, ["--data", str(daemon), "--by", "Ann"], input=answers, catch_exceptions=False)
    assert "front_left: 0 of 3 pushes can be used; push it again" in done.output
    assert done.output.count("a pushes again, q ends") == 2  # `s` wasn't taken
    assert done.output.endswith("nothing was stored\n")
    with open_ledger(daemon) as ledger:
        assert history(ledger) == []


# -- on recordings


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(["push", *arguments]) == 0
    return capsys.readouterr().out


def refuse(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(["push", *arguments]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    return err


def test_a_recording_alone_is_shown_and_stored_nowhere(
    recordings: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    out = run(capsys, "--recording", recordings[0], "--config", DEMO_FILE)
    rows = [line.split() for line in out.splitlines()[1:5]]
    assert [row[0] for row in rows] == POSITIONS
    assert [row[1] for row in rows] == ["3"] * 4
    # both ends of an axle are alike here, and the ratios those of tests/motion/test_free_decay.py
    assert float(rows[0][3]) == pytest.approx(0.285, abs=0.01)
    assert float(rows[2][3]) == pytest.approx(0.46, abs=0.02)
    assert "front_left against front_right: damping ratio +0%, no more than pushes differ by" in out
    assert out.endswith("nothing was stored (no data folder named)\n")


def test_recordings_are_stored_compared_and_listed(
    recordings: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a daemon, in a folder whose dampers somebody named."""
    with open_ledger(tmp_path) as ledger:
        ledger.put_vehicle(DEMO)
        for position in POSITIONS:
            profile = next(d.profile for d in DEMO.dampers if d.position == position)
            ledger.install(ledger.add_unit(f"SN-{position}", profile).unit_id, position)
    data = ["--config", DEMO_FILE, "--data", str(tmp_path)]
    run(capsys, "--recording", recordings[0], *data, "--by", "Ann", "--when", "before")
    out = run(capsys, "--recording", recordings[1], *data, "--by", "Bo", "--when", "after", "--format", "json")
    content = json.loads(out)
    assert (content["by"], content["when"]) == ("Bo", "after")
    for corner in content["corners"]:
        assert len(corner["pushes"]) == 3
        assert corner["refused"] == []
        against = corner["against_last"]
        assert (against["when"], against["verdict"]) == ("before", "fell")
        assert -0.45 < against["change_ratio"] < -0.25
    assert [(s["left"], s["right"], s["verdict"]) for s in content["sides"]] == [
        ("front_left", "front_right", "alike"),
        ("rear_left", "rear_right", "alike"),
    ]
    shown = run(capsys, "show", "--data", str(tmp_path))
    assert "SN-front_left" in shown
    assert "before service" in shown
    stored = json.loads(run(capsys, "show", "--data", str(tmp_path), "--format", "json"))["push_tests"]
    assert [test["entry"] for test in stored] == [content["entry"] - 1, content["entry"]]
    assert stored[1]["corners"][0]["damping_ratio"] == content["corners"][0]["damping_ratio"]


def test_a_dry_run_stores_nothing_and_needs_no_name(
    recordings: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_ledger(tmp_path) as ledger:
        ledger.put_vehicle(DEMO)
    out = run(capsys, "--recording", recordings[0], "--data", str(tmp_path), "--dry-run")
    assert "front_left: no damper is named there, so nothing to compare with" in out
    assert out.endswith("nothing was stored (--dry-run)\n")
    with open_ledger(tmp_path) as ledger:
        assert history(ledger) == []
    assert run(capsys, "show", "--data", str(tmp_path)).startswith("no push tests yet")


def test_a_recording_of_a_drive_has_no_pushes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is measured at speed is the road's."""
    t_s = np.arange(20_000) / 1000.0
    columns = {f"{name}_travel_mm": 100.0 + 20.0 * np.sin(2 * np.pi * 1.3 * t_s) for name in POSITIONS}
    file = tmp_path / "drive.parquet"
    pq.write_table(pa.table({"t_s": t_s, **columns, "speed_mps": np.full(20_000, 12.0)}), file)
    err = refuse(capsys, "--recording", str(file), "--config", DEMO_FILE)
    assert "no corner swung back freely after a push" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--recording", "none.parquet", "--config", DEMO_FILE], "none.parquet"),
        (["--config", DEMO_FILE], "the running daemon's data folder is needed"),
        (["--config", DEMO_FILE, "--when", "never"], "'never' is not one of"),
    ],
)
def test_bad_input_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert words in refuse(capsys, *arguments)


def test_no_daemon_and_no_name_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with open_ledger(tmp_path) as ledger:
        ledger.put_vehicle(DEMO)
    assert "give --by NAME, or --dry-run" in refuse(capsys, "--data", str(tmp_path))
    done = CliRunner().invoke(push, ["--data", str(tmp_path), "--by", "Ann"], input="y\n\n")
    assert f"no daemon runs on {tmp_path}; start `dutylog run`, or give --recording FILE" in str(done.exception)


def test_cautions_say_what_can_hurt() -> None:
    for words in ("Level", "parking brake", "engine off", "jack", "burn", "never on a damper", "stay clear", "manual"):
        assert words in CAUTIONS
