"""The verb `brief`: the sheet for setting a mount up by hand tonight."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from noonmark.driver.cli.printing import printing
from noonmark.driver.config import ConfigError
from noonmark.driver.zones import ZoneError, load_zone


@click.command()
@click.option("--config", "config_file", metavar="FILE", help="Configuration; only its [site] and [payload] are read.")
@click.option("--at", metavar="UTC", help="For this instant instead of now: 2026-11-24T08:03:12Z.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
@click.option("--svg", metavar="FILE", type=click.Path(path_type=Path), help="Also draw the pole into FILE.")
def brief(config_file: str | None, at: str | None, as_json: bool, svg: Path | None) -> int:
    """The numbers and cautions for setting up by hand tonight, on one page. Needs no mount and no network."""
    from noonmark.driver import brief as briefs
    from noonmark.driver.site_config import load_site

    loaded = load_site(config_file)
    try:
        zone = load_zone(loaded.site.timezone)
    except ZoneError as error:
        raise ConfigError(
            f"{loaded.path}: 'site.timezone': {error}", code="zone-unknown", remedy="use an IANA name"
        ) from None
    try:
        sheet = briefs.brief(loaded.site, instant_of(at), loaded.payload, zone=zone)
    except briefs.BriefError as error:
        raise ConfigError(str(error), code="year-out-of-range", remedy="mend --at, or this host's clock") from None
    if svg is not None:
        from noonmark.driver.sheet.brief_svg import drawing

        _write(svg, drawing(sheet, zone))
    with printing():
        if as_json:
            click.echo(sheet.json_text())
        else:
            from noonmark.driver.sheet.brief_text import render

            click.echo(render(sheet, zone=zone), nl=False)
    return 0


def instant_of(at: str | None, where: str = "--at") -> datetime:
    """The instant that --at, or what `where` names, tells; without a zone it is UTC. None is now, by this host's
    clock."""
    if at is None:
        return datetime.now(UTC)
    try:
        instant = datetime.fromisoformat(at)
        return (instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant).astimezone(UTC)
    except (ValueError, OverflowError):  # in the first and the last year a zone leads out of the calendar
        raise ConfigError(
            f"{where} {at[:60]!a} is no instant", code="instant-malformed", remedy="write it as 2026-11-24T08:03:12Z"
        ) from None


def _write(path: Path, drawing: str) -> None:
    try:
        path.write_text(drawing, encoding="utf-8")
    except OSError as error:
        raise ConfigError(
            f"{path} can't be written: {error.strerror}", code="svg-not-writable", remedy="choose another --svg"
        ) from None
    click.echo(f"noonmark: drawn into {path}", err=True)
