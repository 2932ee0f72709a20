"""``weighbook import`` and ``weighbook export``: records into a workshop and out of it."""

from __future__ import annotations

import datetime as dt
import json
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any, BinaryIO, Final

import click

from service.api.moves import ImportWatch
from service.cli.opening import database_option, opened_at_newest_schema
from service.record.importing import import_records
from service.schemas.kinds import KINDS, singular
from service.store.records import many
from service.store.session import Database
from service.store.tokens import find_workshop

MEDIA_TYPES: Final = {
    ".json": "application/json",
    ".ndjson": "application/x-ndjson",
    ".jsonl": "application/x-ndjson",
    ".csv": "text/csv",
}
_TIMEOUT_S: Final = 600


def media_type_of(file: Path) -> str:
    """Return the media type of a file by how its name ends."""
    media_type = MEDIA_TYPES.get(file.suffix.lower())
    if media_type is None:
        raise click.ClickException(f"{file.name} ends in none of {', '.join(MEDIA_TYPES)}")
    return media_type


def import_into(
    database: Database, workshop_id: int, file: Path, *, replace: bool, dry_run: bool = False, by: str, at: dt.datetime
) -> dict[str, Any]:
    """Import one file and return the report."""
    return import_records(
        database,
        workshop_id,
        file.read_bytes(),
        media_type_of(file),
        dry_run=dry_run,
        replace=replace,
        may_change_workshop=True,
        by=by,
        at=at,
        watch=ImportWatch,
    )


def _send(server: str, token: str, file: Path, *, replace: bool, dry_run: bool) -> dict[str, Any]:
    if urllib.parse.urlsplit(server).scheme not in ("http", "https"):
        raise click.ClickException("--server takes an address such as http://127.0.0.1:8750")
    asked = urllib.parse.urlencode({"replace": str(replace).lower(), "dry_run": str(dry_run).lower()})
    request = urllib.request.Request(
        f"{server.rstrip('/')}/v1/imports?{asked}",
        data=file.read_bytes(),
        headers={"Authorization": f"Bearer {token}", "Content-Type": media_type_of(file)},
        method="POST",
    )
    try:
        with _opener().open(request, timeout=_TIMEOUT_S) as answer:
            report: dict[str, Any] = json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            raise click.ClickException(_told(error.read())) from error
    except urllib.error.URLError as error:
        raise click.ClickException(f"{server} does not answer: {error.reason}") from error
    return report


def _opener() -> urllib.request.OpenerDirector:
    """What asks over HTTP and nothing else. It follows no redirection: the token is for the server that was named."""
    opener = urllib.request.OpenerDirector()
    for handler in (
        urllib.request.ProxyHandler,
        urllib.request.HTTPHandler,
        urllib.request.HTTPSHandler,
        urllib.request.HTTPErrorProcessor,
        urllib.request.HTTPDefaultErrorHandler,
        urllib.request.UnknownHandler,
    ):
        opener.add_handler(handler())
    return opener


def _told(body: bytes) -> str:
    try:
        problem = json.loads(body)
        faults = [json.dumps(fault, ensure_ascii=False) for fault in problem.get("faults", [])]
        return "\n  ".join([problem["detail"], *faults])
    except (ValueError, KeyError, TypeError, AttributeError):
        return "the server refused, and not in words of Weighbook"


@click.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@database_option
@click.option("--workshop", metavar="NAME", help="The workshop to import into, with --database.")
@click.option("--server", metavar="URL", help="A running service to send the file to, in place of --database.")
@click.option("--token", help="A token to record, with --server.")
@click.option("--replace", is_flag=True, help="Write over records that differ; else they are refused.")
@click.option("--dry-run", is_flag=True, help="Check everything and write nothing.")
def import_file(
    file: Path,
    database_url: str | None,
    workshop: str | None,
    server: str | None,
    token: str | None,
    replace: bool,
    dry_run: bool,
) -> None:
    """Import FILE (.json, .ndjson or .csv): all of its records or none."""
    if server is not None:
        if database_url is not None or workshop is not None or token is None:
            raise click.UsageError("--server goes with --token, and neither with --database nor with --workshop")
        report = _send(server, token, file, replace=replace, dry_run=dry_run)
    else:
        if workshop is None:
            raise click.UsageError("say --workshop NAME, or --server URL and --token TOKEN")
        with opened_at_newest_schema(database_url) as database:
            workshop_id = find_workshop(database, workshop)
            report = import_into(
                database, workshop_id, file, replace=replace, dry_run=dry_run, by="import", at=dt.datetime.now(dt.UTC)
            )
    click.echo(json.dumps(report, ensure_ascii=False, indent=1))


@click.command("export")
@click.argument("file", type=click.File("wb"), default="-")
@database_option
@click.option("--workshop", required=True, metavar="NAME")
def export_records(file: BinaryIO, database_url: str | None, workshop: str) -> None:
    """Write every record of a workshop as it stands to FILE, one import line each (NDJSON)."""
    with opened_at_newest_schema(database_url) as database:
        workshop_id = find_workshop(database, workshop)
        with database.reading(workshop_id) as reading:
            for kind in KINDS:
                for stored in many(reading, kind):
                    line = {"kind": singular(kind), "code": stored.code, "record": stored.body}
                    file.write(json.dumps(line, ensure_ascii=False).encode() + b"\n")
