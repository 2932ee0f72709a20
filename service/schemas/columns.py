"""The columns of a table of an answer, by the shape of the answer alone: what heads a table without a row."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from marshmallow import Schema, fields


def columns_of(shape: type[Schema], table: str) -> list[str]:
    """Return the columns of the array ``table`` of an answer, in the order of its shape.

    An object within a row has columns of its own, as :func:`service.rendering.table.csv_text` writes them.

    >>> from service.schemas.ledger_answers import StockAnswer
    >>> columns_of(StockAnswer, "lots")[:3]
    ['lot', 'material', 'project']
    """
    for name, field in shape().fields.items():
        if table == (field.data_key or name) and isinstance(field, fields.List):
            return [*_columns(field.inner, "")]
    raise KeyError(f"{shape.__name__} has no array {table}")


def _columns(field: fields.Field[Any], name: str) -> Iterator[str]:
    if not isinstance(field, fields.Nested):
        yield name
        return
    for key, inner in field.schema.fields.items():
        yield from _columns(inner, f"{name}.{inner.data_key or key}".removeprefix("."))
