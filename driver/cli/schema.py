"""The verb `schema`: the JSON schema of what `check`, `set` and `restore` print."""

from __future__ import annotations

import json

import click

from noonmark.driver.result import Result


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Taken for likeness with the other verbs: it is JSON anyway.")
def schema(as_json: bool) -> int:
    """Print the JSON schema of a result."""
    click.echo(json.dumps(Result.model_json_schema(by_alias=True), indent=2))
    return 0
