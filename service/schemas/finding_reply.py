"""Replies to findings as they are written."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.finding_reply import ANSWERS, ON_KINDS, FindingReply
from service.errors import Fault
from service.schemas.fields import ChoiceField, CodeField, TextField
from service.schemas.run import LONGEST_OPERATOR
from service.schemas.shape import STAMPED, RecordShape
from service.schemas.stock_entry import LONGEST_REASON

LONGEST_ID: Final = 300
_CODE_ALONE: Final = re.compile(r"[a-z][a-z0-9-]*\Z")


class FindingReplySchema(RecordShape):
    """What somebody found out about a finding."""

    makes = FindingReply
    computed = STAMPED

    code = CodeField()
    finding = TextField(LONGEST_ID, required=True, description="the id of a finding, or its code alone")
    kind = ChoiceField(ON_KINDS, required=True, description="the kind of the record that it is of")
    of_record = CodeField(data_key="record", required=True, description="the code of that record")
    answer = ChoiceField(ANSWERS, required=True)
    reason = TextField(LONGEST_REASON, required=True)
    operator = TextField(LONGEST_OPERATOR)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """An id names the record that the reply is of."""
        finding, kind, record = (data.get(key) for key in ("finding", "kind", "of_record"))
        if finding is None or kind is None or record is None or _CODE_ALONE.match(finding):
            return
        code, _, rest = finding.partition(".")
        of, named = rest[: len(f"{kind}.{record}")], f"{kind}.{record}"
        if not _CODE_ALONE.match(code) or of != named or rest[len(named) : len(named) + 1] not in ("", ":", "/"):
            detail = f"{finding[:64]!r} is no finding on {named}: take its id from where it is shown, or its code"
            expected = f"<code>.{named}, with what stands behind it in the id; or the code alone"
            yield Fault("unknown-finding", detail, expected=expected, pointer="/finding")

    def make(self, values: dict[str, Any]) -> FindingReply:
        """Build it with the code of the record under its own name."""
        return FindingReply(record=values.pop("of_record"), **values)
