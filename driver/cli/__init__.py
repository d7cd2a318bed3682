"""The command line. Data on stdout, narration on stderr; an exit status means one thing.

Options come after the verb. `--json` prints exactly one JSON document on stdout on every exit.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING

import click

from noonmark.driver.cli.printing import (
    OutputError,
    occupy_standard_descriptors,
    printing,
    silence,
    speak_what_stdout_can,
    takes_no_more,
)
from noonmark.driver.escaping import escape
from noonmark.driver.result import EXIT_CONFIGURATION, EXIT_FAULT, EXIT_INTERRUPTED, Result
from noonmark.driver.version import VERSION

if TYPE_CHECKING:
    from noonmark.driver.interrupts import InterruptFlag

# verb -> (module, attribute, what it is for); a verb's module is loaded when it is called
VERBS: dict[str, tuple[str, str, str]] = {
    "init": ("noonmark.driver.cli.init", "init", "write a commented configuration"),
    "check": ("noonmark.driver.cli.runs", "check", "read everything, compare, explain; writes nothing to the mount"),
    "set": ("noonmark.driver.cli.runs", "set_", "check, then write what differs, read back, prove"),
    "restore": ("noonmark.driver.cli.runs", "restore", "put the settings of an earlier record back"),
    "explain": ("noonmark.driver.cli.explain", "explain", "the likely causes: from a record, a display or a sighting"),
    "brief": ("noonmark.driver.cli.brief", "brief", "the numbers and cautions for setting up by hand tonight"),
    "survey": ("noonmark.driver.cli.survey", "survey", "average a GNSS position into a site file"),
    "dialects": ("noonmark.driver.cli.dialects", "dialects", "list the dialects, or print one"),
    "schema": ("noonmark.driver.cli.schema", "schema", "print the JSON schema of a result"),
    "sim": ("noonmark.driver.cli.simulate", "sim", "simulated mounts and receivers"),
}
CATCHING = ("check", "set", "restore")  # SIGINT and SIGTERM are caught from the first line on, and told in a result


class Verbs(click.Group):
    """The verbs, loaded lazily so that a cold start costs no more than it must."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        module, attribute, _ = VERBS[cmd_name]
        command = getattr(import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in VERBS:
            import difflib

            near = difflib.get_close_matches(args[0], list(VERBS), n=1, cutoff=0.0)
            raise click.UsageError(f"no verb {args[0]!r}; the nearest is {near[0]!r}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl([(verb, about) for verb, (_, _, about) in VERBS.items()])


@click.group(cls=Verbs, invoke_without_command=True, subcommand_metavar="COMMAND [ARGS]...",
             context_settings={"help_option_names": ["-h", "--help"]})  # fmt: skip
@click.version_option(VERSION, prog_name="noonmark")
@click.pass_context
def cli(context: click.Context) -> None:
    """Bring a motorised telescope mount from power-on to proven place, UTC and offset.

    Exit statuses: 0 confirmed, 1 discrepant, 2 wrong command line or configuration, 3 untrusted, 4 unreachable,
    5 refused, 6 incomplete, 70 a fault of ours, 130 and 143 interrupted, 141 nobody reads stdout.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(EXIT_CONFIGURATION)


def main(arguments: Sequence[str] | None = None, flag: InterruptFlag | None = None) -> None:
    """Run the command line and exit. Never a traceback at the user. `flag`: who caught the signals until now."""
    occupy_standard_descriptors()
    given = list(sys.argv[1:] if arguments is None else arguments)
    speak_what_stdout_can(json="--json" in given)
    if given[:1] and given[0] in CATCHING:
        gc.disable()  # it lasts seconds and makes little garbage: collecting is a tenth of its CPU time
    status = run(given, flag)
    gc.freeze()  # nor need the interpreter collect what is left as it ends
    sys.exit(status)


def run(given: list[str], flag: InterruptFlag | None = None) -> int:
    """Run with these arguments; returns the exit status."""
    if given[:1] and given[0] in CATCHING:
        if flag is not None:
            return _run(given, flag)
        from noonmark.driver.interrupts import catching

        with catching() as flag:
            return _run(given, flag)
    return _run(given, flag)


def _run(given: list[str], flag: InterruptFlag | None) -> int:
    from noonmark.driver.config import ConfigError
    from noonmark.driver.interrupts import Interrupted

    def tell(code: str, reason: str, remedy: str, status: int) -> int:
        return _tell(given, code, reason, remedy, status)

    try:
        if flag is not None:
            flag.check()  # it may have come while we were loaded
        value = _called(given, flag)
        with printing():
            pass
        return value if isinstance(value, int) else 0
    except click.exceptions.Exit as error:
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        return tell("interrupted", "interrupted", "", EXIT_INTERRUPTED)
    except Interrupted as error:
        return tell("interrupted", str(error), "", error.exit_status)
    except click.UsageError as error:
        return tell("command-line", error.format_message(), _help_for(error), EXIT_CONFIGURATION)
    except click.ClickException as error:
        return tell("command-line", error.format_message(), "", EXIT_CONFIGURATION)
    except ConfigError as error:
        return tell(error.code, str(error), error.remedy, EXIT_CONFIGURATION)
    except BrokenPipeError:
        silence()
        return 141
    except OutputError as error:
        return tell("output-not-written", str(error), "free space; a run's record tells what was found", EXIT_FAULT)
    except Exception as error:
        full = takes_no_more() if isinstance(error, OSError) else None
        if full is not None:
            return tell("output-not-written", str(full), "free space, or print elsewhere", EXIT_FAULT)
        return tell("fault", f"a fault of this program: {type(error).__name__}: {error}", _kept(error), EXIT_FAULT)


def _called(given: list[str], flag: InterruptFlag | None) -> object:
    """As click's own `main` does, which ends with status 1 where nobody reads stdout: here that is `discrepant`."""
    if "_NOONMARK_COMPLETE" in os.environ:  # a shell asks for completions
        return cli.main(args=given, prog_name="noonmark")
    with cli.make_context("noonmark", given, obj=flag) as context:
        return cli.invoke(context)


def _help_for(error: click.UsageError) -> str:
    return f"see: {error.ctx.command_path} --help" if error.ctx is not None else "see: noonmark --help"


def _kept(error: Exception) -> str:
    """A fault of ours: where it happened goes into a file, not at the user. Returns what to do about it."""
    import tempfile
    import traceback

    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="noonmark-fault-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
        ) as file:
            file.write("".join(traceback.format_exception(error)))
        return f"please report it with {file.name}"
    except OSError:
        last = traceback.extract_tb(error.__traceback__)[-1]
        return f"please report it: {last.name}, line {last.lineno}"


def _tell(given: list[str], code: str, reason: str, remedy: str, status: int) -> int:
    """Tell why there is no result: in words on stderr, and where JSON is asked for as one document on stdout."""
    reason = escape(reason, 2000)
    remedy = escape(remedy, 500)
    if "--json" in given:
        with contextlib.suppress(OutputError), printing():
            click.echo(_document(given[0] if given[0] in VERBS else None, code, reason, remedy, status))
    click.echo(f"noonmark: {reason}", err=True)
    if remedy:
        click.echo(f"  {remedy}", err=True)
    return status


def _document(verb: str | None, code: str, reason: str, remedy: str, status: int) -> str:
    """A run's document is of the one schema, however it ended; what is no run has fewer keys."""
    import datetime as dt

    if verb == "check" or verb == "set" or verb == "restore":
        now = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return Result(
            noonmark_version=VERSION, verb=verb, outcome=None, exit_status=status, code=code, reason=reason,
            remedy=remedy, started_utc=now, duration_s=0.0,
        ).json_text()  # fmt: skip
    import json

    return json.dumps(
        {
            "schema": "noonmark-error-1", "noonmark_version": VERSION, "verb": verb, "outcome": None,
            "exit_status": status, "code": code, "reason": reason, "remedy": remedy,
        },
        indent=2,
    )  # fmt: skip
