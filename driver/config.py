"""The configuration: read, checked, and every mistake told with its key, what was expected and the remedy."""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from noonmark.driver.site import Site

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
    """What must agree, and within what."""

    time_origins_required: int = Field(default=2, ge=1, le=3)
    place_origins_required: int = Field(default=2, ge=1, le=2)
    clock_tolerance_s: float = Field(default=1.0, gt=0, le=60, allow_inf_nan=False)
    clock_rewrite_s: float = Field(default=0.1, gt=0, le=60, allow_inf_nan=False)
    site_tolerance_m: float = Field(default=500.0, gt=0, le=100_000, allow_inf_nan=False)
    time_limit_s: float = Field(default=90.0, ge=5, le=900, allow_inf_nan=False)


class RecordConfig(_Part):
    """Where the records go. Empty: the user's state folder."""

    folder: str = ""


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
                raise ValueError(f"sources.{number} is of kind nmea and has no port; add port = \"...\"")
            if source.kind == "gpsd" and not source.address:
                raise ValueError(
                    f"sources.{number} is of kind gpsd and has no address; add address = \"127.0.0.1:2947\""
                )
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
    return build_config(data, where=where, folder=found.parent)


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


def read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8"))
    except FileNotFoundError:
        raise ConfigError(
            f"{path}: no such file", code="configuration-absent", remedy="write one with: noonmark init"
        ) from None
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
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(
            f"{path}: not TOML: {error}",
            code="configuration-not-toml",
            remedy="compare with what `noonmark init` writes",
        ) from None


def overridden(data: dict[str, Any], env: Mapping[str, str], where: str) -> dict[str, Any]:
    """Apply NOONMARK_SECTION__KEY and NOONMARK_SOURCES__1__KEY; values are TOML where they parse as such."""
    for name in sorted(env):
        if not name.startswith(ENVIRONMENT_PREFIX) or "__" not in name:
            continue
        keys = name[len(ENVIRONMENT_PREFIX) :].lower().split("__")
        target: Any = data
        for position, key in enumerate(keys[:-1]):
            if isinstance(target, list):
                if not key.isdigit() or int(key) >= len(target):
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
        target[keys[-1]] = _scalar(env[name])
    return data


def _scalar(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def build_config(data: dict[str, Any], *, where: str = "configuration", folder: Path | None = None) -> Config:
    """A configuration from plain data, checked as a whole. Raises ConfigError."""
    data = dict(data)
    for reserved in ("path", "notes"):
        if reserved in data:
            raise ConfigError(_unknown_key(where, reserved))
    _surplus(data, where)
    data["site"] = site_data(data.get("site"), where, folder)
    notes: list[str] = []
    longitude = data["site"].get("longitude_deg")
    if isinstance(longitude, (int, float)) and 180 < longitude <= 360:
        notes.append(f"site.longitude_deg = {longitude:g} is taken as {longitude - 360:g} (east positive)")
    try:
        config = Config.model_validate({**data, "path": where, "notes": tuple(notes)})
    except ValidationError as error:
        raise ConfigError(explain_error(error, where), remedy="mend the named key") from None
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
    path = (folder or Path()) / str(site["file"])
    inner = read_toml(path)
    table = inner.get("site", inner)
    if not isinstance(table, dict):
        raise ConfigError(f"{path}: there is no [site] table")
    known = {"name", *Site.model_fields}
    return {key: value for key, value in table.items() if key in known}


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
    plain = ".".join(part for part in key.split(".") if not part.isdigit())
    near = difflib.get_close_matches(plain, choices, n=1, cutoff=0.0)
    return f"{where}: unknown key '{key}'; the nearest known key is '{near[0]}'"


def explain_error(error: ValidationError, where: str) -> str:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return _unknown_key(where, key)
    if first["type"] == "missing":
        return f"{where}: '{key}' is missing"
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
        raise ConfigError(f"{where}: 'site.timezone': {error}", code="zone-unknown") from None
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
