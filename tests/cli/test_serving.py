"""``weighbook serve`` and ``weighbook demo`` as processes of their own."""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import sqlite3
import urllib.request
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from tests.cli.conftest import LONGEST_S, Weighbook, serving


def ask(url: str, token: str | None = None, body: object = None) -> tuple[int, Any]:
    """Ask the running service; give the status and what it said."""
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    data = None
    if body is not None:
        headers["Content-Type"] = "application/json"
        data = json.dumps(body).encode()
    request = urllib.request.Request(url, data, headers, method="GET" if data is None else "PUT")
    with urllib.request.urlopen(request, timeout=LONGEST_S) as told:
        return told.status, json.load(told)


def address_in(said: list[str]) -> str:
    """The address that the command named."""
    found = re.search(r"http://[0-9.]+:[0-9]+", "\n".join(said))
    assert found, said
    return found[0]


def test_serve_brings_an_empty_database_to_the_newest_schema_and_keeps_what_it_took(
    tmp_path: Path, weighbook: Weighbook
) -> None:
    with serving("serve", "--port", "0", "--workers", "1", folder=tmp_path) as (_, said):
        address = address_in(said)
        assert ask(f"{address}/health/ready")[1]["status"] == "ready"
        made = weighbook("token", "create", "--workshop", "attic", "--scope", "record", "--name", "m1")
        assert made.exit_code == 0, made.output
        token = made.output.splitlines()[-1]
        assert re.fullmatch(r"[\w-]{40,}", token)
        assert ask(f"{address}/v1/materials/water", token, {"name": "water"})[0] == 201
    with serving("serve", "--port", "0", folder=tmp_path) as (_, said):
        assert ask(f"{address_in(said)}/v1/materials/water", token)[1]["by"] == "m1"


def test_serve_refuses_another_schema_and_names_what_helps(weighbook: Weighbook) -> None:
    assert weighbook("upgrade").exit_code == 0
    with closing(sqlite3.connect("weighbook.db")) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0000'")
        connection.commit()
    for command in (["serve", "--port", "0"], ["token", "create", "--workshop", "attic", "--scope", "read"]):
        refused = weighbook(*command)
        assert refused.exit_code == 1
        assert "run weighbook upgrade" in refused.output


def test_what_is_not_http_is_answered_as_a_problem(tmp_path: Path) -> None:
    codes = {
        b"GARB AGE\r\n\r\n": "bad-request",
        b"GET / HTTP/9.9\r\n\r\n": "bad-request",
        b"GET / HTTP/1.1\r\nA B: c\r\n\r\n": "bad-request",
        b"GET /" + b"a" * 9_000 + b" HTTP/1.1\r\n\r\n": "uri-too-long",
        b"GET / HTTP/1.1\r\nA: " + b"a" * 9_000 + b"\r\n\r\n": "header-fields-too-large",
    }
    with serving("serve", "--port", "0", "--workers", "1", folder=tmp_path) as (_, said):
        place = urlsplit(address_in(said))
        for sent, code in codes.items():
            with socket.create_connection((place.hostname, place.port), timeout=LONGEST_S) as connection:
                connection.sendall(sent)
                head, _, body = connection.makefile("rb").read().partition(b"\r\n\r\n")
            assert b"application/problem+json" in head
            told = json.loads(body)
            assert (told["code"], told["type"]) == (code, f"/problems/{code}")
            assert f" {told['status']} ".encode() in head.partition(b"\r\n")[0]


def test_a_body_that_breaks_off_is_the_senders_fault(tmp_path: Path, weighbook: Weighbook) -> None:
    token = weighbook("token", "create", "--workshop", "attic", "--scope", "record").output.splitlines()[-1]
    head = f"PUT /v1/materials/water HTTP/1.1\r\nHost: a\r\nAuthorization: Bearer {token}\r\n"
    head += "Content-Type: application/json\r\n"
    bodies = (
        "Transfer-Encoding: chunked\r\n\r\nZZ\r\n",
        'Transfer-Encoding: chunked\r\n\r\n11\r\n{"name": "water"}',
        'Content-Length: 40\r\n\r\n{"name": "water"}',
    )
    with serving("serve", "--port", "0", "--workers", "1", folder=tmp_path) as (_, said):
        place = urlsplit(address_in(said))
        for body in bodies:
            with socket.create_connection((place.hostname, place.port), timeout=LONGEST_S) as connection:
                connection.sendall((head + body).encode())
                connection.shutdown(socket.SHUT_WR)
                answer = connection.makefile("rb").read()
            assert b" 400 " in answer.partition(b"\r\n")[0], (body, answer)
        assert ask(f"{address_in(said)}/v1/materials?count=true", token)[1]["count"] == 0


def test_the_demo_answers_its_three_questions_in_an_empty_folder(tmp_path: Path) -> None:
    with serving("demo", "--port", "0", folder=tmp_path) as (process, said):
        assert process.stdout is not None
        while sum(line.startswith("curl ") for line in said) < 3:
            said.append(process.stdout.readline().rstrip("\n"))
        (token,) = [line.removeprefix("token: ") for line in said if line.startswith("token: ")]
        for line in said:
            if line.startswith("curl "):
                *_, header, url = shlex.split(line)
                assert header == f"Authorization: Bearer {token}"
                status, told = ask(url, token)
                assert status == 200
                assert told["route"] == "verdigris"
        assert ask(f"{address_in(said)}/v1/runs?limit=1&count=true", token)[1]["count"] > 50
    assert os.listdir(tmp_path) == []
