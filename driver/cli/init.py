"""The verb `init`: a commented configuration to fill in."""

from __future__ import annotations

from pathlib import Path

import click

from noonmark.driver.config import ConfigError

TEMPLATE = """\
# Configuration of noonmark. Every value shown is the default, but for the site, the ports and the sources.

[site]                          # or: file = "site.toml"
name = ""
latitude_deg = {latitude}           # north positive: fill in
longitude_deg = {longitude}          # EAST positive: fill in
elevation_m = 0.0               # above mean sea level
timezone = "{timezone}"              # an IANA name, as Australia/Broken_Hill

[mount]
port = "{port}"   # a device, socket://host:port, rfc2217://host:port, or sim:
baud = 9600
dialect = "auto"                # or a name (`noonmark dialects`), or a TOML file
reply_timeout_s = 2.0

[[sources]]
kind = "host"                   # this machine's clock
# disciplined_by = "gnss"       # where the same receiver keeps this clock: no second origin then

[[sources]]
kind = "nmea"                   # a GNSS receiver on a line of its own
port = "{receiver}"
baud = 9600
latency_s = 0.9                 # upper bound on how late an epoch's first byte can be

# [[sources]]
# kind = "gpsd"                 # the GNSS daemon
# address = "127.0.0.1:2947"
# latency_s = 0.9

[policy]
time_origins_required = 2       # host (or network) and gnss
place_origins_required = 2      # the configured site is one
clock_tolerance_s = 1.0         # the whole interval against UTC must lie within
clock_rewrite_s = 0.1           # a clock surely nearer than this is left alone
timescale = "utc"               # or "ut1", for a mount that knows no UT1-UTC
site_tolerance_m = 500.0
time_limit_s = 90.0

[record]
folder = ""                     # "" is the user's state folder; a relative one counts from this file

# [payload]                     # for `noonmark brief`: masses and where they sit, for the balance
# loads = [{{ name = "tube", mass_kg = 9.0, distance_mm = 250.0 }}]
# weights_kg = [5.0, 5.0]
# shaft_from_mm = 100.0         # nearest and farthest place of the weights on the shaft
# shaft_to_mm = 400.0
# capacity_kg = 20.0
"""


@click.command()
@click.argument("file", default="noonmark.toml", metavar="[FILE]")
@click.option("--port", default="/dev/serial/by-id/...", metavar="ADDRESS", help="The mount's port.")
@click.option("--receiver", default="/dev/serial/by-id/...", metavar="ADDRESS", help="The GNSS receiver's port.")
@click.option("--latitude", type=float, metavar="DEG", help="Of the site, north positive.")
@click.option("--longitude", type=float, metavar="DEG", help="Of the site, east positive.")
@click.option("--timezone", metavar="ZONE", help="IANA zone of the site.")
@click.option("--replace", is_flag=True, help="Overwrite a file that is there.")
def init(
    file: str,
    port: str,
    receiver: str,
    latitude: float | None,
    longitude: float | None,
    timezone: str | None,
    replace: bool,
) -> int:
    """Write a commented configuration to FILE (default noonmark.toml; - for stdout)."""
    text = TEMPLATE.format(
        port=_quoted(port),
        receiver=_quoted(receiver),
        latitude="nan" if latitude is None else repr(latitude),
        longitude="nan" if longitude is None else repr(longitude),
        timezone=_quoted(timezone or ""),
    )
    if file == "-":
        click.echo(text, nl=False)
        return 0
    path = Path(file)
    try:
        with path.open("w" if replace else "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise ConfigError(
            f"{path} is there already", code="file-exists", remedy="name another, or give --replace"
        ) from None
    except OSError as error:
        raise ConfigError(
            f"{path} can't be written: {error.strerror}",
            code="file-not-writable",
            remedy="name another file, or - for stdout",
        ) from None
    click.echo(f"wrote {path}: fill in the site and the ports, then run: noonmark check", err=True)
    return 0


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
