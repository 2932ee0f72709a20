"""The document is what the service does: valid, complete, and equal to the file that clients are made from."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.api.operations import all_operations
from service.api.problems import PROBLEMS
from service.cli.openapi import document, text_of
from tests.api.conftest import AppOf

FILE = Path(__file__).resolve().parents[2] / "openapi" / "openapi.json"


@pytest.fixture(scope="module")
def found() -> dict[str, Any]:
    """The document as the service tells it."""
    return document()


def operations_of(found: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """Every operation of the document by method and path."""
    return {
        (method.upper(), path): operation
        for path, item in found["paths"].items()
        for method, operation in item.items()
        if method != "parameters"
    }


def test_it_is_valid(found: dict[str, Any]) -> None:
    assert found["openapi"].startswith("3.1")
    OpenAPIV31SpecValidator(found).validate()


def test_it_equals_the_file(found: dict[str, Any]) -> None:
    assert FILE.read_text("utf-8") == text_of(found), "run: weighbook openapi"


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_it_equals_the_routes(app_of: AppOf, found: dict[str, Any]) -> None:
    routes = {
        (method, re.sub(r"<(\w+)>", r"{\1}", rule.rule))
        for rule in app_of().url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    assert routes == set(operations_of(found))


def test_every_operation_says_what_it_is(found: dict[str, Any]) -> None:
    operations = operations_of(found)
    assert len(operations) == len(all_operations())
    assert len({operation["operationId"] for operation in operations.values()}) == len(operations)
    for place, operation in operations.items():
        for key in ("operationId", "summary", "description", "tags"):
            assert operation.get(key), (place, key)
        assert operation["responses"].keys() & {"200", "201", "204"}, place
        for parameter in operation.get("parameters", []):
            assert "$ref" in parameter or parameter["description"], (place, parameter)
        if operation.get("security") != []:
            assert {"401", "403"} <= operation["responses"].keys(), place
        if "requestBody" in operation:
            assert {"413", "415", "422"} <= operation["responses"].keys(), place


def test_every_problem_is_documented(found: dict[str, Any]) -> None:
    told = json.dumps(found["components"]["responses"])
    undocumented = {"unknown-host", "method-not-allowed"}  # of no operation: of the host, of the path
    assert not [code for code in PROBLEMS if f"`{code}`" not in told and code not in undocumented]


def test_no_schema_has_the_name_that_a_client_makes_of_another_and_its_key(found: dict[str, Any]) -> None:
    schemas = found["components"]["schemas"]
    made = {
        name + "".join(part.capitalize() for part in key.split("_"))
        for name, schema in schemas.items()
        for key, inner in schema.get("properties", {}).items()
        if "enum" in inner or inner.get("type") == "object"
    }
    assert not made & schemas.keys()


def test_every_collection_is_an_object(found: dict[str, Any]) -> None:
    for place, operation in operations_of(found).items():
        for answer in operation["responses"].values():
            for content in answer.get("content", {}).values():
                assert content["schema"].get("type") != "array", place


def test_every_operation_shows_what_is_asked_and_answered(found: dict[str, Any]) -> None:
    for (method, path), operation in operations_of(found).items():
        place = (method, path)
        named = [*found["paths"][path].get("parameters", []), *operation.get("parameters", [])]
        for parameter in named:
            assert "example" in parameter or parameter.get("in") != "path", (place, parameter)
        asked = operation.get("requestBody", {}).get("content", {}).get("application/json")
        assert asked is None or "example" in asked, place
        told = [answer for status, answer in operation["responses"].items() if status in ("200", "201")]
        assert any("example" in form for answer in told for form in answer["content"].values()) or not told, place


def test_if_none_match_says_on_a_write_what_it_takes_there(found: dict[str, Any]) -> None:
    known = found["components"]["parameters"]
    for (method, _), operation in operations_of(found).items():
        named = [parameter["$ref"].rpartition("/")[2] for parameter in operation["parameters"] if "$ref" in parameter]
        of_tags = [known[name]["schema"] for name in named if known[name]["name"] == "If-None-Match"]
        assert all((schema.get("enum") == ["*"]) == (method == "PUT") for schema in of_tags)


def test_a_default_is_one_of_the_values_that_are_taken(found: dict[str, Any]) -> None:
    for place, operation in operations_of(found).items():
        for parameter in operation["parameters"]:
            schema = parameter.get("schema", {})
            if "default" in schema:
                assert OAS31Validator(schema).is_valid(schema["default"]), (place, parameter["name"])


def test_every_example_of_an_answer_is_of_its_shape(found: dict[str, Any]) -> None:
    for place, operation in operations_of(found).items():
        forms = [*operation["responses"].values(), operation.get("requestBody", {})]
        for form in (form for answer in forms for form in answer.get("content", {}).values() if "example" in form):
            checker = OAS31Validator(form["schema"] | {"components": found["components"]})
            wrong = [error.message for error in checker.iter_errors(form["example"])]
            assert not wrong, (place, wrong[:3])


def described_keys(schema: dict[str, Any], found: dict[str, Any]) -> dict[str, Any] | None:
    """The keys of an object of the schema with their schemas; None where any key may stand there, and of no object."""
    if "$ref" in schema:
        return described_keys(found["components"]["schemas"][schema["$ref"].rpartition("/")[2]], found)
    choices = [described_keys(choice, found) for choice in (*schema.get("anyOf", ()), *schema.get("oneOf", ()))]
    keys: dict[str, Any] = dict(schema.get("properties", {}))
    for choice in choices:
        keys |= choice or {}
    return keys or None


def undescribed(value: Any, schema: dict[str, Any], found: dict[str, Any], place: str) -> Iterator[str]:
    """The places of a value whose keys the schema does not name."""
    if isinstance(value, list):
        for entry in value:
            yield from undescribed(entry, of_entries(schema, found), found, f"{place}[]")
    if isinstance(value, dict) and (known := described_keys(schema, found)) is not None:
        for key, inner in value.items():
            if key not in known:
                yield f"{place}.{key}"
            yield from undescribed(inner, known.get(key, {}), found, f"{place}.{key}")


def of_entries(schema: dict[str, Any], found: dict[str, Any]) -> dict[str, Any]:
    """The schema of a list's entries."""
    if "$ref" in schema:
        return of_entries(found["components"]["schemas"][schema["$ref"].rpartition("/")[2]], found)
    choices = (schema, *schema.get("anyOf", ()), *schema.get("oneOf", ()))
    return next((choice["items"] for choice in choices if "items" in choice), {})


def test_every_key_of_an_answer_is_described(found: dict[str, Any]) -> None:
    missing: dict[str, list[str]] = {}
    for operation in operations_of(found).values():
        for answer in operation["responses"].values():
            for form in answer.get("content", {}).values():
                places = sorted(set(undescribed(form.get("example"), form["schema"], found, "")))
                if places:
                    missing[operation["operationId"]] = places
    assert not missing
