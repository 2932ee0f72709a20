"""``weighbook token``: make a token of a workshop."""

from __future__ import annotations

import click

from service.cli.opening import database_option, opened_at_newest_schema
from service.store.tokens import create_token

SCOPES = ("read", "record", "manage")


@click.group()
def token() -> None:
    """Tokens: what opens a workshop."""


@token.command()
@click.option("--workshop", required=True, metavar="NAME", help="The workshop that it opens; made when it is new.")
@click.option("--scope", required=True, type=click.Choice(SCOPES), help="What it may do; each holds those before it.")
@click.option("--name", metavar="TEXT", help="Who holds it: signs what is written with it.")
@database_option
def create(workshop: str, scope: str, name: str | None, database_url: str | None) -> None:
    """Make a token and print it, alone on the last line. It is told this once."""
    with opened_at_newest_schema(database_url) as database:
        made = create_token(database, workshop, scope, name)
    click.echo(f"a token to {scope} in the workshop {workshop}:")
    click.echo(made)
