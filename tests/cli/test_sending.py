"""A file sent to a service: the token goes to the server that was named, and nowhere that it points to."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from tests.cli.conftest import Weighbook


@contextmanager
def answering(status: int, location: str = "") -> Iterator[tuple[str, list[tuple[str, str | None]]]]:
    """A server that answers everything alike; give its address and what it was asked, with the token sent along."""
    asked: list[tuple[str, str | None]] = []

    class Handler(BaseHTTPRequestHandler):
        def answer(self) -> None:
            asked.append((self.command, self.headers.get("Authorization")))
            self.rfile.read(int(self.headers.get("Content-Length") or 0))
            self.send_response(status)
            if location:
                self.send_header("Location", location)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"{}")

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    for method in ("GET", "POST"):
        setattr(Handler, f"do_{method}", Handler.answer)
    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_a_file_is_sent_with_the_token(weighbook: Weighbook, tmp_path: Path) -> None:
    (tmp_path / "lines.json").write_text("[]")
    with answering(201) as (address, asked):
        done = weighbook("import", "lines.json", "--server", address, "--token", "wb_secret")
    assert done.exit_code == 0, done.output
    assert asked == [("POST", "Bearer wb_secret")]


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirection_is_not_followed(status: int, weighbook: Weighbook, tmp_path: Path) -> None:
    (tmp_path / "lines.json").write_text("[]")
    with answering(200) as (elsewhere, told), answering(status, elsewhere) as (address, asked):
        done = weighbook("import", "lines.json", "--server", address, "--token", "wb_secret")
    assert done.exit_code == 1
    assert asked == [("POST", "Bearer wb_secret")]
    assert told == []


@pytest.mark.parametrize("server", ["file:///etc/passwd", "ftp://127.0.0.1", "data:,x", "127.0.0.1:8750", ""])
def test_a_server_is_asked_over_http_alone(server: str, weighbook: Weighbook, tmp_path: Path) -> None:
    (tmp_path / "lines.json").write_text("[]")
    refused = weighbook("import", "lines.json", "--server", server, "--token", "wb_secret")
    assert refused.exit_code == 1
    assert "http://127.0.0.1:8750" in refused.output
