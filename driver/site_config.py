"""What the sheet needs of a configuration: the site and the payload. A mount and sources need not be in it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from noonmark.driver import config
from noonmark.driver.config import ConfigError
from noonmark.driver.sheet.balance import Load, Payload
from noonmark.driver.site import Site


@dataclass(frozen=True, slots=True)
class SiteConfig:
    """The site, the payload where there is a `[payload]` table, and the file they are from."""

    site: Site
    payload: Payload | None
    path: Path


class _Tables(BaseModel):
    model_config = ConfigDict(frozen=True)

    site: Site
    payload: Payload | None = None


def load_site(path: str | Path | None = None, *, environment: Mapping[str, str] | None = None) -> SiteConfig:
    """Read `[site]` and `[payload]` of a configuration, which is looked for as for the other verbs.

    Raises ConfigError with the file, the key, what was expected and the remedy.
    """
    found = config.find_config(path)
    where = str(found)
    env = os.environ if environment is None else environment
    data = config.overridden(config.read_toml(found), env, where)
    tables: dict[str, Any] = {"site": config.site_data(data.get("site"), where, found.parent)}
    if "payload" in data:
        tables["payload"] = data["payload"]
    try:
        read = _Tables.model_validate(tables)
    except ValidationError as error:
        raise ConfigError(explain_error(error, where), remedy=_remedy(error)) from None
    return SiteConfig(read.site, read.payload, found)


def explain_error(error: ValidationError, where: str) -> str:
    """The first thing wrong with the site or the payload; a key that is none first, since what it stands for then
    seems to be missing."""
    errors = error.errors()
    first = next((one for one in errors if one["type"] == "extra_forbidden"), errors[0])
    key = ".".join(str(part) for part in first["loc"])
    if first["loc"][0] == "payload":
        if first["type"] == "extra_forbidden":
            table = "payload.loads" if "loads" in first["loc"] else "payload"
            known = sorted((Load if "loads" in first["loc"] else Payload).model_fields)
            return f"{where}: unknown key '{key}'; [{table}] has {', '.join(known)}"
        if first["type"] == "tuple_type":
            return f"{where}: '{key}': expected a list in brackets; it is {first['input']!r}"
    return config.explain_error(error, where)


def _remedy(error: ValidationError) -> str:
    if error.errors()[0]["loc"][0] == "payload":
        return "masses in kg, distances in mm from the polar axis; or leave [payload] out"
    return "mend the named key"
