"""Exit status and words of `dutylog`, and `dutylog config`."""

from __future__ import annotations

import importlib
import subprocess
import sys
import types
from pathlib import Path

import click
import pytest

from dutylog import __version__
from dutylog.cli import main as cli
from dutylog.config import example_text
from dutylog.errors import ConfigError, LedgerFull, OutputRejected

EXAMPLE = Path(__file__).parents[2] / "shared" / "example_vehicle.toml"


@pytest.fixture
def failing(monkeypatch):
    """Return a way to make `dutylog trip` raise something."""

    def arrange(error: BaseException) -> None:
        @click.command()
        def trip() -> None:
            raise error

        module = types.ModuleType("dutylog_failing_command")
        module.trip = trip  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, module.__name__, module)
        monkeypatch.setitem(cli.COMMANDS, "trip", (module.__name__, "Fails."))

    return arrange


def run(*arguments: str, **more) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "import sys; from dutylog.cli.main import main; sys.exit(main())", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, **more)


@pytest.mark.parametrize("name", sorted(cli.COMMANDS))
def test_every_command_is_where_the_table_says(name):
    """The table is text; a renamed module would only be noticed by the person who calls it."""
    module, line = cli.COMMANDS[name]
    command = getattr(importlib.import_module(module), name)
    assert isinstance(command, click.Command)
    assert command.name == name
    assert line.endswith(".")


def test_help_names_every_command_and_loads_none():
    """Help must answer at once on a small board, so it may not import numpy or pydantic."""
    code = (
        "import sys; from dutylog.cli.main import main; status = main(['-h'])\n"
        "loaded = {'numpy', 'pydantic', 'pyarrow', 'fastapi', 'uvicorn', 'dutylog.cli.config'} & set(sys.modules)\n"
        "sys.exit(str(loaded) if loaded else status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    for name in cli.COMMANDS:
        assert f"\n  {name} " in done.stdout


def test_version(capsys):
    """Both numbers are asked for in a bug report."""
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out == f"dutylog {__version__}, engine 1\n"


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["confg"], 'dutylog: no command "confg"; did you mean "config"? known: access, '),
        (["--nope"], "dutylog: No such option"),
        (["config", "check"], "dutylog: Missing argument 'FILE' (see dutylog config check -h)\n"),
        (["config", "nope"], "dutylog: No such command 'nope'"),
        (["config", "check", "a", "b"], "dutylog: Got unexpected extra argument (b)"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(capsys, arguments, expected):
    """No usage block, no traceback."""
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(expected)
    assert err.count("\n") == 1


@pytest.mark.parametrize("arguments", [[], ["config"]])
def test_a_bare_group_shows_its_help(capsys, arguments):
    """On stderr, as nothing was done; status 2 for the same reason."""
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("Usage: dutylog")
    assert "Commands:" in err


def test_each_problem_is_a_line(capsys, failing):
    """Two problems, two lines, each with the program's name so that they can be found in a system log."""
    failing(ConfigError(["t.toml: a: bad", "t.toml: b: bad"]))
    assert cli.main(["trip"]) == 2
    assert capsys.readouterr().err == "dutylog: t.toml: a: bad\ndutylog: t.toml: b: bad\n"


@pytest.mark.parametrize("error", [LedgerFull("disk full"), OutputRejected("refused", [1])])
def test_every_error_of_ours_is_status_2(capsys, failing, error):
    """The whole tree, not only the two that people meet most."""
    failing(error)
    assert cli.main(["trip"]) == 2
    assert capsys.readouterr().err == f"dutylog: {error}\n"


def test_an_error_without_words_still_says_something(capsys, failing):
    """An empty line would be worse than none."""
    failing(LedgerFull())
    assert cli.main(["trip"]) == 2
    assert capsys.readouterr().err == "dutylog: LedgerFull\n"


def test_ctrl_c(capsys, failing):
    """Quiet, with the status that shells expect."""
    failing(KeyboardInterrupt())
    assert cli.main(["trip"]) == 130
    failing(click.Abort())
    assert cli.main(["trip"]) == 130
    assert "Traceback" not in capsys.readouterr().err


def test_a_subcommand_can_choose_its_status(failing):
    """A check that finds faults ends with a status of its own."""
    failing(click.exceptions.Exit(3))
    assert cli.main(["trip"]) == 3


def test_a_fault_of_ours_names_its_place(capsys, failing, monkeypatch):
    """The line must be enough to file a report, the traceback only a variable away."""
    monkeypatch.delenv(cli.DEBUG_VARIABLE, raising=False)
    failing(ZeroDivisionError("two\nlines"))
    assert cli.main(["trip"]) == 70
    err = capsys.readouterr().err
    assert err.startswith("dutylog: unexpected ZeroDivisionError at cli/main.py:")
    assert err.endswith(
        ": two lines; this is a fault of dutylog, run it again with DUTYLOG_DEBUG=1 for the traceback\n"
    )
    assert err.count("\n") == 1
    monkeypatch.setenv(cli.DEBUG_VARIABLE, "1")
    assert cli.main(["trip"]) == 70
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_the_place_is_the_innermost_of_ours(capsys, monkeypatch, tmp_path):
    """Deep in a library says nothing; where we called it does."""
    monkeypatch.setattr("dutylog.config.loader.tomllib.loads", lambda _: 1 / 0)
    path = tmp_path / "t.toml"
    path.write_text("")
    assert cli.main(["config", "check", str(path)]) == 70
    assert "unexpected ZeroDivisionError at config/loader.py:" in capsys.readouterr().err


def test_a_full_disk_is_no_fault_of_ours(capsys, failing):
    """The remedy is to make room, not to file a report."""
    failing(OSError(28, "No space left on device", "duty/x"))
    assert cli.main(["trip"]) == 2
    assert capsys.readouterr().err == "dutylog: no space left on the disk for duty/x; make room and run it again\n"


def test_broken_pipe_is_quiet():
    """`dutylog ... | head` must not print a traceback at its end."""
    code = "import sys; from dutylog.cli.main import main; sys.exit(main())"
    with subprocess.Popen(
        [sys.executable, "-c", code, "config", "example"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) == 141


def test_config_check_shows_what_a_good_file_says(capsys):
    """The figures a person would check by eye, worked out by hand from the example."""
    assert cli.main(["config", "check", str(EXAMPLE)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    lines = out.splitlines()
    assert lines[0] == f"{EXAMPLE} is good"
    assert lines[2] == "vehicle  Example pre-runner (example_prerunner)"
    assert " ".join(lines[4].split()) == "position wheel serial profile stroke force at 1 m/s limits"
    assert " ".join(lines[5].split()) == (
        "front_left front_left FL-0001 front 254 mm (10.0 in) 2050 / -2900 N body 120 °C (248 °F), oil 140 °C (284 °F)"
    )
    # 650 + 0.7 * 2450 / 2.7 = 1285 to 1900 + 0.7 * 6900 / 2.7 = 3689; -900 - 0.7 * 3300 / 2.7 = -1756
    assert "rear_left_bypass   rear_left    RLB-0001  bypass   330.2 mm (13.0 in)  1285…3689 / -1756…-2122 N" in out
    assert "note:" not in out


def test_config_check_shows_notes_last(capsys, tmp_path, good):
    """A note doesn't make a file bad."""
    path = tmp_path / "t.toml"
    path.write_text(good + '[web]\nlisten = "0.0.0.0"\n', encoding="utf-8")
    assert cli.main(["config", "check", str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == (
        f'note: {path}:43: web.listen: "0.0.0.0": all who reach the page see it, once an access code is set '
        "(dutylog access set); without tls = true the code travels readable for all on the way"
    )


def test_config_check_tells_every_problem(tmp_path, good):
    """As a process, because this is the command of the contract."""
    (tmp_path / "truck.toml").write_text(good.replace("254.0\n", "0.254\n").replace('"A-2"', '"A-1"'), encoding="utf-8")
    done = run("config", "check", "truck.toml", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines() == [
        'dutylog: truck.toml:11: damper[2].serial: "A-1" is also that of damper[1]',
        "dutylog: truck.toml:15: profile.front.stroke_mm: 0.254 is outside 50 to 1000 mm; looks like metres; write 254",
    ]


def test_config_example_prints_the_example(capsys):
    """Ready to be redirected into a file."""
    assert cli.main(["config", "example"]) == 0
    assert capsys.readouterr().out == example_text()
