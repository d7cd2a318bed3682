"""How a family of mounts speaks, as data: formats, reply shapes, conventions, limits, side effects.

Common practice of the trade, from memory; no published source exists. A dialect says nothing of who made
the mount: it is named for what it does. Values in a dialect are the mount's own manner; everywhere else in
this package longitude is EAST positive and an offset is local civil time minus UTC.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

SettingName = Literal["longitude", "latitude", "offset", "date", "time"]
SETTING_NAMES: tuple[SettingName, ...] = ("longitude", "latitude", "offset", "date", "time")


class DialectError(ValueError):
    """A dialect text is wrong: the message names the key, what was expected and the remedy."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Coordinates(_Part):
    """The form of `:Gg#` `:Gt#` `:Sg` `:St`. `written` is the finest form that a set command takes."""

    degree_mark: Literal["*", "0xDF"] = "*"
    seconds_mark: Literal[":", "'"] = ":"
    shown: Literal["minute", "second"] = "minute"
    written: Literal["minute", "second"] = "minute"
    toggles: bool = True  # whether `:U#` changes between the two forms shown


class Longitude(_Part):
    """Which way the mount counts longitude, and over which range it shows and takes it."""

    positive: Literal["west", "east"] = "west"
    written_positive: Literal["west", "east", "as-shown"] = "as-shown"
    range: Literal["0..360", "-180..180"] = "0..360"
    plus_sign: bool = False  # whether a + stands before a positive value, shown and written
    drops_sign: bool = False  # a written sign is acknowledged and ignored


class Offset(_Part):
    """`:GG#` `:SG`. "to-utc": hours to ADD to local time to get UTC, so that west is positive."""

    sense: Literal["to-utc", "from-utc"] = "to-utc"
    format: Literal["hours", "tenths", "minutes"] = "tenths"
    limit_h: float = Field(default=14.0, gt=0, le=24)
    finer: Literal["refuse", "truncate"] = "refuse"  # what becomes of a value finer than the format


class TimeOfDay(_Part):
    """The clock. `holds`: what goes on when the offset is written (utc: local time moves with it)."""

    holds: Literal["local", "utc"] = "local"
    local_is_utc: bool = False  # the sidereal clock takes local time for UTC, whatever the offset
    daylight_hour: bool = False  # one more hour between local time and UTC, that no command shows
    display_hours: Literal[12, 24] = 24
    display_rounds: bool = False
    phase: Literal["reset", "kept"] = "reset"  # of the seconds, when the time is set
    sidereal_renewed: Literal["always", "at-set-time"] = "always"


class Date(_Part):
    """`:GC#` `:SC`. `notices`: how many `#`-ended texts follow the `1`; `blocks_s`: silence before them."""

    order: Literal["mdy", "dmy"] = "mdy"
    year_digits: Literal[2, 4] = 2
    resets_time: bool = False
    notices: int = Field(default=0, ge=0, le=2)
    blocks_s: float = Field(default=0.0, ge=0, le=60)


class Deadlines(_Part):
    """Seconds after which an answer is no longer awaited, where a command needs more than the usual."""

    date_s: float = Field(default=35.0, gt=0, le=120)
    other_s: float | None = Field(default=None, gt=0, le=120)  # None: `reply_timeout_s` of the configuration


class Dialect(_Part):
    """One manner of speaking. Frozen; every key has the usual manner as its default."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")
    summary: str = ""
    product_pattern: str = ""  # a regular expression, found anywhere in what `:GVP#` answers; "": it says nothing
    acknowledgement: Literal["plain", "end-mark", "none"] = "plain"
    write_order: tuple[SettingName, ...] = SETTING_NAMES
    coordinates: Coordinates = Coordinates()
    longitude: Longitude = Longitude()
    offset: Offset = Offset()
    clock: TimeOfDay = TimeOfDay()
    date: Date = Date()
    deadlines: Deadlines = Deadlines()

    @field_validator("product_pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        try:
            re.compile(pattern)
        except (re.error, RecursionError, OverflowError) as error:
            raise ValueError(f"must be a regular expression: {error}") from None
        return pattern

    def fits_product(self, product: bytes) -> bool | None:
        """Whether what a mount calls itself fits the pattern; None where the dialect has none."""
        if not self.product_pattern:
            return None
        return re.search(self.product_pattern, product.decode("latin-1")) is not None

    @property
    def longitude_written_positive(self) -> Literal["west", "east"]:
        """The direction that is positive in a written longitude."""
        written = self.longitude.written_positive
        return self.longitude.positive if written == "as-shown" else written


USUAL = Dialect(name="usual", summary="West-positive longitude, hours to add to reach UTC, flags without end mark.")


def parse_dialect(text: str, where: str) -> Dialect:
    """A dialect from TOML text. `where` names the text in errors. Raises DialectError."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also an integer of thousands of digits, and tables without end
        raise DialectError(f"{where} is not TOML: {error}") from None
    return build_dialect(data, where)


def build_dialect(data: dict[str, Any], where: str) -> Dialect:
    """A dialect from plain data, lists taken for tuples. Raises DialectError naming the first wrong key."""
    if isinstance(data.get("write_order"), list):
        data = {**data, "write_order": tuple(data["write_order"])}
    try:
        dialect = Dialect.model_validate(data)
    except ValidationError as error:
        raise DialectError(_explain(error, where)) from None
    if sorted(dialect.write_order) != sorted(SETTING_NAMES):
        raise DialectError(
            f"{where}: write_order must hold each of {', '.join(SETTING_NAMES)} once; "
            f"it holds {', '.join(dialect.write_order)}"
        )
    return dialect


def known_keys() -> list[str]:
    """Every key a dialect file may hold, dotted where it stands in a table."""
    keys: list[str] = []
    for name, field in Dialect.model_fields.items():
        annotation = field.annotation
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            keys += [f"{name}.{inner}" for inner in annotation.model_fields]
        else:
            keys.append(name)
    return keys


def _explain(error: ValidationError, where: str) -> str:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        tables = sorted({known.split(".")[0] for known in known_keys()})
        near = difflib.get_close_matches(key, known_keys() + tables, n=1, cutoff=0.0)
        return f"{where}: unknown key '{key}'; the nearest known key is '{near[0]}'"
    if first["type"] == "missing":
        return f"{where}: key '{key}' is missing"
    message = first["msg"].removeprefix("Value error, ")
    if first["type"] == "literal_error":
        allowed = first.get("ctx", {}).get("expected", "")
        message = f"must be one of {allowed}"
        choices = [choice.strip(" '") for choice in allowed.replace(" or ", ",").split(",")]
        near = difflib.get_close_matches(str(first["input"]), choices, n=1, cutoff=0.0)
        if near:
            message += f" (nearest: '{near[0]}')"
    return f"{where}: key '{key}' {message[0].lower() + message[1:]}; it is {first['input']!r}"
