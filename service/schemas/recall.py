"""Records that were read before: the body of a revision never changes, so neither does the record that it makes."""

from __future__ import annotations

import json
from collections import OrderedDict
from threading import Lock
from typing import Final

from service.schemas.kinds import Record, load_record

MOST_RECORDS: Final = 4096

_Key = tuple[object, str, str, int]


class _Recall:
    """The records used last, at most ``most`` of them; threads share it."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._records: OrderedDict[_Key, tuple[str, Record]] = OrderedDict()
        self._last: dict[tuple[object, str, str], _Key] = {}

    def get(self, key: _Key, text: str) -> Record | None:
        """Return the record of a key where it was made from that text: another book may have the same numbers."""
        with self._lock:
            found = self._records.get(key)
            if found is None or found[0] != text:
                return None
            self._records.move_to_end(key)
            return found[1]

    def keep(self, key: _Key, text: str, record: Record) -> None:
        """Keep a record, and let go of the one unused for longest where there are too many."""
        with self._lock:
            self._records[key] = text, record
            self._records.move_to_end(key)
            self._last[key[:3]] = key
            while len(self._records) > self._most:
                gone, _ = self._records.popitem(last=False)
                if self._last.get(gone[:3]) == gone:
                    del self._last[gone[:3]]

    def last(self, workshop_id: object, kind: str, code: str) -> Record | None:
        """Return the record of a code that was kept last, in whichever revision; None where none is held."""
        with self._lock:
            key = self._last.get((workshop_id, kind, code))
            return None if key is None else self._records[key][1]


_RECALL: Final = _Recall(MOST_RECORDS)


def recalled(workshop_id: object, kind: str, code: str, revision: int, text: str) -> Record:
    """Return the record of one revision, from memory where it was read before.

    ``text`` is the revision's body as it is kept, JSON that :func:`load_record` takes; it is read only where the record
    is not in memory. Raises InvalidInput as that does.

    >>> text = '{"name":"pigment bench"}'
    >>> recalled(1, "projects", "pigments", 1, text) is recalled(1, "projects", "pigments", 1, text)
    True
    """
    key = (workshop_id, kind, code, revision)
    record = _RECALL.get(key, text)
    if record is None:
        record = load_record(kind, code, json.loads(text))
        _RECALL.keep(key, text, record)
    return record


def last_recalled(workshop_id: object, kind: str, code: str) -> Record | None:
    """Return the record that was read last under a code, None where none is remembered.

    It may be of an older revision or of another book: good for guessing what will be asked for next, and for no more.
    """
    return _RECALL.last(workshop_id, kind, code)
