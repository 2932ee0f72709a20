"""The name that a client gives a request, so that the same request sent again finds what it did."""

from __future__ import annotations

import re
from typing import Final

from flask import request

from service.errors import Fault, MalformedInput

_KEY: Final = re.compile(r"[\x21-\x7e]{1,255}")


def idempotency_key() -> str | None:
    """Return the Idempotency-Key of this request, None where it has none."""
    key = request.headers.get("Idempotency-Key")
    if key is not None and not _KEY.fullmatch(key):
        expected = "1 to 255 visible ASCII characters"
        raise MalformedInput([Fault("bad-idempotency-key", f"Idempotency-Key takes {expected}", key[:64], expected)])
    return key
