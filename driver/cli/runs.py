"""The verbs `check`, `set` and `restore`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from noonmark.driver import session
from noonmark.driver.cli.printing import printing
from noonmark.driver.config import load_config
from noonmark.driver.interrupts import InterruptFlag
from noonmark.driver.logs import configure, log
from noonmark.driver.result import Result
from noonmark.driver.seams import Seams, seams_for


def common(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options that every verb with a mount has."""
    options = (
        click.option("--config", "config_file", metavar="FILE", help="Configuration (default: noonmark.toml here, "
                     "then the user's configuration folder, then /etc/noonmark)."),
        click.option("--port", metavar="ADDRESS", help="The mount's port, instead of the configured one."),
        click.option("--dialect", metavar="NAME", help="A dialect by name, a TOML file, or auto."),
        click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout."),
        click.option("--log-format", type=click.Choice(["text", "json"]), default="text", show_default=True,
                     help="Of the narration on stderr: key=value, or JSON lines."),
        click.option("--verbose", is_flag=True, help="Tell each claim, wait and note on stderr too."),
    )  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.command()
@common
@click.option("--quick", is_flag=True, help="Leave out the measuring of the clock between its ticks.")
def check(quick: bool, **options: Any) -> int:
    """Read everything, compare, explain. Writes nothing to the mount."""
    return _run(options, lambda config, seams: session.check(config, seams=seams, quick=quick))


@click.command("set")
@common
@click.option("--dry-run", is_flag=True, help="Print what would be written; write nothing.")
def set_(dry_run: bool, **options: Any) -> int:
    """Check, then write what differs, read back, and prove it by the mount's sidereal clock."""
    return _run(options, lambda config, seams: session.set_mount(config, dry_run=dry_run, seams=seams))


@click.command()
@common
@click.argument("record", required=False, metavar="[RECORD]")
def restore(record: str | None, **options: Any) -> int:
    """Put the settings of an earlier record back: RECORD, or the newest `set` on this port."""
    return _run(options, lambda config, seams: session.restore(config, record, seams=seams))


def _run(options: dict[str, Any], call: Callable[[Any, Seams], Result]) -> int:
    configure(options["log_format"], options["verbose"])
    config = load_config(options["config_file"], port=options["port"], dialect=options["dialect"])
    flag = click.get_current_context().obj
    result = call(config, seams_for(config, flag if isinstance(flag, InterruptFlag) else None))
    with printing():
        if options["as_json"]:
            click.echo(result.json_text())
        else:
            from noonmark.driver.cli.table import show

            show(result)
    _narrate(result)
    log().info(
        result.verb, outcome=result.outcome, code=result.code, exit_status=result.exit_status,
        seconds=result.duration_s, record=result.record,
    )  # fmt: skip
    return result.exit_status


def _narrate(result: Result) -> None:
    """What `--verbose` adds: with `--json` a log of stderr then tells how the result came about."""
    for claim in result.truth.claims if result.truth is not None else ():
        agrees = {True: "yes", False: "no", None: "abstains"}[claim.agrees]
        log().debug("claim", kind=claim.kind, source=claim.source, origin=claim.origin, agrees=agrees, why=claim.why)
    for wait in result.waits:
        log().debug("wait", what=wait.what, seconds=wait.seconds)
    for note in result.notes:
        log().debug("note", note=note.note, text=note.text)
