"""The verb `dialects`: which manners of speaking there are, and what one says."""

from __future__ import annotations

import json

import click

from noonmark.driver.config import ConfigError
from noonmark.driver.dialects import AUTO, known, resolve, troubles
from noonmark.driver.escaping import escape
from noonmark.protocols.dialect import Dialect

# keys that are left out as a rule: how one would look, and what holds without it
LEFT_OUT = {("deadlines", "other_s"): "2.0  # left out: mount.reply_timeout_s of the configuration"}


@click.command()
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout.")
def dialects(name: str | None, as_json: bool) -> int:
    """List the dialects, or print one (by NAME or from a file) as TOML with every key."""
    if name == AUTO:
        raise ConfigError(
            "'auto' is no dialect: with it the mount's manner is found out by its own sidereal clock",
            code="dialect-absent",
            remedy="list the dialects with: noonmark dialects",
        )
    if name is not None:
        dialect = resolve(name)
        click.echo(json.dumps(dialect.model_dump(mode="json"), indent=2) if as_json else as_toml(dialect), nl=as_json)
        return 0
    found = known()
    for trouble in troubles():
        click.echo(f"noonmark: left out: {escape(trouble, cap=400)}", err=True)
    if as_json:
        click.echo(json.dumps({key: one.model_dump(mode="json") for key, one in found.items()}, indent=2))
        return 0
    width = max(len(key) for key in found)
    click.echo(f"{'auto':{width}}  found out by the mount's own sidereal clock (the default)")
    for key, one in found.items():
        click.echo(f"{key:{width}}  {escape(one.summary)}")
    return 0


def as_toml(dialect: Dialect) -> str:
    """Every key of a dialect as TOML, readable back; one that is left out as a comment."""
    data = dialect.model_dump(mode="json")
    lines = [f"{key} = {json.dumps(value)}" for key, value in data.items() if not isinstance(value, dict)]
    for key, value in data.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]"]
            lines += [f"{inner} = {json.dumps(one)}" for inner, one in value.items() if one is not None]
            lines += [f"# {inner} = {LEFT_OUT[key, inner]}" for inner, one in value.items() if one is None]
    return "\n".join(lines) + "\n"
