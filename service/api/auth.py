"""Who asks: a bearer token (RFC 6750) in the Authorization field, and nowhere else, so that it lands in no log."""

from __future__ import annotations

import datetime as dt
import re
from typing import Final

from flask import g, request
from werkzeug.exceptions import TooManyRequests

from service.api.quota import Quota
from service.errors import Forbidden, Unauthorised
from service.store.session import Database
from service.store.tokens import TokenHolder, authenticate

_BEARER: Final = re.compile(r"Bearer +([A-Za-z0-9._~+/-]{8,256}=*)", re.IGNORECASE)
_BY_SCHEME: Final = "Authorization: Bearer TOKEN"


def identify(database: Database, now: dt.datetime, scope: str) -> TokenHolder:
    """Return who asks. Raises :class:`Unauthorised` without a good token, :class:`Forbidden` without the scope."""
    given = request.headers.get("Authorization")
    if given is None:
        raise Unauthorised(f"no token was sent: send {_BY_SCHEME}")
    token = _BEARER.fullmatch(given.strip())
    if token is None:
        raise Unauthorised(f"the Authorization field cannot be read: send {_BY_SCHEME}")
    holder = authenticate(database, token[1], now)
    if not holder.may(scope):
        raise Forbidden(f"this needs the scope {scope}, and the token has {holder.scope}")
    return holder


def take_from_quota(quota: Quota, holder: TokenHolder) -> None:
    """Count one request of the holder; raise 429 where the quota is spent."""
    allowance = g.allowance = quota.take(holder.token_id)
    if allowance.left < 0:
        detail = f"{allowance.limit} requests a minute are spent: more come in {allowance.seconds} s"
        raise TooManyRequests(detail, retry_after=allowance.seconds)
