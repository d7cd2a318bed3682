"""The site file that a survey writes and a configuration takes in by `[site] file = "site.toml"`.

A file that says another place is never overwritten unasked, and when asked it is kept beside the new one.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import secrets
import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from noonmark.driver.geodesy import Tangent
from noonmark.driver.site import Site
from noonmark.driver.survey import Survey
from noonmark.driver.version import VERSION

LEAST_ELEVATION_M = 30.0
"""Elevations nearer than this are the same place: receivers' geoids differ by so much (common practice)."""


class SiteFileError(Exception):
    """The site file was not written. `code` is a stable slug; the message names the file."""

    def __init__(self, code: str, message: str, remedy: str) -> None:
        super().__init__(message)
        self.code = code
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Written:
    """`changed` False: the file says this place already and was left as it is. `kept`: the earlier file."""

    path: Path
    changed: bool
    kept: Path | None = None


def site_of(found: Survey, *, name: str, timezone: str) -> Site:
    """The surveyed site, rounded as the file has it: to a micro-degree (0.1 m) and a decimetre.

    Raises SiteFileError for a name or an elevation that no site has.
    """
    try:
        return Site(
            name=name,
            latitude_deg=round(found.latitude_deg, 6),
            longitude_deg=round(found.longitude_deg, 6),
            elevation_m=0.0 if found.elevation_m is None else round(found.elevation_m, 1),
            timezone=timezone,
        )
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        why = first["msg"].removeprefix("Value error, ")
        raise SiteFileError("site-wrong", f"the site's {key}: {why}", f"give another {key}") from None


def text(found: Survey, site: Site) -> str:
    """The file as TOML: the site, and beneath it how it was found, for people and for the record."""
    elevation = [] if found.elevation_m is None else [f"elevation_m = {site.elevation_m:.1f}  # above mean sea level"]
    scatter = f"the epochs scatter by {found.scatter95_m:.1f} m (95%)"
    lines = [
        f'# Surveyed by noonmark {VERSION}; a configuration takes it in by [site] file = "site.toml".',
        "",
        "[site]",
        f"name = {_quoted(site.name)}",
        f"latitude_deg = {site.latitude_deg:.6f}  # north positive",
        f"longitude_deg = {site.longitude_deg:.6f}  # EAST positive",
        *elevation,
        f"timezone = {_quoted(site.timezone)}",
        "",
        "[survey]",
        f"radius95_m = {found.radius95_m:.1f}  # {scatter}; 8 m may be common to all",
        f"epochs = {found.epochs_used}",
        f"span_s = {found.span_s:.0f}",
        f"last_epoch_utc = {_quoted(found.last_utc.isoformat())}",
        f"iso6709 = {_quoted(found.iso6709)}",
        f"timezones = {json.dumps(list(found.timezones))}",
    ]
    return "\n".join(lines) + "\n"


def _quoted(value: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's, but for DEL, which TOML wants escaped too."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_site(path: Path) -> Site:
    """The site in a file. Raises SiteFileError (code site-file-unreadable)."""
    remedy = "look at the file; --replace keeps it beside and writes anew"
    try:
        table = tomllib.loads(path.read_text("utf-8")).get("site", {})
        return Site.model_validate({key: value for key, value in table.items() if key in Site.model_fields})
    except (OSError, ValueError, AttributeError, ValidationError) as error:
        raise SiteFileError(
            "site-file-unreadable", f"{path} is there and is no site file: {str(error).splitlines()[0]}", remedy
        ) from None


def difference(earlier: Site, found: Survey, site: Site) -> str | None:
    """How an earlier site differs from a survey beyond what the survey can tell; None where it does not."""
    east_m, north_m = Tangent(site.latitude_deg, site.longitude_deg).east_north_m(
        earlier.latitude_deg, earlier.longitude_deg
    )
    away_m = math.hypot(east_m, north_m)
    if away_m > found.radius95_m:
        length = f"{away_m:.0f} m" if away_m < 10_000.0 else f"{away_m / 1000.0:.0f} km"
        return f"it lies {length} away (the survey's radius is {found.radius95_m:.0f} m)"
    if found.elevation_m is not None:
        up_m = abs(earlier.elevation_m - site.elevation_m)
        if up_m > max(found.elevation95_m or 0.0, LEAST_ELEVATION_M):
            return f"its elevation is {earlier.elevation_m:.0f} m, the surveyed one {site.elevation_m:.0f} m"
    if earlier.timezone != site.timezone:
        return f"its time zone is {earlier.timezone}, the surveyed one {site.timezone}"
    return None


def write(path: Path, found: Survey, site: Site, *, replace: bool = False) -> Written:
    """Write the site file. Raises SiteFileError.

    A file that says the same place (within the survey's radius, the same zone) is left as it is. One that differs,
    or can't be read, is refused (site-differs) unless `replace`; it is then kept beside, named by a number.
    """
    kept = None
    if os.path.lexists(path):
        why = _why_differs(path, found, site)
        if why is None and not replace:
            return Written(path, changed=False)
        if not replace:
            raise SiteFileError(
                "site-differs",
                f"{path} says another site: {why}",
                "see which one is right; --replace keeps the old beside",
            )
        kept = _keep(path)
    _write(path, text(found, site))
    return Written(path, changed=True, kept=kept)


def _why_differs(path: Path, found: Survey, site: Site) -> str | None:
    try:
        return difference(read_site(path), found, site)
    except SiteFileError as error:
        return str(error)


def _keep(path: Path) -> Path:
    """Give the earlier file another name beside the new one, one that is free."""
    for number in range(1, 10_000):
        beside = path.with_name(f"{path.name}.{number}.old")
        try:
            os.link(path, beside, follow_symlinks=False)  # fails where it exists, so that none is ever lost
        except FileExistsError:
            continue
        except OSError as error:
            raise _unwritable(path, error) from None
        return beside
    raise SiteFileError("site-file-not-writable", f"{path} has too many old ones beside it", "remove some")


def _write(path: Path, content: str) -> None:
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with temporary.open("x", encoding="utf-8") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: OSError) -> SiteFileError:
    return SiteFileError(
        "site-file-not-writable",
        f"{path} can't be written: {error.strerror}",
        "choose another --out or mend its folder",
    )
