"""`dutylog check` as people and programs call it: lines, JSON, exit status, terminal, and its page."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest

from daemon.processes import DEMO
from dutylog import ENGINE
from dutylog.acquire.driver import Finding
from dutylog.cli.checks import ledger
from dutylog.cli.checks.findings import ORDER, failed_by, worst
from dutylog.cli.checks.report import SHAPES, text_lines, to_object
from dutylog.cli.checks.runner import SUBJECTS
from dutylog.cli.main import main
from dutylog.errors import ConfigError

PAGE = Path(__file__).parents[2] / "shared" / "CHECK.md"
GOOD, ODD, BAD = (
    Finding("clock", "pass", "goes"),
    Finding("backup", "look", "none", "make one"),
    Finding("disk", "fail", "full", "make room"),
)


def run(*arguments, **more):
    words = [sys.executable, "-m", "dutylog.cli.main", "check", *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, timeout=60, **more)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "data").mkdir(mode=0o750)
    return tmp_path / "data"


def test_each_finding_is_one_line_with_word_shape_and_remedy(folder):
    done = run("--config", DEMO, "--data", folder)
    assert (done.returncode, done.stderr) == (0, "")
    *lines, verdict = done.stdout.splitlines()
    assert len(lines) >= 6
    for line in lines:
        word, shape = line[:4], line[5:10]
        assert shape == SHAPES[word]
        assert (" -> " in line) == (word != "pass")
    assert re.fullmatch(r"verdict: look \(\d+ pass, \d+ look, 0 fail\)", verdict)
    assert "\x1b" not in done.stdout


def test_json_says_the_same(folder):
    done = run("--config", DEMO, "--data", folder, "--json")
    answer = json.loads(done.stdout)
    assert list(answer) == ["schema", "engine", "findings", "verdict"]
    assert (answer["schema"], answer["engine"], answer["verdict"]) == (1, ENGINE, "look")
    for one in answer["findings"]:
        assert set(one) == {field.name for field in fields(Finding)}
        assert bool(one["remedy"]) == (one["verdict"] != "pass")


def test_a_failure_ends_with_1(folder):
    folder.chmod(0o757)
    done = run("--config", DEMO, "--data", folder)
    assert done.returncode == 1
    assert "verdict: fail" in done.stdout
    assert f"-> chmod 750 {folder}" in done.stdout


@pytest.mark.parametrize("as_json", [(), ("--json",)])
def test_a_bad_vehicle_file_ends_with_2_and_the_rest_is_still_looked_at(tmp_path, folder, as_json):
    file = tmp_path / "truck.toml"
    file.write_text("[vehicle]\nname = 'x'\n")
    done = run("--config", file, "--data", folder, *as_json)
    assert (done.returncode, done.stderr) == (2, "")
    assert "damper: missing" in done.stdout
    assert "ledger" in done.stdout
    without = run("--config", file, *as_json)
    assert without.returncode == 2
    assert "Traceback" not in without.stdout + without.stderr


def test_a_vehicle_file_that_is_not_there_or_names_no_folder_ends_with_2(tmp_path):
    gone = run("--config", tmp_path / "none.toml")
    assert gone.returncode == 2
    assert "no such file" in gone.stdout
    nowhere = run("--config", DEMO)
    assert nowhere.returncode == 2
    assert "data.dir: missing" in nowhere.stdout
    assert run().returncode == 2


def terminal(*arguments, **environment):
    """Run with a terminal as standard output and error; return (status, what it showed)."""
    ours, theirs = pty.openpty()
    words = [sys.executable, "-m", "dutylog.cli.main", "check", *map(str, arguments)]
    process = subprocess.Popen(words, stdout=theirs, stderr=theirs, env=os.environ | environment)
    os.close(theirs)
    shown = b""
    try:
        while piece := os.read(ours, 65536):
            shown += piece
    except OSError:  # the other end is closed
        pass
    os.close(ours)
    return process.wait(60), shown.decode()


def test_a_terminal_sees_progress_and_colour_beside_the_words(folder):
    status, shown = terminal("--config", DEMO, "--data", folder)
    assert status == 0
    assert "\rlooking at daemon" in shown
    assert "\x1b[" in shown
    assert "look [ ? ]" in shown
    status, plain = terminal("--config", DEMO, "--data", folder, NO_COLOR="1")
    assert "\x1b" not in plain


def test_the_worst_finding_is_the_verdict():
    assert [worst(found) for found in ([], [GOOD], [GOOD, ODD], [BAD, ODD])] == ["pass", "pass", "look", "fail"]
    assert text_lines([GOOD, BAD])[-1] == "verdict: fail (1 pass, 0 look, 1 fail)"
    assert to_object([])["verdict"] == "pass"
    assert len({*SHAPES.values()}) == len(ORDER)


def test_an_error_of_ours_is_split_into_text_and_remedy():
    assert failed_by("a", ConfigError(["x: bad; write y"]), "z") == Finding("a", "fail", "x: bad", "write y")
    assert failed_by("a", ConfigError(["x: bad"]), "z") == Finding("a", "fail", "x: bad", "z")
    assert failed_by("a", ConfigError([""]), "z") == Finding("a", "fail", "ConfigError", "z")


def test_a_check_changes_nothing_in_the_folder(folder):
    (folder / "lock").write_text("12\n")
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    assert main(["check", "--config", str(DEMO), "--data", str(folder)]) == 0
    assert {path.name: path.stat().st_mtime_ns for path in folder.iterdir()} == before


def described_subjects():
    section = PAGE.read_text(encoding="utf-8").split("## Subjects", 1)[1].split("\n## ", 1)[0]
    return {row for line in section.splitlines() for row in re.findall(r"^\| `([^`]+)` \|", line)}


def test_every_subject_has_a_row_on_the_page():
    assert {name for name, _ in SUBJECTS} | {ledger.BACKUP} == described_subjects()


def test_every_field_of_the_json_has_a_row_on_the_page():
    section = PAGE.read_text(encoding="utf-8").split("## JSON", 1)[1].split("\n## ", 1)[0]
    told = set(re.findall(r"^\| `([^`]+)` \|", section, re.MULTILINE))
    expected = set(to_object([GOOD])) | {f"findings[].{field.name}" for field in fields(Finding)}
    assert told == expected
