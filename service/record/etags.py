"""Preconditions: whether a header names the version that a record has."""

from __future__ import annotations

import re
from typing import Final

ANY: Final = "*"
_COMPRESSED: Final = re.compile(r"(?:--?|;|\+)(?:gzip|br|zstd|deflate|df)$")


def plain(etag: str) -> str:
    """Return an entity tag without ``W/``, quotation marks and the suffix that a compressing proxy adds.

    >>> plain('W/"r3-o17-gzip"'), plain('"r3"-br')
    ('r3-o17', 'r3')
    """
    text = etag.strip().removeprefix("W/")
    return _COMPRESSED.sub("", _COMPRESSED.sub("", text).strip('"'))


def names(if_match: str, etag: str) -> bool:
    """Say whether an ``If-Match`` header, one tag or several or ``*``, names the version ``etag``.

    >>> names('"r1", "r2"', "r2"), names("*", "r2"), names('"r1"', "r2")
    (True, True, False)
    """
    return if_match.strip() == ANY or any(plain(tag) == etag for tag in if_match.split(","))
