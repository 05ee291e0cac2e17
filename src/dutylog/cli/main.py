"""The command `dutylog`: finds the subcommand, and turns every way to fail into one line and a number.

    0    done
    1    done, and what was asked about isn't in order (`dutylog check`)
    2    bad usage, configuration or input: one line for each problem
    70   a fault of dutylog itself (EX_SOFTWARE of BSD sysexits.h): one line with the place
    130  stopped with Ctrl-C (128 + SIGINT, as shells count)
    141  whoever read our output went away (128 + SIGPIPE), said by nobody

Subcommands are imported when they are used, so that `dutylog --help` answers at once.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

import click

from dutylog import ENGINE, __version__
from dutylog.errors import DutylogError

EXIT_BAD_INPUT = 2
EXIT_FAULT = 70
EXIT_INTERRUPTED = 130
EXIT_BROKEN_PIPE = 141
DEBUG_VARIABLE = "DUTYLOG_DEBUG"

COMMANDS = {
    "access": ("dutylog.cli.access", "Access code and certificate of the pages."),
    "alert": ("dutylog.cli.alert", "Alerts: list, acknowledge."),
    "bench": ("dutylog.cli.bench", "A shop's bench: setup, serve, account, import, backup, restore."),
    "bundle": ("dutylog.cli.bundle", "Pack what support needs into one file, without secrets."),
    "calibrate": ("dutylog.cli.calibrate", "Sensors: travel, temperature, show."),
    "card": ("dutylog.cli.card", "Duty cards: what a damper takes to the bench, and its key."),
    "check": ("dutylog.cli.check", "Is everything ready to measure, and what to do if not."),
    "config": ("dutylog.cli.config", "Check a vehicle file or print an example."),
    "damper": ("dutylog.cli.damper", "Dampers: list, show, add, install, remove."),
    "demo": ("dutylog.cli.demo", "Drive a simulated vehicle and show the live page."),
    "follow": ("dutylog.cli.follow", "Show the live page of a vehicle elsewhere, over a broker."),
    "gas": ("dutylog.cli.gas", "Nitrogen: expected, reading, fill, fitting-loss, show."),
    "heat": ("dutylog.cli.heat", "What was learned of each damper's heat: show, reset."),
    "integrate": ("dutylog.cli.integrate", "Work out the duty in a recording."),
    "life": ("dutylog.cli.life", "Wear parts: used, due, explained; services, dirt, marks."),
    "ledger": ("dutylog.cli.ledger", "Check, back up and look after the ledger."),
    "push": ("dutylog.cli.push", "Push test: frequency and damping ratio of each corner."),
    "recording": ("dutylog.cli.recording", "Raw logs: list, check, export."),
    "run": ("dutylog.cli.run", "Log a vehicle: sample, keep, integrate, show."),
    "trip": ("dutylog.cli.trip", "Trips: list, show, name, review, report, put right."),
}
"""Name of each subcommand, the module that has it under that name, and its line in the help."""


class LazyGroup(click.Group):
    """A group whose subcommands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command = getattr(importlib.import_module(COMMANDS[cmd_name][0]), cmd_name)
        if not isinstance(command, click.Command):
            raise TypeError(f"{COMMANDS[cmd_name][0]}.{cmd_name} is no command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            close = get_close_matches(name, COMMANDS, n=1)
            guess = f'; did you mean "{close[0]}"?' if close else ""
            ctx.fail(f'no command "{name}"{guess} known: {", ".join(sorted(COMMANDS))}')
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        # The base class would import every subcommand to ask for its line.
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in sorted(COMMANDS.items())])


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="DUTYLOG_DEBUG=1 shows the traceback of a fault.",
)
@click.version_option(__version__, "-V", "--version", message=f"dutylog %(version)s, engine {ENGINE}")
def dutylog() -> None:
    """Measure what off-road dampers have really done and carry it, per damper, to the bench."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run `dutylog` and return its exit status; the table is at the top of this module.

    Args:
        arguments: without the program's name; None for those of the process.
    """
    status = 0
    try:
        # Not `dutylog.main()`: click would turn a broken pipe into a failure of ours.
        try:
            with dutylog.make_context("dutylog", list(sys.argv[1:] if arguments is None else arguments)) as context:
                dutylog.invoke(context)
        except click.exceptions.Exit as leaving:
            status = leaving.exit_code
        if sys.stdout is not None:
            # Not left to the interpreter's end, where a broken pipe would be a traceback.
            sys.stdout.flush()
    except (KeyboardInterrupt, click.Abort):
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return EXIT_BROKEN_PIPE
    except OSError as err:
        return _explain_system(err)
    except click.ClickException as err:
        return _refuse_usage(err)
    except DutylogError as err:
        _show_traceback_if_asked()
        _complain(str(err) or type(err).__name__)
        return EXIT_BAD_INPUT
    except Exception as err:  # noqa: BLE001  # the one place that may: people get a line, not a traceback
        return _admit_fault(err)
    return status


def _drop_output() -> None:
    """Point standard output at nothing, so that the interpreter's last flush finds no broken pipe."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _refuse_usage(err: click.ClickException) -> int:
    text = err.format_message()
    if "\n" in text:
        # A group that was called bare: the text is its whole help.
        click.echo(text, err=True)
        return EXIT_BAD_INPUT
    context = err.ctx if isinstance(err, click.UsageError) else None
    hint = f" (see {context.command_path} -h)" if context is not None else ""
    _complain(text.rstrip(".") + hint)
    return EXIT_BAD_INPUT


def _explain_system(err: OSError) -> int:
    """A full disk is for the person to mend; any other refusal of the system should have been foreseen."""
    if err.errno != errno.ENOSPC:
        return _admit_fault(err)
    where = f" for {err.filename}" if err.filename else ""
    _complain(f"no space left on the disk{where}; make room and run it again")
    return EXIT_BAD_INPUT


def _admit_fault(err: Exception) -> int:
    _show_traceback_if_asked()
    what = " ".join(str(err).split())
    name = type(err).__name__
    _complain(
        f"unexpected {name} at {_place_of(err)}{': ' if what else ''}{what}; this is a fault of dutylog, "
        f"run it again with {DEBUG_VARIABLE}=1 for the traceback"
    )
    return EXIT_FAULT


def _place_of(err: Exception) -> str:
    """Return file:line of the innermost of our own frames."""
    home = Path(__file__).parent.parent
    frames = traceback.extract_tb(err.__traceback__)
    ours = [frame for frame in frames if Path(frame.filename).is_relative_to(home)]
    # This module is in every traceback and tells nothing, unless nothing else of ours is.
    frame = next((f for f in reversed(ours) if f.filename != __file__), ours[-1])
    return f"{Path(frame.filename).relative_to(home)}:{frame.lineno}"


def _show_traceback_if_asked() -> None:
    if os.environ.get(DEBUG_VARIABLE):
        traceback.print_exc()


def _complain(text: str) -> None:
    for line in text.splitlines():
        click.echo(f"dutylog: {line}", err=True)


if __name__ == "__main__":
    sys.exit(main())
