"""What the demo's README says is in it to be found, found over HTTP; the rest of the book is left in peace."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient

from service.app import SERVICE, create_app
from service.cli.demo import load, seed_files
from service.cli.opening import opened_at_newest_schema
from service.settings import Settings

AT = dt.datetime(2026, 11, 25, 9, tzinfo=dt.UTC)
FOUND = {
    "slip.runs.ML-015:times-1000": "4870 g written for 4870 mg",
    "yield-above-one.runs.ML-015": "the same",
    "yield-above-one.runs.VG-028": "a batch weighed wet",
    "assay-odd.lots.acid-03": "a lot of acid weaker than its label",
}
ANSWERED = {"limiting-in-doubt.runs.ML-011": "wrong-alarm", "more-out-than-in.runs.ML-015": "confirmed"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """The demo as it is served, on SQLite; it is only read."""
    settings = Settings(database_url=f"sqlite:///{tmp_path_factory.mktemp('demo') / 'weighbook.db'}")
    with opened_at_newest_schema(settings.database_url) as database:
        token = load(database, seed_files(None), at=AT)
    app = create_app(settings, now=lambda: AT)
    client = app.test_client()
    client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {token}"
    yield client
    app.extensions[SERVICE].database.close()


def test_what_was_planted_is_found_and_what_was_answered_is_closed(demo: FlaskClient) -> None:
    told = demo.get("/v1/findings").get_json()
    assert {each["id"] for each in told["findings"]} == FOUND.keys()
    (wet,) = [each for each in told["findings"] if each["record"] == "VG-028"]
    assert "1.10 of it" in wet["seen"]
    (slip,) = [each for each in told["findings"] if each["code"] == "slip"]
    assert (slip["route"], slip["step"]) == ("madder-lake", "extract")
    assert "look first at what was weighed out" in slip["seen"]
    answered = demo.get("/v1/findings?reply=answered").get_json()["findings"]
    assert {each["id"]: each["reply"]["answer"] for each in answered} == ANSWERED


@pytest.mark.parametrize("run", ["VG-031", "VG-001"])
def test_an_ordinary_run_shows_nothing(demo: FlaskClient, run: str) -> None:
    assert demo.get(f"/v1/runs/{run}").get_json()["findings"] == []
