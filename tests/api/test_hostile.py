"""Whatever is sent to whatever operation: an answer that the document describes, the same on both databases, never 5xx.

A few values a field, chosen by a fixed seed; ``WEIGHBOOK_TEST_HOSTILE=20`` sends twenty, ``=all`` every one.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import secrets
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from openapi_schema_validator import OAS31Validator

from service.api.examples import examples
from service.app import SERVICE, create_app
from service.cli.demo import fill, seed_files
from service.cli.openapi import document
from service.settings import Settings
from tests.api import hostile
from tests.api.conftest import with_token
from tests.api.hostile import Attack, Target

ASKED = os.environ.get("WEIGHBOOK_TEST_HOSTILE")
NOW = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)
Verdict = tuple[Any, ...]


def most(usual: int) -> int | None:
    """How many values a field is sent; None for every one."""
    return usual if ASKED is None else None if ASKED == "all" else int(ASKED)


@cache
def described() -> dict[str, Any]:
    """The document of the service as it is."""
    return document()


@cache
def all_targets() -> list[Target]:
    """Every operation."""
    return hostile.targets(described(), examples())


@pytest.fixture(scope="module")
def both(sqlite_template: Path, postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    """The demo on both databases, at one and the same time of its clock."""
    file = tmp_path_factory.mktemp("hostile") / "demo.db"
    with closing(sqlite3.connect(sqlite_template)) as template, closing(sqlite3.connect(file)) as copy:
        template.backup(copy)
    apps = [create_app(Settings(database_url=url), now=lambda: NOW) for url in (f"sqlite:///{file}", postgresql_url)]
    # The server's database is that of all tests of this process, which may have made workshops in it.
    name, files = f"demo-{secrets.token_hex(6)}", seed_files(None)
    tokens = [fill(app.extensions[SERVICE].database, name, files, at=NOW) for app in apps]
    yield Both([with_token(app, token) for app, token in zip(apps, tokens, strict=True)])
    for app in apps:
        app.extensions[SERVICE].database.close()


class Both:
    """The two services, asked alike."""

    def __init__(self, clients: list[FlaskClient]) -> None:
        self.clients = clients
        self.sent = 0

    def faults_of(self, attacks: Iterable[Attack]) -> list[str]:
        """Send each attack to both; say what is wrong with the answers."""
        wrong = []
        for attack in attacks:
            self.sent += 1
            answers = [self._asked(client, attack) for client in self.clients]
            verdicts = [verdict for verdict, _ in answers]
            wrong += [f"{attack}: {why}" for why in answers[0][1]]
            if verdicts[0] != verdicts[1]:
                wrong.append(f"{attack}: SQLite says {verdicts[0]}, PostgreSQL {verdicts[1]}")
        return wrong

    def _asked(self, client: FlaskClient, attack: Attack) -> tuple[Verdict, list[str]]:
        told = client.open(
            attack.path,
            method=attack.method,
            headers=dict(attack.headers),
            data=attack.body,
            content_type=attack.media_type,
        )
        wrong = list(undescribed(attack.operation, told.status_code, told.mimetype, told.data))
        if told.mimetype != "application/problem+json":
            return (told.status_code, told.mimetype), wrong
        problem = json.loads(told.data)
        places = [(each["code"], each.get("pointer"), each.get("parameter")) for each in problem.get("faults", ())]
        return (told.status_code, problem["code"], sorted(places, key=str)), wrong


@cache
def answers_of(operation: str) -> Mapping[str, Any]:
    """What the document says that an operation answers, by status."""
    (target,) = [target for target in all_targets() if target.id == operation]
    found = {}
    for status, answer in target.described["responses"].items():
        name = answer.get("$ref", "").rpartition("/")[2]
        found[status] = described()["components"]["responses"][name] if name else answer
    return found


@cache
def validator_of(operation: str, status: str, media_type: str) -> OAS31Validator:
    """What checks a body against its schema."""
    schema = answers_of(operation)[status]["content"][media_type]["schema"]
    return OAS31Validator(schema | {"components": described()["components"]})


def undescribed(operation: str, status: int, media_type: str, body: bytes) -> Iterator[str]:
    """Say in what an answer is not what the document describes."""
    if status >= 500:
        yield f"answered {status}: {body[:300]!r}"
        return
    known = answers_of(operation)
    # An address that is broken may be none, or that of another operation.
    elsewhere = {str(each): described()["components"]["responses"][f"Problem{each}"] for each in (404, 405)}
    answer = known.get(str(status)) or (elsewhere.get(str(status)) if "{" in rule_of(operation) else None)
    if answer is None:
        yield f"the document has no {status} there: {body[:200]!r}"
        return
    content = answer.get("content", {})
    if media_type not in content:
        if body or content:
            yield f"the document has no {media_type} of {status} there"
    elif media_type in ("application/json", "application/problem+json") and str(status) in known:
        for error in validator_of(operation, str(status), media_type).iter_errors(json.loads(body)):
            yield f"{status} is not of its shape at {list(error.absolute_path)[:6]}: {error.message[:200]}"
            break


@cache
def rule_of(operation: str) -> str:
    """The path of an operation, with its parameters."""
    (target,) = [target for target in all_targets() if target.id == operation]
    return target.rule


def told(wrong: list[str]) -> str:
    """The first of what went wrong, one a line."""
    return "\n".join([f"{len(wrong)} answers are wrong", *(line[:900] for line in wrong[:40])])


def test_there_are_enough_values_and_each_field_is_found() -> None:
    assert len(hostile.VALUES) >= 300
    assert len(hostile.RAW) + len(hostile.FIELD_VALUES) >= 60
    fields = {
        target.id: [where for where, _ in hostile.places(target.schema, described())]
        for target in all_targets()
        if target.schema is not None
    }
    assert all(found or target == "post_import" for target, found in fields.items())
    assert ("steps", 0, "bill", 0, "equivalents") in fields["put_route"]
    assert ("charges", 0, "price", "amount") in fields["post_run"]
    assert ("counted", 0, "lot") in fields["post_stock_count"]


def test_sound_questions_are_answered(both: Both) -> None:
    asked = [target.sound() for target in all_targets() if target.method == "GET"]
    wrong = both.faults_of(asked)
    assert not wrong, told(wrong)


def test_every_word_of_every_choice_is_answered(both: Both) -> None:
    """Each table as CSV, each form, each grouping; of the long lists of keys a few."""
    asked = []
    for target in all_targets():
        for parameter in target.parameters:
            its = parameter["schema"].get("items", parameter["schema"])
            for word in its.get("enum", ())[: 8 if parameter["name"] != "fields" else 2]:
                others = [(name, value) for name, value in target.query if name != parameter["name"]]
                form = [("format", "csv")] if parameter["name"] == "table" else []
                path = hostile.with_query(target.path, [*others, (parameter["name"], word), *form])
                asked.append(replace(target.sound(f"{parameter['name']}={word}"), path=path))
    lists = [target for target in all_targets() if target.id.startswith("list_") and target.parameters]
    asked += [replace(target.sound("the whole list"), path=f"{target.path}?limit=1000&count=true") for target in lists]
    wrong = both.faults_of(attack for attack in asked if attack.method == "GET")
    assert not wrong, told(wrong)


def test_query_parameters(both: Both) -> None:
    wrong = both.faults_of(attack for target in all_targets() for attack in hostile.of_query(target, most(2)))
    assert not wrong, told(wrong)


def test_addresses(both: Both) -> None:
    wrong = both.faults_of(attack for target in all_targets() for attack in hostile.of_path(target, most(2)))
    assert not wrong, told(wrong)


def test_header_fields(both: Both) -> None:
    wrong = both.faults_of(attack for target in all_targets() for attack in hostile.of_fields(target, most(1)))
    assert not wrong, told(wrong)


def test_bodies_that_are_no_records(both: Both) -> None:
    wrong = both.faults_of(attack for target in all_targets() for attack in hostile.of_raw(target, most(3)))
    assert not wrong, told(wrong)


def of_body(target: Target) -> Iterator[Attack]:
    """The attacks on a body. Usually each field of a shape is sent by one of the operations that take it, in turn."""
    alike = [each.id for each in all_targets() if each.schema == target.schema]
    for number, attack in enumerate(hostile.of_body(target, described(), most(1))):
        if ASKED is not None or number % len(alike) == alike.index(target.id):
            yield attack


def test_fields_of_bodies(both: Both) -> None:
    """What is taken stands in the books from then on: afterwards every question is asked again."""
    wrong = both.faults_of(attack for target in all_targets() for attack in of_body(target))
    wrong += both.faults_of(target.sound() for target in all_targets() if target.method == "GET")
    assert not wrong, told(wrong)
