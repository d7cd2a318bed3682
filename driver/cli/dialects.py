"""The verb `dialects`: which manners of speaking there are, and what one says."""

from __future__ import annotations

import json

import click

from noonmark.driver.config import ConfigError
from noonmark.driver.dialects import known, resolve
from noonmark.driver.escaping import escape
from noonmark.protocols.dialect import Dialect, DialectError


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
def dialects(name: str | None, as_json: bool) -> int:
    """List the dialects, or print one (by NAME or from a file) as TOML with every key."""
    if name is not None:
        dialect = resolve(name)
        click.echo(json.dumps(dialect.model_dump(mode="json"), indent=2) if as_json else as_toml(dialect), nl=as_json)
        return 0
    try:
        found = known()
    except DialectError as error:
        raise ConfigError(str(error), code="dialect-wrong") from None
    if as_json:
        click.echo(json.dumps({key: one.model_dump(mode="json") for key, one in found.items()}, indent=2))
        return 0
    width = max(len(key) for key in found)
    click.echo(f"{'auto':{width}}  found out by the mount's own sidereal clock (the default)")
    for key, one in found.items():
        click.echo(f"{key:{width}}  {escape(one.summary)}")
    return 0


def as_toml(dialect: Dialect) -> str:
    """Every key of a dialect as TOML, readable back."""
    data = dialect.model_dump(mode="json")
    lines = [f"{key} = {json.dumps(value)}" for key, value in data.items() if not isinstance(value, dict)]
    for key, value in data.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]"]
            lines += [f"{inner} = {json.dumps(one)}" for inner, one in value.items() if one is not None]
    return "\n".join(lines) + "\n"
