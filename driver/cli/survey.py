"""The verb `survey`: a GNSS position, averaged, into a site file."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Literal

import click

from noonmark.driver.cli.printing import printing
from noonmark.driver.config import ConfigError
from noonmark.driver.escaping import escape
from noonmark.driver.interrupts import Interrupted, catching
from noonmark.driver.result import EXIT_STATUS
from noonmark.driver.site import Site
from noonmark.driver.site_file import SiteFileError, Written, site_of, write
from noonmark.driver.sources.assembling import ReceiverKind
from noonmark.driver.survey import MIN_SPAN_S, Survey, SurveyError
from noonmark.driver.survey import survey as conclude
from noonmark.driver.survey_live import Progress, collect, recorded
from noonmark.driver.version import VERSION
from noonmark.driver.zones import ZoneError, load_zone
from noonmark.protocols.epochs import Epoch
from noonmark.protocols.seams import StreamError

SCHEMA = "noonmark-survey-1"
DAEMON = "127.0.0.1:2947"
PROGRESS_LINE_S = 15.0


@click.command()
@click.option(
    "--source",
    type=click.Choice(["nmea", "gpsd"]),
    default="nmea",
    show_default=True,
    help="A receiver's sentences, or the GNSS daemon's reports.",
)
@click.option("--port", metavar="ADDRESS", help=f"The receiver's device or bridge, or the daemon (default {DAEMON}).")
@click.option("--baud", default=9600, show_default=True, type=click.IntRange(300, 921600), help="The receiver's rate.")
@click.option(
    "--from",
    "recording",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="From a recording of its bytes instead of a line.",
)
@click.option(
    "--duration",
    "duration_s",
    metavar="S",
    default=300.0,
    show_default=True,
    type=float,
    help="How long to listen, seconds.",
)
@click.option("--out", metavar="FILE", type=click.Path(path_type=Path), help="Write the site into FILE (site.toml).")
@click.option("--name", default="", help="The site's name in that file.")
@click.option("--timezone", metavar="KEY", help="The time zone kept there, where the position has several.")
@click.option("--replace", is_flag=True, help="Replace a FILE that says another site; the old one is kept beside.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
def survey(
    source: ReceiverKind, port: str | None, baud: int, recording: Path | None, duration_s: float, out: Path | None,
    name: str, timezone: str | None, replace: bool, as_json: bool,
) -> int:  # fmt: skip
    """Average a GNSS position into a site file. Let the receiver stand where the mount stands, and wait."""
    _check_options(source, port, recording, duration_s, out, name, timezone)
    found: Survey | None = None
    site: Site | None = None
    try:
        epochs = _epochs(source, port, baud, recording, duration_s)
        found = conclude(epochs)
        site = site_of(found, name=name, timezone=timezone or found.timezones[0])
        written = None if out is None else write(out, found, site, replace=replace)
    except SurveyError as error:
        outcome: Literal["untrusted"] | int = 2 if error.code == "recording-unreadable" else "untrusted"
        return _failed(outcome, error.code, str(error), error.remedy, found, as_json)
    except StreamError as error:
        return _failed("unreachable", error.code, str(error), error.remedy, found, as_json)
    except SiteFileError as error:
        if found is not None and site is not None and not as_json:  # what was listened for is not lost with the file
            click.echo("\n".join(_lines(found, site, [f"nothing was written: {error}"])))
        return _failed("refused", error.code, str(error), error.remedy, found, as_json)
    except Interrupted as error:
        return _failed(error.exit_status, "interrupted", "interrupted; nothing was written", "", found, as_json)
    with printing():
        if as_json:
            click.echo(json.dumps(_document(0, "surveyed", "", "", found, written), indent=2))
        else:
            click.echo("\n".join(_lines(found, site, [_file_line(written)])))
    return 0


def _check_options(
    source: ReceiverKind, port: str | None, recording: Path | None, duration_s: float, out: Path | None, name: str,
    timezone: str | None,
) -> None:  # fmt: skip
    if recording is None and source == "nmea" and port is None:
        raise ConfigError("a receiver has no default line", remedy="give --port ADDRESS, or --from FILE")
    if recording is not None and port is not None:
        raise ConfigError("--from and --port are both given", remedy="keep the one or the other")
    if port is not None and port.startswith("sim:"):
        raise ConfigError("a simulated receiver stands nowhere", remedy="give a real --port, or --from FILE")
    if recording is None and not MIN_SPAN_S <= duration_s <= 86400.0:
        raise ConfigError(
            f"--duration {duration_s:g}: expected {MIN_SPAN_S + 5.0:.0f} to 86400 seconds", remedy="300 does well"
        )
    if out is not None and out.is_dir():
        raise ConfigError(f"--out {out} is a folder", remedy="name a file in it, site.toml")
    if out is not None and not out.parent.is_dir():
        raise ConfigError(f"--out {out}: there is no folder {out.parent}", remedy="make it, or name another")
    if not name.isprintable() or len(name) > Site.model_fields["name"].metadata[0].max_length:
        raise ConfigError("--name: expected at most 80 printable characters", remedy="give a shorter or a plainer one")
    if timezone is not None:
        try:
            load_zone(timezone)
        except ZoneError as error:
            raise ConfigError(f"--timezone: {error}", code="zone-unknown", remedy="use an IANA name") from None


def _epochs(
    source: ReceiverKind, port: str | None, baud: int, recording: Path | None, duration_s: float
) -> list[Epoch]:
    if recording is not None:
        return recorded(recording, source)
    from noonmark.driver.clocks import SystemClock
    from noonmark.driver.streams import open_stream

    with catching() as flag:
        clock = SystemClock(flag)
        stream = open_stream(port or DAEMON, baud=baud, clock=clock, interrupt=flag)
        try:
            return collect(stream, source, clock, duration_s, _Narrator(duration_s))
        finally:
            stream.close()


class _Narrator:
    """Progress on stderr: one line that changes on a terminal, else a line now and then."""

    def __init__(self, duration_s: float) -> None:
        self._live = sys.stderr.isatty()
        self._next_s = 0.0
        click.echo(f"noonmark: listening for {duration_s:.0f} s; leave the antenna where it is", err=True)

    def __call__(self, progress: Progress) -> None:
        text = (
            f"{progress.elapsed_s:.0f} of {progress.duration_s:.0f} s: {progress.usable} usable epochs of "
            f"{progress.epochs}{'; ' if progress.last_why else ''}{escape(progress.last_why)}"
        )
        if self._live:
            click.echo(f"\r{text[:78]:<78}", nl=progress.elapsed_s >= progress.duration_s - 1.0, err=True)
        elif progress.elapsed_s >= self._next_s:
            self._next_s = progress.elapsed_s + PROGRESS_LINE_S
            click.echo(f"noonmark: {text}", err=True)


def _document(
    status: int, code: str, reason: str, remedy: str, found: Survey | None, written: Written | None
) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "noonmark_version": VERSION,
        "exit_status": status,
        "code": code,
        "reason": reason,
        "remedy": remedy,
        "survey": None if found is None else found.model_dump(mode="json"),
        "written": str(written.path) if written and written.changed else None,
        "kept": str(written.kept) if written and written.kept else None,
    }


def _failed(
    outcome: Literal["untrusted", "unreachable", "refused"] | int, code: str, reason: str, remedy: str,
    found: Survey | None, as_json: bool,
) -> int:  # fmt: skip
    status = outcome if isinstance(outcome, int) else EXIT_STATUS[outcome]
    if as_json:
        click.echo(json.dumps(_document(status, code, reason, remedy, found, None), indent=2))
    click.echo(f"noonmark: {escape(reason, 2000)}", err=True)
    if remedy:
        click.echo(f"  {escape(remedy, 500)}", err=True)
    return status


def _lines(found: Survey, site: Site, file: list[str]) -> list[str]:
    """The survey as text; `file`: what became of the site file."""
    from noonmark.driver.sheet.brief_page import row, section

    forms = found.forms
    height = "the receiver gave none" if found.elevation_m is None else (
        f"{found.elevation_m:.0f} m above mean sea level, +- {found.elevation95_m or 0.0:.0f} m (95%)"
    )  # fmt: skip
    several = "" if len(found.timezones) == 1 else f" (of {', '.join(found.timezones)})"
    lines = [
        "SURVEY",
        *row("Latitude", f"{forms.latitude_seconds}  =  {found.latitude_deg:+.6f} deg  (north +)"),
        *row("Longitude", f"{forms.longitude_seconds}  =  {found.longitude_deg:+.6f} deg  (east +)"),
        *row("  signed", f"east +: {forms.longitude_east_positive}   west +: {forms.longitude_west_positive}"
             "   (deg min sec)"),
        *row("  0 to 360", f"eastward: {forms.longitude_east_0_360}   westward: {forms.longitude_west_0_360}"
             "   (deg min sec)"),
        *row("Radius", f"{found.radius95_m:.1f} m (95%); the epochs alone scatter by {found.scatter95_m:.1f} m (95%)"),
        *row("Elevation", height),
        *row("Time zone", f"{site.timezone}{several}"),
        *row("ISO 6709", found.iso6709),
        *row("From", f"{found.epochs_used} usable epochs of {found.epochs_seen} over {found.span_s:.0f} s, to "
             f"{found.last_utc:%Y-%m-%d %H:%M:%S} UTC by the receiver"),
    ]  # fmt: skip
    lines += section("ASSUMED", [line for text in found.assumptions for line in row("-", text)])
    if found.notes:
        lines += section("MIND", [line for text in found.notes for line in row("!", text)])
    return lines + section("FILE", [line for text in file for line in row("", text)])


def _file_line(written: Written | None) -> str:
    if written is None:
        return "nothing was written; --out site.toml writes it"
    if not written.changed:
        return f"{written.path} says this place already and was left as it is"
    kept = f"; the earlier one is kept as {written.kept}" if written.kept else ""
    return f"written into {written.path}{kept}"
