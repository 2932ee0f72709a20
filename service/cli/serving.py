"""``weighbook serve``: the service under gunicorn, threaded workers."""

from __future__ import annotations

import json
import logging
import os
import socket
from collections.abc import Callable
from http import HTTPStatus
from typing import Any, Final

import click
from gunicorn import util  # type: ignore[import-untyped]
from gunicorn.app.base import BaseApplication  # type: ignore[import-untyped]

from service.api.problems import LONGEST_REQUEST_LINE, OF_HTTP
from service.app import create_app
from service.cli.memory import keep_freed_memory
from service.cli.opening import bring_empty_to_newest, database_option, opened, settings_with
from service.settings import Settings

DEFAULT_HOST: Final = "127.0.0.1"
DEFAULT_PORT: Final = 8750
THREADS: Final = 4
"""Threads a worker: enough that a slow sender does not stop the others, few enough for one interpreter."""
MOST_DEFAULT_WORKERS: Final = 4


class Server(BaseApplication):  # type: ignore[misc]
    """The service as gunicorn runs it; ``when_ready`` is called with the address once it listens."""

    def __init__(self, settings: Settings, *, host: str, port: int, workers: int, when_ready: Callable[[str], None]):
        self._settings = settings
        self._options = {
            "bind": [f"[{host}]:{port}" if ":" in host else f"{host}:{port}"],
            "workers": workers,
            "worker_class": "gthread",
            "threads": THREADS,
            "loglevel": settings.log_level,
            "limit_request_line": LONGEST_REQUEST_LINE,
            "control_socket_disable": True,
            "when_ready": lambda arbiter: when_ready(_address(arbiter.LISTENERS[0].sock)),
        }
        super().__init__()

    def load_config(self) -> None:
        """Set what differs from gunicorn's own defaults."""
        for name, value in self._options.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        """Make the app, in each worker for itself: no connection is shared among processes."""
        begin_worker(self._settings.log_level)
        return create_app(self._settings)


def _address(listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def write_refusal(sock: socket.socket, status: int, reason: str, detail: str) -> None:
    """Answer what is not HTTP, or is too long for it, before any app sees it, as a problem too."""
    problem = OF_HTTP.get(HTTPStatus(status)) or OF_HTTP[HTTPStatus.BAD_REQUEST]
    told = {
        "type": f"/problems/{problem.code}",
        "title": problem.title,
        "status": status,
        "detail": detail or problem.meaning,
        "code": problem.code,
    }
    body = json.dumps(told).encode()
    head = (
        f"HTTP/1.1 {status} {reason}\r\nConnection: close\r\nContent-Type: application/problem+json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    util.write_nonblock(sock, head.encode("latin-1") + body)


def answer_refusals_as_problems() -> None:
    """Let gunicorn refuse by :func:`write_refusal`; it has no setting for it."""
    util.write_error = write_refusal


def begin_worker(log_level: str) -> None:
    """Make a process ready to answer: freed memory is kept, and every request has its line in the log."""
    keep_freed_memory()
    logging.basicConfig(level=log_level.upper(), format="%(asctime)s %(levelname)s %(message)s")


def run(settings: Settings, *, host: str, port: int, workers: int, when_ready: Callable[[str], None]) -> None:
    """Serve until told to stop."""
    answer_refusals_as_problems()
    Server(settings, host=host, port=port, workers=workers, when_ready=when_ready).run()


@click.command()
@click.option("--host", default=DEFAULT_HOST, show_default=True, help="The address to listen on.")
@click.option("--port", default=DEFAULT_PORT, show_default=True, type=click.IntRange(0, 65535))
@database_option
@click.option("--workers", type=click.IntRange(1, 64), help="Processes; one a processor, at most four, by default.")
def serve(host: str, port: int, database_url: str | None, workers: int | None) -> None:
    """Serve the API. An empty database gets the newest schema; an older one is refused."""
    settings = settings_with(database_url=database_url)
    with opened(settings.database_url) as database:
        bring_empty_to_newest(database)
    run(
        settings,
        host=host,
        port=port,
        workers=workers or min(MOST_DEFAULT_WORKERS, os.cpu_count() or 1),
        when_ready=lambda address: click.echo(f"Weighbook answers at {address}; its documentation is {address}/docs"),
    )
