"""``weighbook demo``: the invented workshop of the seed data, in a fresh file, served."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import click

from service.cli.opening import database_option, opened_at_newest_schema, settings_with
from service.cli.records import MEDIA_TYPES, import_into
from service.cli.serving import DEFAULT_HOST, DEFAULT_PORT, run
from service.store.session import Database
from service.store.tokens import create_token, find_workshop, list_workshops

WORKSHOP = "demo"
BESIDE_THE_SOURCE = Path(__file__).resolve().parents[2] / "seed_data"
QUESTIONS = (
    ("what each step gave", "/v1/routes/verdigris/yields"),
    ("what a gram costs", "/v1/routes/verdigris/cost"),
    ("how much to begin with for 25 g", "/v1/routes/verdigris/plan?target=25g&confidence=0.9&stock=none"),
)


def seed_files(folder: str | None) -> list[Path]:
    """Return the files of the demo in the order of their names."""
    found = BESIDE_THE_SOURCE if folder is None else Path(folder)
    files = sorted(file for file in found.glob("*") if file.suffix in MEDIA_TYPES)
    if not files:
        raise click.ClickException(
            f"no seed data in {found}: run the demo from a checkout, or name the folder with --seed-data"
        )
    return files


def load(database: Database, files: list[Path], *, at: dt.datetime) -> str:
    """Fill an empty database with the demo, written ``at``; return a token that may do everything in it."""
    if list_workshops(database):
        raise click.ClickException("the database holds a workshop already: the demo wants a fresh one")
    return fill(database, WORKSHOP, files, at=at)


def fill(database: Database, workshop: str, files: list[Path], *, at: dt.datetime) -> str:
    """Fill a workshop that is not there yet with the demo; return a token that may do everything in it."""
    token = create_token(database, workshop, "manage", "demo", at=at)
    workshop_id = find_workshop(database, workshop)
    for file in files:
        import_into(database, workshop_id, file, replace=False, by="demo", at=at)
    return token


def _told(address: str, token: str) -> str:
    lines = [
        "The demo: an invented workshop, with invented runs and prices.",
        f"address: {address}",
        f"documentation: {address}/docs",
        f"token: {token}",
        "",
    ]
    for question, path in QUESTIONS:
        lines += [f"# {question}", f"curl -s -H 'Authorization: Bearer {token}' '{address}{path}'"]
    return "\n".join(lines)


@click.command()
@click.option("--host", default=DEFAULT_HOST, show_default=True, help="The address to listen on.")
@click.option("--port", default=DEFAULT_PORT, show_default=True, type=click.IntRange(0, 65535))
@click.option("--seed-data", metavar="FOLDER", help="Where the demo's records are; WEIGHBOOK_SEED_DATA if left out.")
@database_option
def demo(host: str, port: int, seed_data: str | None, database_url: str | None) -> None:
    """Serve an invented workshop, to try everything on; without --database it is gone when the service stops."""
    files = seed_files(settings_with(seed_data=seed_data).seed_data)
    with tempfile.TemporaryDirectory(prefix="weighbook-demo-") as folder:
        settings = settings_with(database_url=database_url or f"sqlite:///{folder}/demo.db")
        with opened_at_newest_schema(settings.database_url) as database:
            token = load(database, files, at=dt.datetime.now(dt.UTC))
        run(
            settings,
            host=host,
            port=port,
            workers=1,
            when_ready=lambda address: click.echo(_told(address, token)),
        )
