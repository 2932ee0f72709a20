"""A table says its columns also where it has no row; a filter that names a record that is not there says so."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.api.operations import all_operations
from service.api.wire import JSON
from service.cli.examples import _QUESTIONS
from service.schemas.columns import columns_of
from tests.stories.bench import Bench, four_runs, set_up

TABLES = [
    (operation.id, table)
    for operation in all_operations()
    for parameter in operation.parameters
    if parameter.name == "table"
    for table in parameter.schema["enum"]
]


def heading(client: FlaskClient, path: str, **asked: str) -> list[str]:
    found = client.get(path, query_string=asked)
    assert found.status_code == 200, found.text
    return next(csv.reader(io.StringIO(found.text)))


@pytest.mark.parametrize(("operation", "table"), TABLES)
def test_the_shape_of_an_answer_knows_its_columns(demo: FlaskClient, operation: str, table: str) -> None:
    (shape,) = (each.answers[200].content[JSON] for each in all_operations() if each.id == operation)
    path, _, query = _QUESTIONS[operation].partition("?")
    asked = dict(pair.split("=", 1) for pair in query.split("&") if pair)
    told = heading(demo, path, **asked, format="csv", table=table)
    known = columns_of(shape, table)
    assert len(known) == len(set(known))
    # An object that is null in every row is one empty column; what was asked may be the key of another.
    whole = {name.rpartition(".")[0] for name in known}
    within = tuple(f"{name}." for name in known)
    strange = [name for name in told if name not in known and name not in whole and not name.startswith(within)]
    assert not strange, (operation, table)


def test_an_empty_table_has_its_heading(bench: Bench) -> None:
    for path, first in (
        ("/v1/stock", "lot"),
        ("/v1/findings", "id"),
        ("/v1/series/prices", "lot"),
        ("/v1/series/runs", "run"),
        ("/v1/series/costs", "run"),
        ("/v1/yields?by=step", "name"),
    ):
        told = bench.client.get(f"{path}{'&' if '?' in path else '?'}format=csv")
        assert told.status_code == 200, told.text
        (line,) = csv.reader(io.StringIO(told.text))
        assert line[0] == first
        assert len(line) > 5
        assert bench.client.get(f"{path}{'&' if '?' in path else '?'}format=ndjson").text == ""


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    return Bench(client)


UNKNOWN = [
    ("stock?material=malachit", "'malachite'"),
    ("stock?project=pigment-bank", "'pigment-bench'"),
    ("series/prices?material=malachit&material=water", "'malachite'"),
    ("series/prices?route=verdigri", "'verdigris'"),
    ("series/runs?route=verdigri", "'verdigris'"),
    ("series/runs?project=pigment-bank", "'pigment-bench'"),
    ("series/yields?route=verdigri", "'verdigris'"),
    ("series/costs?route=verdigri", "'verdigris'"),
    ("yields?by=step&route=verdigri", "'verdigris'"),
    ("yields?by=lot&lot=vitriol-12", "'vitriol-012'"),
    ("yields?by=supplier&supplier=corner-shopp", "'corner-shop'"),
    ("forecast-record?route=verdigri", "'verdigris'"),
    ("findings?route=verdigri", "'verdigris'"),
    ("findings?kind=lots&record=vitriol-12", "'vitriol-012'"),
    ("templates/weighings?route=verdigri", "'verdigris'"),
    ("lots?material=malachit", "'malachite'"),
    ("offers?supplier=corner-shopp", "'corner-shop'"),
    ("runs?route=verdigri", "'verdigris'"),
    ("stock-entries?lot=vitriol-12", "'vitriol-012'"),
    ("routes?product=verdigri", "'verdigris'"),
    ("materials?analyte=malachit", "'malachite'"),
    ("lots/vitriol-12/cost", "'vitriol-012'"),
    ("lots/vitriol-12", "'vitriol-012'"),
    ("routes/verdigri/cost", "'verdigris'"),
]


def test_a_code_that_nothing_has(bench: Bench) -> None:
    set_up(bench)
    bench.put("projects/pigment-bench", {"name": "pigments"})
    four_runs(bench)
    for path, meant in UNKNOWN:
        told: Any = bench.refused(path, method="GET").get_json(force=True)
        assert (told["status"], told["code"]) == (404, "unknown-record"), path
        assert told["detail"].endswith(f"did you mean {meant}?"), (path, told["detail"])
    for path in ("stock?project=common", "runs?code=nobody", "runs?operator=nobody", "series/runs?operator=nobody"):
        assert bench.client.get(f"/v1/{path}").status_code == 200, path
