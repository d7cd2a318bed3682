"""The verb `sim`: simulated mounts and receivers as processes of their own, and the table of faults."""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from noonmark.protocols.seams import SeamError
from noonmark.sim.addresses import QUIRKS, build_fault_set, build_mount, build_quirks, check_place, rate, talker
from noonmark.sim.endpoints import Endpoint, EndpointError, PseudoTerminal, TcpPort
from noonmark.sim.faults import FAULTS, FaultRow
from noonmark.sim.line import LineManner
from noonmark.sim.receiver import SimulatedReceiver
from noonmark.sim.rigfile import RigFileError, build_rig
from noonmark.sim.serve import (
    HostClock,
    ServedMount,
    ServedReceiver,
    Service,
    TraceFile,
    serve,
    serve_mount,
    serve_receiver,
)
from noonmark.sim.timeline import RealTimeline

Command = TypeVar("Command", bound=Callable[..., Any])


def _line_options(command: Command) -> Command:
    """What a mount and a receiver have in common."""
    for option in reversed((
        click.option("--pty", is_flag=True, help="Serve on a pseudo-terminal (the default)."),
        click.option("--tcp", type=click.IntRange(0, 65535), metavar="PORT", help="Serve on a TCP port; 0: any free."),
        click.option("--link", type=click.Path(path_type=Path), help="Keep a symbolic link to the pseudo-terminal."),
        click.option("--baud", type=click.IntRange(50, 4_000_000), default=9600, show_default=True,
                     help="The rate at which bytes pass, whatever the line."),
        click.option("--fault", "fault_specs", multiple=True, metavar="NAME[:AMOUNT]", help="See `sim faults`."),
        click.option("--seed", type=int, default=0, show_default=True, help="What chance is drawn from."),
        click.option("--trace", type=click.Path(path_type=Path), help="Write what passes, JSON lines, to this file."),
    )):  # fmt: skip
        command = option(command)
    return command


@click.group("sim", invoke_without_command=True, subcommand_metavar="COMMAND [ARGS]...")
@click.pass_context
def sim(context: click.Context) -> None:
    """Simulated mounts and receivers, with faults."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help(), err=True)
        context.exit(2)  # a wrong command line


@sim.command("mount")
@_line_options
@click.option("--dialect", default="usual", show_default=True, metavar="NAME|FILE", help="How it speaks.")
@click.option("--state", "state_file", type=click.Path(path_type=Path), help="Go on from this file, and keep it.")
@click.option("--factory", is_flag=True, help="Begin fresh from the works (the default).")
@click.option("--right", "right_at", type=float, nargs=3, metavar="LATITUDE LONGITUDE OFFSET",
              help="Begin set up properly: degrees, east positive; local minus UTC in hours.")  # fmt: skip
@click.option("--error-s", type=float, default=0.0, help="Its clock begins so many seconds ahead.")
@click.option("--drift-ppm", type=float, help="Its clock gains so many parts in a million.")
@click.option("--quirk", "quirks", multiple=True, metavar="NAME[:VALUE]",
              help=f"Something odd beyond the dialect: {', '.join(QUIRKS)}.")  # fmt: skip
def mount_command(
    pty: bool,
    tcp: int | None,
    link: Path | None,
    baud: int,
    fault_specs: tuple[str, ...],
    seed: int,
    trace: Path | None,
    dialect: str,
    state_file: Path | None,
    factory: bool,
    right_at: tuple[float, float, float] | None,
    error_s: float,
    drift_ppm: float | None,
    quirks: tuple[str, ...],
) -> None:
    """Serve a mount. Its address is the first line on stdout; SIGTERM or SIGINT ends it."""
    if factory and right_at:
        raise click.UsageError("--factory and --right exclude each other: give one")
    if factory and state_file is not None:
        _forget(state_file)
    timeline = RealTimeline(HostClock())
    try:
        faults = build_fault_set(list(fault_specs), seed, without="receiver")
        mount = build_mount(
            timeline,
            dialect=dialect,
            state_file=state_file,
            right_at=list(right_at) if right_at else None,
            error_s=error_s,
            drift_ppm=drift_ppm,
            quirks=build_quirks(list(quirks)),
            faults=faults,
            seed=seed,
        )
        endpoint = _endpoint(pty, tcp, link)
    except (SeamError, EndpointError) as error:
        raise _usage(error) from None
    traced = _trace(trace, timeline)
    try:
        serve_mount(mount, endpoint, timeline, baud=baud, faults=faults.line, seed=seed, trace=traced)
    except SeamError as error:  # its state can't be kept any more
        raise click.ClickException(str(error)) from None


@sim.command("receiver")
@_line_options
@click.option("--latitude", type=float, help="Degrees, north positive.")
@click.option("--longitude", type=float, help="Degrees, east positive.")
@click.option("--altitude", type=float, help="Metres above mean sea level.")
@click.option("--site", type=click.Path(path_type=Path), help="A TOML file whose [site] says where it is.")
@click.option("--talker", "talker_text", default="GP", show_default=True,
              help="The two letters with which its sentences begin.")  # fmt: skip
@click.option("--rate-hz", type=float, default=1.0, show_default=True, help="Epochs a second.")
def receiver_command(
    pty: bool,
    tcp: int | None,
    link: Path | None,
    baud: int,
    fault_specs: tuple[str, ...],
    seed: int,
    trace: Path | None,
    latitude: float | None,
    longitude: float | None,
    altitude: float | None,
    site: Path | None,
    talker_text: str,
    rate_hz: float,
) -> None:
    """Serve a GNSS receiver at a place. Its address is the first line on stdout; SIGTERM or SIGINT ends it."""
    place = _place(latitude, longitude, altitude, site)
    timeline = RealTimeline(HostClock())
    try:
        check_place(*place)
        faults = build_fault_set(list(fault_specs), seed, without="mount")
        receiver = SimulatedReceiver(
            timeline=timeline,
            latitude_deg=place[0],
            longitude_deg=place[1],
            altitude_m=place[2],
            talker=talker(talker_text),
            rate_hz=rate(rate_hz),
            baud=baud,
            faults=faults.receiver,
            seed=seed,
        )
        endpoint = _endpoint(pty, tcp, link)
    except (SeamError, EndpointError) as error:
        raise _usage(error) from None
    serve_receiver(receiver, endpoint, timeline, faults=faults.line, trace=_trace(trace, timeline))


@sim.command("rig")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False),
              help="Make the links FOLDER/mount and FOLDER/receiver to the two pseudo-terminals.")  # fmt: skip
@click.option("--latitude", type=float, help="The receiver's: degrees, north positive.")
@click.option("--longitude", type=float, help="The receiver's: degrees, east positive.")
@click.option("--altitude", type=float, help="The receiver's: metres above mean sea level.")
@click.option("--site", type=click.Path(path_type=Path), help="A TOML file whose [site] says where the receiver is.")
@click.option("--right", "right_at", type=float, nargs=3, metavar="LATITUDE LONGITUDE OFFSET",
              help="The mount begins set up properly, not fresh from the works.")  # fmt: skip
@click.option("--dialect", default="usual", show_default=True, metavar="NAME|FILE", help="How the mount speaks.")
@click.option("--error-s", type=float, default=0.0, help="The mount's clock begins so many seconds ahead.")
@click.option("--drift-ppm", type=float, help="The mount's clock gains so many parts in a million.")
@click.option("--fault", "fault_specs", multiple=True, metavar="NAME[:AMOUNT]",
              help="Of a mount, its line, or a receiver; see `sim faults`.")  # fmt: skip
@click.option("--seed", type=int, default=0, show_default=True, help="What chance is drawn from.")
@click.option("--baud", type=click.IntRange(50, 4_000_000), default=9600, show_default=True,
              help="The rate at which bytes pass.")  # fmt: skip
@click.pass_context
def rig_command(
    context: click.Context,
    file: Path | None,
    folder: Path | None,
    latitude: float | None,
    longitude: float | None,
    altitude: float | None,
    site: Path | None,
    right_at: tuple[float, float, float] | None,
    dialect: str,
    error_s: float,
    drift_ppm: float | None,
    fault_specs: tuple[str, ...],
    seed: int,
    baud: int,
) -> None:
    """Serve several devices of one world until SIGTERM or SIGINT.

    With FILE, a TOML file of [[mount]] and [[receiver]] tables (see demo/rig.toml): a line of name and address for each
    on stdout, and then "ready". Without it one mount and one receiver: two lines, the mount's address, the receiver's.
    """
    if file is not None:
        _serve_rig_file(file, context)
        return
    if folder is None:
        raise click.UsageError("which rig? Name a FILE that describes it, or give --folder for a mount and a receiver")
    place = _place(latitude, longitude, altitude, site)
    timeline = RealTimeline(HostClock())
    try:
        check_place(*place)
        faults = build_fault_set(list(fault_specs), seed, without="")
        mount = build_mount(
            timeline,
            dialect=dialect,
            right_at=list(right_at) if right_at else None,
            error_s=error_s,
            drift_ppm=drift_ppm,
            faults=faults,
            seed=seed,
        )
        receiver = SimulatedReceiver(
            timeline=timeline,
            latitude_deg=place[0],
            longitude_deg=place[1],
            altitude_m=place[2],
            baud=baud,
            faults=faults.receiver,
            seed=seed,
        )
        folder.mkdir(parents=True, exist_ok=True)
        lines = [PseudoTerminal(folder / "mount"), PseudoTerminal(folder / "receiver")]
    except (SeamError, EndpointError) as error:
        raise _usage(error) from None
    except OSError as error:
        raise click.UsageError(f"{folder} can't be made: {error.strerror}; give another --folder") from None
    served: list[Service] = [
        ServedMount(mount, lines[0], LineManner(baud), faults.line, seed),
        ServedReceiver(receiver, lines[1], ()),
    ]
    try:
        serve(served, timeline, [line.address for line in lines], sys.stdout)
    finally:
        for line in lines:
            line.close()


def _serve_rig_file(file: Path, context: click.Context) -> None:
    given = [name for name in context.params if name != "file" and _was_given(context, name)]
    if given:
        options = ", ".join(
            "--" + {"right_at": "right", "fault_specs": "fault"}.get(name, name.replace("_", "-")) for name in given
        )
        raise click.UsageError(f"{file} describes the whole rig: leave out {options}")
    timeline = RealTimeline(HostClock())
    try:
        rig = build_rig(file, timeline)
    except RigFileError as error:
        raise click.UsageError(str(error)) from None
    try:
        try:
            serve([one.service for one in rig.devices], timeline, rig.lines, sys.stdout)
        finally:
            rig.close()
    except SeamError as error:  # a state can't be kept any more
        raise click.ClickException(str(error)) from None


def _was_given(context: click.Context, name: str) -> bool:
    return context.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT


@sim.command("faults", short_help="List the faults that can be injected.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
def faults_command(as_json: bool) -> None:
    """List the faults that can be injected: which device, name, what it does (how much), and below it the outcomes of
    a run that are honest under it."""
    if as_json:
        rows = [
            {"name": row.name, "kind": row.kind, "what": row.what, "amount": row.amount if row.unit else None,
             "unit": row.unit, "allowed": list(row.allowed)}
            for row in FAULTS.values()
        ]  # fmt: skip
        click.echo(json.dumps({"faults": rows}, indent=1))
        return
    width = max(len(name) for name in FAULTS)
    for row in FAULTS.values():
        click.echo(f"{row.kind:8}  {row.name:{width}}  {row.what}{_amount(row)}")
        click.echo(f"{'':{10 + width}}  -> {', '.join(row.allowed)}")
    click.echo(
        "In brackets how much, to be chosen by NAME:AMOUNT; after -> the outcomes of a run that are honest under it.",
        err=True,
    )


def _amount(row: FaultRow) -> str:
    if not row.unit:
        return ""
    if row.unit == "of 1":
        return f" (chance {row.amount:g})"
    return f" ({row.amount:.12g} {row.unit})"


def _forget(state_file: Path) -> None:
    try:
        state_file.unlink(missing_ok=True)
    except OSError as error:
        raise click.UsageError(
            f"{state_file} can't be removed: {error.strerror}; give another --state, or leave out --factory"
        ) from None


def _endpoint(pty: bool, tcp: int | None, link: Path | None) -> Endpoint:
    if tcp is None:
        return PseudoTerminal(link)
    if pty:
        raise click.UsageError("--pty and --tcp exclude each other: give one")
    if link is not None:
        raise click.UsageError("--link is for pseudo-terminals: leave out --tcp")
    return TcpPort(tcp)


def _place(
    latitude: float | None, longitude: float | None, altitude: float | None, site: Path | None
) -> tuple[float, float, float]:
    given = {"latitude_deg": latitude, "longitude_deg": longitude, "elevation_m": altitude}
    table = _site_table(site) if site is not None else {}
    found: list[float] = []
    for key, option in given.items():
        value = table.get(key) if option is None else option
        if isinstance(value, bool) or not isinstance(value, int | float):
            where = f"key '{key}' in [site] of {site}" if site is not None else f"--{_OPTIONS[key]}"
            raise click.UsageError(f"where is the receiver? Give {where} as a number")
        found.append(float(value))
    return found[0], found[1], found[2]


_OPTIONS = {"latitude_deg": "latitude", "longitude_deg": "longitude", "elevation_m": "altitude"}


def _site_table(site: Path) -> dict[str, Any]:
    try:
        data = tomllib.loads(site.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise click.UsageError(f"{site} can't be read as TOML: {error}") from None
    table = data.get("site", data)
    if not isinstance(table, dict):
        raise click.UsageError(f"{site}: 'site' must be a table")
    return table


def _trace(path: Path | None, timeline: RealTimeline) -> TraceFile | None:
    if path is None:
        return None
    try:
        return TraceFile(path, timeline)
    except OSError as error:
        raise click.UsageError(f"{path} can't be written: {error.strerror}; give another --trace") from None


def _usage(error: SeamError | EndpointError) -> click.UsageError:
    remedy = getattr(error, "remedy", "")
    return click.UsageError(f"{error}. {remedy}" if remedy else str(error))
