"""The list of everything that looks wrong in what was recorded."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response

from service.answer import findings
from service.answer.findings import REPLIES, FindingFilter
from service.api import query
from service.api.answered import answer_operation, answered, as_of
from service.api.operation import Call, Operation
from service.domain.finding_reply import ON_KINDS
from service.domain.finding_words import FINDING_CODES
from service.schemas.finding_answers import FindingsAnswer


def _findings(call: Call) -> Response:
    asked = call.query
    names = ("kind", "record", "route", "step", "project", "operator", "reply")
    wanted = FindingFilter(
        codes=tuple(dict.fromkeys(asked["code"])),
        first=asked["from"],
        last=asked["to"],
        **{name: asked[name] for name in names},
    )
    return answered(call, findings.METHOD, lambda book: findings.findings_of(book, asked=wanted, as_of=as_of(call)))


def operations() -> Sequence[Operation]:
    """Return the operation that lists findings."""
    return (
        answer_operation(
            "get_findings",
            "/v1/findings",
            "What looks wrong in what was recorded",
            "Worked out when asked: nothing is repaired and nothing left out. Each says what was seen, how sure that "
            "is and what to look at. Answer one by a record of the kind finding-replies that names its id; an answered "
            "finding stays answered until something else is found. At most 1,000 are told, all are counted.",
            _findings,
            FindingsAnswer,
            ("findings", "counts", "not_compared"),
            (
                query.choice(
                    "code", "Only findings of this code; several with commas between.", FINDING_CODES, repeated=True
                ),
                query.choice("kind", "Only findings on records of this kind.", ON_KINDS),
                query.code("record", "Only findings on the record of this code."),
                query.code("route", "Only findings on runs of this route, or on the route."),
                query.code("step", "Only findings on runs of steps of this code, or on the step."),
                query.code("project", "Only findings on what is booked on this project."),
                query.text("operator", "Only findings on what this operator did."),
                query.day("from", "Only findings of this day or later; those without a day are left out."),
                query.day("to", "Only findings of this day or before; those without a day are left out."),
                query.choice(
                    "reply", "Those that nobody answered, those that somebody did, or all.", REPLIES, default="open"
                ),
            ),
            names_records=True,
        ),
    )
