"""The service as one WSGI app. Nothing is done at import; ``create_app`` builds everything from its settings."""

from __future__ import annotations

import datetime as dt
import os
import time
from collections.abc import Callable
from typing import Final

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from service.answer.snapshot import Memory
from service.api import documentation, problems, traffic
from service.api.counters import Counters
from service.api.operation import Service
from service.api.operations import all_operations
from service.api.quota import Quota
from service.record.past import Past
from service.settings import Settings
from service.store.session import open_database

SERVICE: Final = "weighbook"
"""Under this name the app keeps what its operations work with; whoever made the app closes the database in it."""


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def from_environment() -> Flask:
    """Return the service with the settings of the process's environment, for a server that takes an app by its name."""
    return create_app(Settings.from_environment(os.environ))


def create_app(settings: Settings, *, now: Callable[[], dt.datetime] = _now) -> Flask:
    """Return the service on the database of the settings. It connects with its first request, and upgrades nothing.

    ``now`` is its clock, which tells the time in UTC.
    """
    app = Flask("weighbook", static_folder=None)
    app.url_map.merge_slashes = False
    service = Service(
        database=open_database(settings.database_url),
        memory=Memory(),
        past=Past(Memory),
        now=now,
        counters=Counters(),
        quota=Quota(settings.requests_per_minute, clock=time.monotonic) if settings.requests_per_minute else None,
        body_limit_bytes=settings.body_limit_bytes,
        import_limit_bytes=settings.import_limit_bytes,
    )
    app.extensions[SERVICE] = service
    traffic.register(app, service.counters, origins=settings.cors_origins, hosts=settings.allowed_hosts)
    documentation.register(app, service, all_operations())
    problems.register(app)
    if settings.trusted_proxies:
        count = settings.trusted_proxies
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=count, x_proto=count, x_host=count)  # type: ignore[method-assign]
    return app
