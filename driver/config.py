"""The configuration: read, checked, and every mistake told with its key, what was expected and the remedy."""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from noonmark.driver.site import Site, plain

ENVIRONMENT_PREFIX = "NOONMARK_"
FILE_NAME = "noonmark.toml"


class ConfigError(ValueError):
    """The configuration is wrong. `code` is a stable slug; nothing was opened."""

    def __init__(self, message: str, *, code: str = "configuration", remedy: str = "") -> None:
        super().__init__(message)
        self.code = code
        self.remedy = remedy


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    @field_validator("*", mode="before")
    @classmethod
    def _plain(cls, value: object) -> object:
        return plain(value)


class MountConfig(_Part):
    """The line to the mount. `reply_timeout_s`: how long an answer is awaited before it is called silence."""

    port: str = Field(min_length=1)
    baud: int = Field(default=9600, ge=300, le=921600)
    dialect: str = Field(default="auto", min_length=1)
    reply_timeout_s: float = Field(default=2.0, gt=0, le=30, allow_inf_nan=False)


class SourceConfig(_Part):
    """One source. `disciplined_by = "gnss"`: this host's clock is kept by the same receiver, so that its word
    is no second origin. `latency_s`: upper bound on how late an epoch's first byte can be."""

    kind: Literal["host", "nmea", "gpsd"]
    port: str | None = None
    address: str | None = None
    baud: int = Field(default=9600, ge=300, le=921600)
    latency_s: float = Field(default=0.9, gt=0, le=10, allow_inf_nan=False)
    disciplined_by: Literal["network", "gnss"] = "network"

    @property
    def where(self) -> str:
        """The address to open; empty for the host."""
        return (self.port if self.kind == "nmea" else self.address) or ""


class Policy(_Part):
    """What must agree, and within what. `timescale`: what the mount's clock shall show; "ut1" for a mount that knows no
    UT1-UTC, so that its sidereal time is right to that too."""

    time_origins_required: int = Field(default=2, ge=1, le=3)
    place_origins_required: int = Field(default=2, ge=1, le=2)
    clock_tolerance_s: float = Field(default=1.0, gt=0, le=60, allow_inf_nan=False)
    clock_rewrite_s: float = Field(default=0.1, gt=0, le=60, allow_inf_nan=False)
    timescale: Literal["utc", "ut1"] = "utc"
    site_tolerance_m: float = Field(default=500.0, gt=0, le=100_000, allow_inf_nan=False)
    time_limit_s: float = Field(default=90.0, ge=5, le=900, allow_inf_nan=False)


class RecordConfig(_Part):
    """Where the records go. Empty: the user's state folder."""

    folder: str = ""

    @field_validator("folder")
    @classmethod
    def _findable(cls, value: str) -> str:
        try:
            Path(value).expanduser()
        except RuntimeError:
            raise ValueError("expected a folder; there is no such user's home") from None
        return value


class Config(_Part):
    """Everything a run needs to know."""

    site: Site
    mount: MountConfig
    sources: tuple[SourceConfig, ...] = Field(min_length=1)
    policy: Policy = Policy()
    record: RecordConfig = RecordConfig()
    path: str = ""  # where it came from; "" when built by hand
    notes: tuple[str, ...] = ()

    @field_validator("sources")
    @classmethod
    def _addressed(cls, sources: tuple[SourceConfig, ...]) -> tuple[SourceConfig, ...]:
        for number, source in enumerate(sources):
            if source.kind == "nmea" and not source.port:
                raise ValueError(f'sources.{number} is of kind nmea and has no port; add port = "..."')
            if source.kind == "gpsd" and not source.address:
                raise ValueError(f'sources.{number} is of kind gpsd and has no address; add address = "127.0.0.1:2947"')
        return sources


def load_config(
    path: str | Path | None = None,
    *,
    port: str | None = None,
    dialect: str | None = None,
    environment: Mapping[str, str] | None = None,
) -> Config:
    """Read and check a configuration. Raises ConfigError.

    path: a file; None looks for noonmark.toml here, in the user's configuration folder, in /etc/noonmark.
    port, dialect: override the mount's. environment: NOONMARK_<SECTION>__<KEY> overrides (default os.environ).
    """
    found = find_config(path)
    data = read_toml(found)
    where = str(found)
    env = os.environ if environment is None else environment
    data = overridden(data, env, where)
    mount = data.setdefault("mount", {})
    if isinstance(mount, dict):
        mount.update({key: value for key, value in (("port", port), ("dialect", dialect)) if value is not None})
    try:
        return build_config(data, where=where, folder=found.parent)
    except ConfigError as error:
        names = overriding(env)
        if not names:
            raise
        told = f"{error} (overridden from the environment: {', '.join(names)})"
        raise ConfigError(told, code=error.code, remedy=error.remedy) from None


def find_config(path: str | Path | None) -> Path:
    """The configuration file to use. Raises ConfigError naming the places that were looked at."""
    if path is not None:
        return Path(path)
    import platformdirs

    places = [
        Path(FILE_NAME),
        Path(platformdirs.user_config_dir("noonmark")) / FILE_NAME,
        Path("/etc/noonmark") / FILE_NAME,
    ]
    for place in places:
        if place.is_file():
            return place
    raise ConfigError(
        "no configuration found; looked for " + ", ".join(str(place) for place in places),
        code="configuration-absent",
        remedy="write one with: noonmark init",
    )


def read_toml(path: Path, *, remedy: str = "write one with: noonmark init") -> dict[str, Any]:
    """A file's tables. `remedy`: for where there is no such file. Raises ConfigError."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8"))
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file", code="configuration-absent", remedy=remedy) from None
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read: {error.strerror}",
            code="configuration-unreadable",
            remedy="check the file's owner and permissions",
        ) from None
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{path}: byte {error.start} is not UTF-8", code="configuration-not-toml", remedy="save it as UTF-8"
        ) from None
    except (ValueError, RecursionError) as error:  # also an integer of thousands of digits, and tables without end
        raise ConfigError(
            f"{path}: not TOML: {error}",
            code="configuration-not-toml",
            remedy="compare with what `noonmark init` writes",
        ) from None


def overridden(data: dict[str, Any], env: Mapping[str, str], where: str) -> dict[str, Any]:
    """Apply NOONMARK_SECTION__KEY and NOONMARK_SOURCES__1__KEY.

    Values are TOML where they parse as such; where a text belongs, they are that text. Raises ConfigError.
    """
    for name in overriding(env):
        keys = name[len(ENVIRONMENT_PREFIX) :].lower().split("__")
        target: Any = data
        for position, key in enumerate(keys[:-1]):
            if isinstance(target, list):
                if re.fullmatch(r"[0-9]{1,4}", key) is None or int(key) >= len(target):
                    raise ConfigError(
                        f"environment variable {name}: {where} has {len(target)} {keys[position - 1]}, "
                        f"numbered from 0; there is no number {key!r}"
                    )
                target = target[int(key)]
            elif isinstance(target, dict):
                target = target.setdefault(key, {})
            else:
                target = None
            if not isinstance(target, (dict, list)):
                raise ConfigError(f"environment variable {name}: {'.'.join(keys[: position + 1])} is no table")
        if not isinstance(target, dict):
            raise ConfigError(f"environment variable {name}: a number and a key must follow {keys[0]}")
        target[keys[-1]] = _scalar(env[name], keys[-1] in _texts())
    return data


def overriding(env: Mapping[str, str]) -> list[str]:
    """The environment variables that override a key."""
    return sorted(name for name in env if name.startswith(ENVIRONMENT_PREFIX) and "__" in name)


def _scalar(text: str, wanted_text: bool) -> Any:
    try:
        parsed = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    value = parsed["value"]
    return text if len(parsed) > 1 or (wanted_text and not isinstance(value, str)) else value


def _texts() -> set[str]:
    """The keys that take a text."""
    models: tuple[type[BaseModel], ...] = (Site, MountConfig, SourceConfig, RecordConfig)
    found = {"file"}
    for model in models:
        found |= {name for name, field in model.model_fields.items() if field.annotation in (str, str | None)}
    return found


def build_config(data: dict[str, Any], *, where: str = "configuration", folder: Path | None = None) -> Config:
    """A configuration from plain data, checked as a whole. Raises ConfigError."""
    data = dict(data)
    for reserved in ("path", "notes"):
        if reserved in data:
            raise ConfigError(_unknown_key(where, reserved), remedy="mend the name, or remove the key")
    _surplus(data, where)
    given = data.get("site")
    data["site"] = site_data(given, where, folder)
    try:
        config = Config.model_validate({**data, "path": where})
    except ValidationError as error:
        file = where
        if error.errors()[0]["loc"][0] == "site" and isinstance(given, dict) and "file" in given:
            file = str((folder or Path()) / given["file"])
        raise ConfigError(explain_error(error, file), remedy="mend the named key") from None
    written = float(data["site"]["longitude_deg"])
    if written > 180.0:
        note = f"site.longitude_deg = {written:g} is taken as {config.site.longitude_deg:g} (east positive)"
        config = config.model_copy(update={"notes": (note,)})
    _cross_check(config, where)
    return config


def site_data(site: Any, where: str, folder: Path | None) -> dict[str, Any]:
    if not isinstance(site, dict):
        raise ConfigError(
            f"{where}: there is no [site] table", remedy="add [site] with latitude_deg, longitude_deg, "
            "elevation_m and timezone, or file = \"site.toml\""
        )  # fmt: skip
    if "file" not in site:
        return dict(site)
    if len(site) > 1:
        others = ", ".join(sorted(set(site) - {"file"}))
        raise ConfigError(f"{where}: [site] has file and also {others}", remedy="keep the one or the other")
    path = (folder or Path()) / _file_name(site["file"], where)
    inner = read_toml(path, remedy="write one with: noonmark survey, or name another")
    table = inner.get("site", inner)
    if not isinstance(table, dict):
        raise ConfigError(f"{path}: there is no [site] table")
    known = {"name", *Site.model_fields}
    return {key: value for key, value in table.items() if key in known}


def _file_name(value: object, where: str) -> str:
    try:
        plain(value)
    except ValueError as error:
        raise ConfigError(f"{where}: 'site.file': {error}", remedy="name a TOML file") from None
    if not isinstance(value, str) or not value:
        raise ConfigError(f"{where}: 'site.file': expected a file's name; it is {value!r}", remedy="name a TOML file")
    return value


def known_keys() -> list[str]:
    """Every key a configuration may hold, dotted."""
    keys: list[str] = ["site.file"]
    parts: tuple[tuple[str, type[BaseModel]], ...] = (
        ("site", Site),
        ("mount", MountConfig),
        ("sources", SourceConfig),
        ("policy", Policy),
        ("record", RecordConfig),
    )
    for section, model in parts:
        keys += [f"{section}.{name}" for name in model.model_fields]
    return keys


_OTHER_TABLES = ("payload",)  # read by the sheet for the person at the pier, not by a run


def _surplus(data: dict[str, Any], where: str) -> None:
    for table in _OTHER_TABLES:
        data.pop(table, None)
    known = {key.split(".")[0] for key in known_keys()}
    for key in data:
        if key not in known:
            raise ConfigError(_unknown_key(where, key), remedy="mend the name, or remove the key")


def _unknown_key(where: str, key: str) -> str:
    sections = sorted({known.split(".")[0] for known in known_keys()})
    choices = known_keys() + sections
    bare = ".".join(part for part in key.split(".") if not part.isdigit())
    near = difflib.get_close_matches(bare, choices, n=1, cutoff=0.0)
    return f"{where}: unknown key '{key}'; the nearest known key is '{near[0]}'"


def explain_error(error: ValidationError, where: str) -> str:
    """The first thing wrong, in words; an unknown key first, since the one that it was to be seems to be missing."""
    errors = error.errors()
    first = next((one for one in errors if one["type"] == "extra_forbidden"), errors[0])
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return _unknown_key(where, key)
    if first["type"] == "missing":
        return f"{where}: '{key}' is missing"
    if first["type"] in ("model_type", "tuple_type"):
        table = "[[sources]], one for each source" if key.startswith("sources") else f"[{key}]"
        return f"{where}: '{key}': expected a table {table}"
    message = first["msg"].removeprefix("Value error, ")
    if first["type"] == "value_error" and key in ("site", "sources"):
        return f"{where}: {message}"
    shown = first["input"]
    told = "" if isinstance(shown, (dict, list, tuple)) else f"; it is {shown!r}"
    return f"{where}: '{key}': {message[0].lower() + message[1:]}{told}"


def _cross_check(config: Config, where: str) -> None:
    simulated_mount = config.mount.port.startswith("sim:")
    for number, source in enumerate(config.sources):
        if source.where.startswith("sim:") and not simulated_mount:
            raise ConfigError(
                f"{where}: sources.{number} is simulated ({source.where}) and the mount is not: "
                "simulated truth never reaches a real mount",
                code="simulated-source-real-mount",
                remedy="give the source a real port, or the mount the address sim:",
            )
    _check_addresses(config, where)
    origins = time_origins(config.sources)
    if len(origins) < config.policy.time_origins_required:
        raise ConfigError(
            f"{where}: policy.time_origins_required is {config.policy.time_origins_required}, but the sources "
            f"have {len(origins)} origin{'s' if len(origins) != 1 else ''} ({', '.join(sorted(origins))})",
            code="too-few-origins",
            remedy="add a [[sources]] of another origin (host, and nmea or gpsd), or lower "
            "policy.time_origins_required knowingly",
        )
    places = 1 + any(source.kind != "host" for source in config.sources)
    if places < config.policy.place_origins_required:
        raise ConfigError(
            f"{where}: policy.place_origins_required is {config.policy.place_origins_required}, but there is "
            "only the configured site",
            code="too-few-origins",
            remedy="add a [[sources]] of kind nmea or gpsd, or set policy.place_origins_required = 1 knowingly",
        )


def _check_addresses(config: Config, where: str) -> None:
    """What is no address can't be opened: that is a mistake of the configuration, not a port that is absent."""
    from noonmark.driver.lines.addresses import parse_address
    from noonmark.protocols.seams import SeamError

    places = [("mount.port", config.mount.port, False)]
    places += [
        (f"sources.{number}.{'port' if source.kind == 'nmea' else 'address'}", source.where, True)
        for number, source in enumerate(config.sources)
        if source.kind != "host"
    ]
    for key, address, daemon in places:
        if address.startswith("sim:"):
            continue
        try:
            parse_address(address, fault=SeamError, daemon=daemon)
        except SeamError as error:
            raise ConfigError(f"{where}: '{key}': {error}", code=error.code, remedy=error.remedy) from None


def time_origins(sources: tuple[SourceConfig, ...]) -> set[str]:
    """What the configured sources ultimately stand on."""
    return {
        source.disciplined_by if source.kind == "host" and source.disciplined_by == "gnss"
        else ("host" if source.kind == "host" else "gnss")
        for source in sources
    }  # fmt: skip


def check_zone(config: Config) -> None:
    """Refuse a zone that is unknown, or that can't be at the site's longitude. Raises ConfigError."""
    from noonmark.driver import zones

    where = config.path or "configuration"
    try:
        zone = zones.load_zone(config.site.timezone)
    except zones.ZoneError as error:
        raise ConfigError(f"{where}: 'site.timezone': {error}", code="zone-unknown", remedy="mend the name") from None
    import datetime as dt

    now = dt.datetime.now(dt.UTC)
    reasons = [
        zones.implausible_offset(
            zones.offset_h(zone, now + dt.timedelta(days=days)),
            config.site.longitude_deg,
            config.site.latitude_deg,
        )
        for days in (0, 182)
    ]
    if all(reasons):
        raise ConfigError(
            f"{where}: 'site.timezone' is {config.site.timezone!r}, 'site.longitude_deg' is "
            f"{config.site.longitude_deg:g}: {reasons[0]}",
            code="zone-implausible",
            remedy="check the longitude's sign (east is positive) and the zone's name",
        )
