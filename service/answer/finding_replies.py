"""What people answered to findings, beside the findings that there are now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from service.answer.book import Book
from service.domain.finding import finding_id
from service.store.finding_rows import Reply, replies, reply_revisions
from service.store.records import StoredRecord
from service.store.session import Reading

OPEN, ANSWERED = "open", "answered"
Replies = Mapping[tuple[str, str], Sequence[Reply]]
"""By kind and code of the record, the newest first."""


def replies_by_record(found: Iterable[Reply]) -> Replies:
    """Return replies by the record that they are of, in their order."""
    by: dict[tuple[str, str], list[Reply]] = {}
    for reply in found:
        by.setdefault((reply.kind, reply.record), []).append(reply)
    return by


def reply_to(id: str, code: str, on: Sequence[Reply]) -> Reply | None:
    """Return what was last answered to a finding, by its id or by its code alone; None where nothing was."""
    return next((reply for reply in on if reply.finding in (id, code)), None)


def is_answered(id: str, reply: Reply | None) -> bool:
    """Say whether a finding needs no answer any more.

    An id says what was found, so an answer by it stands, whatever else of the record changes. A code alone speaks of
    the record as it stood: once that is changed, its findings are to be looked at anew.
    """
    return reply is not None and (reply.finding == id or not changed_since(reply))


def changed_since(reply: Reply) -> bool | None:
    """Say whether the record was changed after the reply was given; None where it has no revisions of its own."""
    return None if reply.stands_at is None else reply.stands_at != reply.given_at


def reply_told(reply: Reply | None) -> dict[str, Any] | None:
    """Return a reply as it is told beside its finding."""
    if reply is None:
        return None
    return {
        "code": reply.code,
        "answer": reply.answer,
        "reason": reply.reason,
        "operator": reply.operator,
        "by": reply.by,
        "at": reply.at,
        "given_at_revision": reply.given_at,
        "record_changed_since": changed_since(reply),
    }


def with_replies(
    book: Book, kind: str, findings: Mapping[str, Sequence[Mapping[str, Any]]]
) -> dict[str, list[dict[str, Any]]]:
    """Return the findings of records of a kind, each with its id and the reply to it; nothing is read for none."""
    those = [record for record, several in findings.items() if several]
    known = replies_by_record(replies(book.reading, kind, those)) if those else {}
    return {
        record: [_with_reply(kind, record, finding, known.get((kind, record), ())) for finding in several]
        for record, several in findings.items()
    }


def _with_reply(kind: str, record: str, finding: Mapping[str, Any], on: Sequence[Reply]) -> dict[str, Any]:
    code = finding["code"]
    id = finding_id(code, kind, record, about=finding.get("about"), pointer=finding.get("pointer"))
    return {**finding, "id": id, "reply": reply_told(reply_to(id, code, on))}


def given_to(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    """Return of replies as records the revision that each was given to."""
    found = reply_revisions(book.reading, [stored.code for stored in several])
    return {
        code: {"given_at_revision": reply.given_at, "record_changed_since": changed_since(reply)}
        for code, reply in found.items()
    }


def replies_on(reading: Reading, kind: str, record: str) -> list[dict[str, Any]]:
    """Return every reply to a finding on a record, the newest first, whether or not that is still found."""
    on = replies(reading, kind, [record])
    return [{"finding": reply.finding, **(reply_told(reply) or {})} for reply in on]
