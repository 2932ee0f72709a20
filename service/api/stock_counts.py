"""A whole shelf counted in one request."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus

from flask import Response

from service.api.idempotency import idempotency_key
from service.api.operation import Answer, Call, Operation
from service.api.wire import JSON, json_body, json_response
from service.record.stock_count import count_shelf
from service.schemas.stock_count import StockCountAnswer, StockCountSchema


def _count(call: Call) -> Response:
    counted = count_shelf(
        call.service.database,
        call.who.workshop_id,
        json_body(call.service.body_limit_bytes),
        idempotency_key=idempotency_key(),
        by=call.who.name,
        at=call.service.now(),
        token=call.who.token_id,
    )
    response = json_response(counted.told, HTTPStatus.CREATED)
    if counted.replayed:
        response.headers["Idempotent-Replayed"] = "true"
    return response


def operations() -> Sequence[Operation]:
    """Return the operation that counts a shelf."""
    return (
        Operation(
            id="post_stock_count",
            method="POST",
            rule="/v1/stock-counts",
            tag="records",
            summary="Count a whole shelf",
            description="Writes one recount for each lot, all of them or none, and tells what each was booked at. With "
            "Idempotency-Key the same count is written once.",
            view=_count,
            answers={201: Answer("What was counted.", {JSON: StockCountAnswer}, ("Idempotent-Replayed",))},
            scope="record",
            fields=("Idempotency-Key",),
            body={JSON: StockCountSchema},
            problems=(HTTPStatus.CONFLICT,),
        ),
    )
