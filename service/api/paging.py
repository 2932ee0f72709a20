"""Pages of a list: an opaque cursor that holds the place after the last item, and the full URL of the next page."""

from __future__ import annotations

import base64
import binascii
import difflib
import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode

from flask import request

from service.api import query
from service.api.query import Parameter
from service.errors import Fault, InvalidInput, MalformedInput

DEFAULT_PAGE: Final = 100
LARGEST_PAGE: Final = 1000
_LONGEST_CURSOR: Final = 2000

Order = tuple[tuple[str, bool], ...]
"""Columns to sort by, each with whether it descends."""


def sort_parameter(columns: Collection[str]) -> Parameter:
    """Declare ``sort=-date,name``: columns among ``columns``, each descending where a dash stands before it.

    >>> sort_parameter(["code", "name"]).read("-name,code")
    (('name', True), ('code', False))
    """

    expected = f"different names among {', '.join(columns)}, with commas between, a dash before those that descend"

    def read(text: str) -> Order:
        found = tuple((part.removeprefix("-"), part.startswith("-")) for part in text.split(","))
        names = [name for name, _ in found]
        for name in names:
            if name not in columns:
                near = difflib.get_close_matches(name, columns, n=1)
                hint = f"did you mean {near[0]}?" if near else f"it can be {', '.join(columns)}"
                detail = f"nothing is sorted by {name[:64]!r}: {hint}"
                raise InvalidInput([Fault("unknown-column", detail, expected=expected)])
        if len(set(names)) < len(names):
            raise ValueError(text)
        return found

    one = f"-?({'|'.join(columns)})"
    schema = {"type": "string", "pattern": f"^{one}(,{one})*$"}
    return Parameter("sort", "What the list is sorted by; the code decides last.", read, expected, schema, default=())


def page_parameters() -> tuple[Parameter, ...]:
    """Declare how much of a list is wanted, and from where on."""
    return (
        query.whole("limit", "Items a page.", least=1, most=LARGEST_PAGE, default=DEFAULT_PAGE),
        query.text("cursor", "Where the page begins: from the next of the page before.", most=_LONGEST_CURSOR),
    )


def cursor_after(order: Order, place: Sequence[Any]) -> str:
    """Return the cursor of what comes after ``place`` in that order."""
    told = json.dumps([_spelled(order), *place], ensure_ascii=False).encode()
    return base64.urlsafe_b64encode(told).decode().rstrip("=")


def place_of(cursor: str, order: Order, kinds: Sequence[type]) -> tuple[Any, ...]:
    """Return the place that a cursor holds: one value of each of ``kinds``. Raises :class:`MalformedInput` for another.

    >>> place_of(cursor_after((("name", True),), ["Alum", "alum-1"]), (("name", True),), (str, str))
    ('Alum', 'alum-1')
    """
    try:
        told = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True))
        spelled, *place = told
        good = spelled == _spelled(order) and [type(value) for value in place] == list(kinds)
        # What no database takes: NUL, halves of surrogate pairs, integers of more than 64 bits.
        good = good and all("\0" not in v and v.encode() is not None for v in place if isinstance(v, str))
        good = good and all(abs(value) < 2**63 for value in place if isinstance(value, int))
    except (binascii.Error, ValueError, TypeError, RecursionError):
        good = False
    if not good:
        detail = "the cursor is not one of this list in this order: take it from next, or leave it out"
        expected = "a cursor that a page of the same list gave"
        raise MalformedInput([Fault("bad-cursor", detail, cursor[:64], expected, parameter="cursor")])
    return tuple(place)


def _spelled(order: Order) -> str:
    return ",".join("-" * descends + name for name, descends in order)


def page_of(items: list[Any], limit: int, cursor: str | None, **more: Any) -> tuple[dict[str, Any], Mapping[str, str]]:
    """Return a page as it is told, and its header fields; ``cursor`` is that of the next page, None on the last."""
    following = None
    if cursor is not None:
        asked = [(name, value) for name, value in request.args.items(multi=True) if name != "cursor"]
        following = f"{request.base_url}?{urlencode([*asked, ('cursor', cursor)])}"
    page = {"items": items, "next": following, "limit": limit, **more}
    return page, {} if following is None else {"Link": f'<{following}>; rel="next"'}
