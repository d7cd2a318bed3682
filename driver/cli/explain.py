"""The verb `explain`: from a record, from values read off a display, or from a sighting, the likely causes."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from noonmark.driver.cli.brief import instant_of
from noonmark.driver.cli.printing import printing
from noonmark.driver.config import ConfigError
from noonmark.driver.site import Site

if TYPE_CHECKING:
    from noonmark.driver.reasons.explain_document import Document
    from noonmark.driver.reasons.sighting import Sighting

_POSITION = 'right ascension and declination: "05:35:17.3 -05:23:28", "83.82d -5.391"'


@click.command()
@click.option(
    "--record",
    "records",
    metavar="FILE",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Explain the settings in a record; with a second one, also how the clock runs.",
)
@click.option("--aimed", multiple=True, metavar='"RA DEC"', help=f"Where the mount was sent, {_POSITION}.")
@click.option("--found", multiple=True, metavar='"RA DEC"', help="What was found there; as many pairs as you have.")
@click.option(
    "--csv",
    "table",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Sightings from a table with the columns aimed, found and, where they differ, utc.",
)
@click.option(
    "--at", multiple=True, metavar="UTC", help="When, 2026-11-24T08:03:12Z; once, or for each pair. Default: now."
)
@click.option(
    "--equinox", type=click.Choice(["J2000", "date"]), default="J2000", show_default=True, help="Of both positions."
)
@click.option("--aimed-equinox", type=click.Choice(["J2000", "date"]), help="Of what was aimed at, where it differs.")
@click.option("--found-equinox", type=click.Choice(["J2000", "date"]), help="Of what was found, where it differs.")
@click.option(
    "--axis",
    type=click.Choice(["equatorial", "horizon"]),
    default="equatorial",
    show_default=True,
    help="The kind of mount.",
)
@click.option("--synced", is_flag=True, help="The mount was synced on a star before.")
@click.option(
    "--uncertainty",
    "noise_arcmin",
    metavar="ARCMIN",
    default=30.0,
    show_default=True,
    type=float,
    help="How well one look tells where a thing was, each way.",
)
@click.option("--mount-latitude", metavar="DEG", help="What the display shows: -31:51 or 31:51 S.")
@click.option("--mount-longitude", metavar="DEG", help="EAST positive, or with a letter: 141:36 E.")
@click.option("--mount-offset", metavar="HOURS", help="Local minus UTC: +10:30.")
@click.option("--mount-date", metavar="DATE", help="Year, month, day: 2026-11-24.")
@click.option("--mount-time", metavar="TIME", help="Local time: 23:04:56.")
@click.option("--config", "config_file", metavar="FILE", help="Configuration; only its [site] is read.")
@click.option("--latitude", type=float, metavar="DEG", help="The true site, without a configuration; north positive.")
@click.option("--longitude", type=float, metavar="DEG", help="EAST positive.")
@click.option("--timezone", metavar="KEY", help="Its IANA zone, where the position has several.")
@click.option("--causes", "list_causes", is_flag=True, help="Print the page of all causes.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
def explain(**given: Any) -> int:  # fmt: skip
    """Name the likeliest mistake: from a record, from what a display shows, or from one look through the telescope.

    Needs no mount and no network. With --aimed and --found the mount is taken to have started from its true home,
    unless --synced.
    """
    from noonmark.driver.reasons.celestial_text import CoordinateError
    from noonmark.driver.reasons.explain_document import render
    from noonmark.driver.zones import ZoneError

    if given["list_causes"]:
        from noonmark.driver.reasons.causes_page import page

        with printing():
            click.echo(page(), nl=False)
        return 0
    try:
        answer = _answer(given)
    except CoordinateError as error:
        raise ConfigError(str(error), code="coordinates-malformed", remedy="see: noonmark explain --help") from None
    except ZoneError as error:
        raise ConfigError(str(error), code="zone-unknown", remedy="use an IANA name") from None
    with printing():
        click.echo(answer.json_text() if given["as_json"] else render(answer), nl=given["as_json"])
    return 0


def _answer(given: dict[str, Any]) -> Document:
    sighting = bool(given["aimed"] or given["found"] or given["table"])
    values = any(given[f"mount_{name}"] is not None for name in ("latitude", "longitude", "offset", "date", "time"))
    if sum((bool(given["records"]), sighting, values)) != 1:
        raise ConfigError(
            "expected one of: --record FILE; --aimed and --found; values of the display (--mount-latitude ...)",
            code="command-line", remedy="see: noonmark explain --help",
        )  # fmt: skip
    if given["records"]:
        from noonmark.driver.reasons.explain_records import from_records

        return from_records(given["records"])
    site = _site(given)
    if values:
        return _from_values(given, site)
    return _from_sightings(given, site)


# --- from a display ---------------------------------------------------------------------------------


def _from_values(given: dict[str, Any], site: Site) -> Document:
    from noonmark.driver.explanation import explain_rows
    from noonmark.driver.reasons.explain_document import document
    from noonmark.driver.reasons.shown_values import Shown, rows
    from noonmark.driver.zones import load_zone, offset_h

    if len(given["at"]) > 1:
        raise ConfigError("--at is given more than once", code="command-line", remedy="give the instant of the reading")
    utc = _instant(given["at"][0] if given["at"] else None)
    zone_h = offset_h(load_zone(site.timezone), utc)
    shown = Shown(*(given[f"mount_{name}"] for name in ("latitude", "longitude", "offset", "date", "time")))
    on_utc = rows(shown, site, 0.0, utc) if shown.offset is not None and shown.time is not None and zone_h else ()
    holds_utc = bool(on_utc) and all(row.ok for row in on_utc if row.name not in ("latitude", "longitude"))
    read = on_utc if holds_utc else rows(shown, site, zone_h, utc)
    found = explain_rows(read, site, 0.0 if holds_utc else zone_h)
    notes = [] if given["at"] else [_by_this_clock(utc)]
    if holds_utc:
        notes.append("the mount holds offset 0 with UTC as its local time, which serves as well")
    notes.append("what was not given is taken for right, and the offset for local minus UTC")
    right = "What the display shows is right, as far as it was given."
    return document("values", found.causes if found else (), right=right, settings=read, notes=notes)


def _instant(at: str | None, where: str = "--at") -> datetime:
    """The instant of a look. Raises ConfigError beyond the years for which the sky and the zones are known."""
    from noonmark.driver.brief import FIRST_YEAR, LAST_YEAR

    utc = instant_of(at, where)
    if not FIRST_YEAR < utc.year < LAST_YEAR:
        raise ConfigError(
            f"{where if at else 'by the clock of this host it'} is {utc.year}: expected a year from {FIRST_YEAR + 1} "
            f"to {LAST_YEAR - 1}",
            code="year-out-of-range", remedy="mend the instant (UTC), or this host's clock",
        )  # fmt: skip
    return utc


def _by_this_clock(utc: datetime) -> str:
    return f"the time is this host's, {utc:%Y-%m-%dT%H:%M:%SZ}: give --at where it was another"


# --- from sightings ---------------------------------------------------------------------------------


def _from_sightings(given: dict[str, Any], site: Site) -> Document:
    from noonmark.driver.reasons.explain_document import SightingPart, document
    from noonmark.driver.reasons.sighting import SightingError
    from noonmark.driver.reasons.sighting_explanation import explain_sightings
    from noonmark.driver.reasons.sighting_words import MORE_LIKELY_THAN_NOT

    if not 0.1 <= given["noise_arcmin"] <= 600.0:
        raise ConfigError(f"--uncertainty {given['noise_arcmin']:g}: expected 0.1 to 600 arcmin", code="command-line")
    looks = _looks(given)
    try:
        answer = explain_sightings(
            looks, site, axis=given["axis"], synced=given["synced"], noise_arcmin=given["noise_arcmin"]
        )
    except SightingError as error:
        raise ConfigError(str(error), code="sighting-impossible", remedy="see: noonmark explain --help") from None
    notes = list(answer.advice)
    if not given["at"] and not given["table"]:
        notes.append(_by_this_clock(looks[0].utc))
    part = SightingPart(
        right_confidence=answer.right_confidence, seen=tuple(one.model_dump() for one in answer.seen),
        solution=answer.solution.model_dump() if answer.solution is not None else None,
        noise_arcmin=answer.noise_arcmin, axis=answer.axis, synced=answer.synced,
    )  # fmt: skip
    right = answer.right_confidence >= MORE_LIKELY_THAN_NOT
    told = document(
        "sighting", answer.explanation, right=answer.sentence, sighting=part, notes=notes, reason=answer.sentence
    )
    return told.model_copy(update={"code": "nothing-wrong"}) if right else told


def _looks(given: dict[str, Any]) -> list[Sighting]:
    from noonmark.driver.reasons.sighting import Sighting
    from noonmark.driver.reasons.sighting_table import Pair, position, table

    aimed, found, at = given["aimed"], given["found"], given["at"]
    if len(aimed) != len(found):
        raise ConfigError(
            f"--aimed is given {len(aimed)} times and --found {len(found)} times", code="command-line",
            remedy="give them in pairs, in the same order",
        )  # fmt: skip
    if len(at) not in (0, 1, len(aimed)):
        raise ConfigError(
            f"--at is given {len(at)} times for {len(aimed)} pairs", code="command-line",
            remedy="give it once, or once for each pair",
        )  # fmt: skip
    times = at if len(at) == len(aimed) and at else (at or (None,)) * len(aimed)
    pairs = table(given["table"]) if given["table"] is not None else []
    pairs += [Pair(f"pair {number}", *one) for number, one in enumerate(zip(aimed, found, times, strict=True), 1)]
    default = _instant(at[0] if at else None)
    equinoxes = (given["aimed_equinox"] or given["equinox"], given["found_equinox"] or given["equinox"])
    return [
        Sighting(
            *position(one.aimed, one.where), *position(one.found, one.where),
            _instant(one.utc, f"{one.where}: utc") if one.utc else default, *equinoxes,
        )
        for one in pairs
    ]  # fmt: skip


# --- the site ---------------------------------------------------------------------------------------


def _site(given: dict[str, Any]) -> Site:
    """From --latitude and --longitude, else from the configuration. Raises ConfigError."""
    latitude, longitude = given["latitude"], given["longitude"]
    if latitude is None and longitude is None:
        from noonmark.driver.site_config import load_site

        return load_site(given["config_file"]).site
    if latitude is None or longitude is None:
        raise ConfigError("--latitude and --longitude belong together", code="command-line", remedy="give both")
    key = _zone_of(latitude, longitude, given["timezone"])
    return Site(latitude_deg=latitude, longitude_deg=longitude, timezone=key)


def _zone_of(latitude: float, longitude: float, key: str | None) -> str:
    from noonmark.driver.zones import zones_at

    for name, value, limit in (("--latitude", latitude, 90), ("--longitude", longitude, 180)):
        if not abs(value) <= limit:
            raise ConfigError(f"{name} {value:g}: expected -{limit} to {limit} degrees", code="command-line")
    if key is not None:
        return key
    keys = zones_at(longitude, latitude)
    if not keys:
        raise ConfigError("this position has no time zone", code="zone-unknown", remedy="give --timezone KEY")
    return keys[0]
