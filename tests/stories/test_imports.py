"""A workshop takes its old notebook in: a catalogue as JSON, then weighings on the sheet that the service hands out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.api.problems import MEDIA_TYPE
from service.app import SERVICE, create_app
from service.schemas.weighing_table import COLUMNS
from service.settings import Settings
from service.store.session import Database
from service.store.tokens import create_token
from tests.record.import_lines import CATALOGUE, SMALL, as_json, as_ndjson, line

SEEDS = sorted((Path(__file__).resolve().parents[2] / "seed_data").glob("[0-9]*"))
JSON, NDJSON, CSV = "application/json", "application/x-ndjson", "text/csv"


@pytest.fixture
def service(database_url: str) -> Iterator[Flask]:
    made = create_app(Settings(database_url=database_url))
    yield made
    made.extensions[SERVICE].database.close()


def holder(service: Flask, database: Database, workshop: str, scope: str) -> FlaskClient:
    client = service.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {create_token(database, workshop, scope, scope)}"
    return client


@pytest.fixture
def bench(service: Flask, database: Database, workshop: str) -> FlaskClient:
    """Somebody who may record."""
    return holder(service, database, workshop, "record")


def post(client: FlaskClient, body: bytes, content_type: str = JSON, **query: str) -> Any:
    return client.post("/v1/imports", data=body, content_type=content_type, query_string=query)


def filled_in(sheet: str, cells: dict[tuple[str, str], dict[str, str]], **of_run: str) -> bytes:
    """The sheet as a person fills it in: by direction and material, only the rows of one step."""
    rows = list(csv.DictReader(io.StringIO(sheet)))
    for row in rows:
        if row["step"] == of_run["step"]:
            row.update(of_run | cells[row["direction"], row["material"]])
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def test_a_sheet_goes_out_is_filled_in_and_comes_back_as_runs(bench: FlaskClient) -> None:
    assert post(bench, as_json(CATALOGUE)).status_code == 201
    answer = bench.get("/v1/templates/weighings", query_string={"route": "oxide"})
    assert answer.content_type == "text/csv; charset=utf-8"
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert tuple(rows[0]) == COLUMNS
    told = [{name: cell for name, cell in zip(COLUMNS, row, strict=True) if cell} for row in rows[1:]]
    of_carbonate, of_roast = {"route": "oxide", "step": "carbonate"}, {"route": "oxide", "step": "roast"}
    assert told == [
        {**of_carbonate, "direction": "in", "material": "blue-vitriol"},
        {**of_carbonate, "direction": "in", "material": "soda-ash"},
        {**of_carbonate, "direction": "in", "material": "water"},
        {**of_carbonate, "direction": "out", "role": "product", "material": "malachite"},
        {**of_roast, "direction": "in", "material": "malachite"},
        {**of_roast, "direction": "out", "role": "product", "material": "copper-oxide"},
    ]
    untouched = post(bench, answer.data, CSV)
    assert (untouched.status_code, untouched.json["faults"][0]["code"]) == (422, "empty")

    cells = {
        ("in", "blue-vitriol"): {"lot": "vitriol-1", "amount": "50.0 g"},
        ("in", "soda-ash"): {"amount": "23.5 g", "price": "3.50 EUR per 1 kg"},
        ("in", "water"): {"amount": "400 mL"},
        ("out", "malachite"): {"lot": "00012", "gross": "142.31 g", "tare": "121.90 g", "assay": "0.96"},
    }
    of_run = {"step": "carbonate", "run": "VG-031", "status": "finished", "started_on": "2026-04-11"}
    sheet = filled_in(answer.text, cells, **of_run)
    comma = post(bench, sheet.replace(b"50.0 g", b'"50,0 g"'), CSV)
    assert comma.status_code == 422
    (fault,) = comma.json["faults"]
    assert (fault["line"], fault["column"], fault["code"], fault["received"]) == (
        2,
        "amount",
        "decimal-comma",
        "50,0 g",
    )
    report = post(bench, sheet, CSV)
    assert report.status_code == 201, report.text
    assert (report.json["created"], report.json["rows"], report.json["rows_not_filled_in"]) == (1, 4, 2)
    run = bench.get("/v1/runs/VG-031").json
    assert run["outturns"][0]["lot"] == "00012"
    assert run["charges"][1]["price"] == {"amount": "3.50", "currency": "EUR", "per": "1 kg"}
    # 20.41 g of 0.96 over what 50.0 g of 0.98 pentahydrate can give; textbook molar masses, 221.11 and 249.68 g/mol.
    assert run["result"]["yield"] == pytest.approx(20.41 * 0.96 / (50 * 0.98 * 221.11 / (2 * 249.68)), rel=1e-3)


def test_a_report_is_read_again_under_its_address(bench: FlaskClient) -> None:
    answer = post(bench, as_ndjson(SMALL), NDJSON)
    assert answer.status_code == 201
    again = bench.get(answer.headers["Location"])
    assert again.json == answer.json
    assert bench.get(answer.headers["Location"], headers={"If-None-Match": again.headers["ETag"]}).status_code == 304
    assert bench.get("/v1/imports/import-0").status_code == 404


def test_a_dry_run_has_no_address_and_moves_no_state(bench: FlaskClient) -> None:
    told = post(bench, as_json(SMALL), dry_run="true")
    assert (told.status_code, "Location" in told.headers) == (200, False)
    assert (told.json["created"], told.json["state"]) == (len(SMALL), told.json["state_before"])
    assert bench.get("/v1/runs").json["items"] == []
    assert post(bench, as_json(SMALL)).json["state_before"] == told.json["state"]


def test_refusals_are_problems_with_every_fault(bench: FlaskClient) -> None:
    post(bench, as_json(SMALL))
    differing = [line("project", "pigments", {"name": "other"}), line("material", "water", {"name": "aqua"})]
    conflict = post(bench, as_json(differing))
    assert (conflict.status_code, conflict.content_type) == (409, MEDIA_TYPE)
    assert [fault["pointer"] for fault in conflict.json["faults"]] == ["/0/code", "/1/code"]
    invalid = post(bench, as_json([*differing, line("project", "p", {})]))
    assert (invalid.status_code, len(invalid.json["faults"])) == (422, 3)
    malformed = post(bench, b'{"kind": "run"}\n{"kind": NaN}\n[', NDJSON)
    assert malformed.status_code == 400
    assert [fault["line"] for fault in malformed.json["faults"]] == [2, 3]
    assert post(bench, b"x", "text/html").status_code == 415
    too_many = as_json([line("project", f"p-{i}", {"name": "x"}) for i in range(10_001)])
    assert post(bench, too_many).status_code == 413


def test_the_workshops_own_record_takes_the_scope_manage(service: Flask, database: Database, workshop: str) -> None:
    own = as_json([line("workshop", "workshop", {"title": "attic", "currency": "EUR"})])
    assert post(holder(service, database, workshop, "read"), own).status_code == 403
    assert post(holder(service, database, workshop, "record"), own, replace="true").status_code == 403
    assert post(holder(service, database, workshop, "manage"), own).status_code == 201
    assert post(holder(service, database, workshop, "record"), own).json["unchanged"] == 1


def test_the_demo_is_imported_file_by_file_and_again(service: Flask, database: Database, workshop: str) -> None:
    client = holder(service, database, workshop, "manage")
    for effect in ("created", "unchanged"):
        for file in SEEDS:
            report = post(client, file.read_bytes(), CSV if file.suffix == ".csv" else JSON)
            assert report.status_code == 201, (file.name, report.text)
            own = int(file.name.startswith("01") and effect == "created")
            assert report.json[effect] == report.json["lines"] - own
    assert SEEDS
    assert len(client.get("/v1/runs", query_string={"limit": "200"}).json["items"]) == 62
