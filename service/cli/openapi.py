"""``weighbook openapi``: write the OpenAPI document to a file."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any, Final

import click

from service import api
from service.api.about import OPENAPI
from service.api.examples import FILE
from service.api.examples import examples as known_examples
from service.app import SERVICE, create_app
from service.cli.examples import write_examples
from service.settings import Settings

EXAMPLES: Final = Path(api.__file__).with_name(FILE)


def document() -> dict[str, Any]:
    """Return the document of the service as it is by default; no database is asked."""
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Settings(database_url=f"sqlite:///{folder}/unused.db"))
        found: dict[str, Any] = json.loads(app.extensions[OPENAPI])
        app.extensions[SERVICE].database.close()
    return found


def text_of(found: dict[str, Any]) -> str:
    """Return the document as the file holds it."""
    return json.dumps(found, ensure_ascii=False, indent=1) + "\n"


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path), default=Path("openapi/openapi.json"))
@click.option("--examples", is_flag=True, help="Ask the demo for the examples first; for a checkout.")
def openapi(file: Path, examples: bool) -> None:
    """Write the OpenAPI 3.1 document to FILE."""
    if examples:
        write_examples(EXAMPLES)
        known_examples.cache_clear()
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text_of(document()), "utf-8")
    click.echo(f"wrote {file}")
