"""Records that were read before: the body of a revision never changes, so neither does the record that it makes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from threading import Lock
from typing import Any, Final

from service.schemas.kinds import Record, load_record

MOST_RECORDS: Final = 4096

_Key = tuple[object, str, str, int]


class _Recall:
    """The records used last, at most ``most`` of them; threads share it."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._records: OrderedDict[_Key, tuple[Mapping[str, Any], Record]] = OrderedDict()

    def get(self, key: _Key, body: Mapping[str, Any]) -> Record | None:
        """Return the record of a key where it was made from that body: another book may have the same numbers."""
        with self._lock:
            found = self._records.get(key)
            if found is None or found[0] != body:
                return None
            self._records.move_to_end(key)
            return found[1]

    def keep(self, key: _Key, body: Mapping[str, Any], record: Record) -> None:
        """Keep a record, and let go of the one unused for longest where there are too many."""
        with self._lock:
            self._records[key] = body, record
            self._records.move_to_end(key)
            while len(self._records) > self._most:
                self._records.popitem(last=False)


_RECALL: Final = _Recall(MOST_RECORDS)


def recalled(workshop_id: object, kind: str, code: str, revision: int, body: Mapping[str, Any]) -> Record:
    """Return the record of one revision, from memory where it was read before.

    ``body`` is the revision's, as :func:`load_record` takes it, and must not be changed afterwards. Raises InvalidInput
    as that does.

    >>> body = {"name": "pigment bench"}
    >>> recalled(1, "projects", "pigments", 1, body) is recalled(1, "projects", "pigments", 1, dict(body))
    True
    """
    key = (workshop_id, kind, code, revision)
    record = _RECALL.get(key, body)
    if record is None:
        record = load_record(kind, code, body)
        _RECALL.keep(key, body, record)
    return record
