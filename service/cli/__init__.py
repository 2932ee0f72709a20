"""The command ``weighbook``: run the service, try the demo, make tokens, move records, keep the database."""

from __future__ import annotations

from typing import Any

import click

from service.cli.demo import demo
from service.cli.keeping import backup, check, restore, upgrade
from service.cli.openapi import openapi
from service.cli.records import export_records, import_file
from service.cli.serving import serve
from service.cli.tokens import token
from service.errors import FaultyInput, WeighbookError


class Weighbook(click.Group):
    """The group of all commands; an error of the service is told in its own words, without a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except WeighbookError as error:
            raise click.ClickException(_told(error)) from error


def _told(error: WeighbookError) -> str:
    if not isinstance(error, FaultyInput) or len(error.faults) < 2:
        return error.detail
    shown, left = error.shown()
    lines = [error.detail, *(f"  {_place(fault.as_dict())}{fault.detail}" for fault in shown)]
    return "\n".join(lines + [f"  and {left} more"] * bool(left))


def _place(fault: dict[str, Any]) -> str:
    places = [f"{name} {fault[name]}" for name in ("line", "column", "pointer", "parameter") if name in fault]
    return ", ".join(places) + ": " if places else ""


@click.group(cls=Weighbook, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="weighbook")
def main() -> None:
    """Weighbook: yield and cost of multi-step preparations, from what was weighed and paid."""


for command in (serve, demo, token, import_file, export_records, backup, restore, upgrade, check, openapi):
    main.add_command(command)
