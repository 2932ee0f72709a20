"""The server's configuration of the container serves an empty database as it stands."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

PATIENCE_S = 120  # on a busy machine; the test gives up then, it does not judge speed


def test_the_configuration_serves_an_empty_database(tmp_path: Path) -> None:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{asked.getsockname()[1]}"
    configuration = Path(__file__).parents[2] / "docker" / "gunicorn.conf.py"
    environment = {key: value for key, value in os.environ.items() if not key.startswith("WEIGHBOOK_")}
    environment |= {"WEIGHBOOK_BIND": address, "WEIGHBOOK_DATABASE_URL": f"sqlite:///{tmp_path / 'book.db'}"}
    said = tmp_path / "said"
    with said.open("w") as log:
        server = subprocess.Popen(
            [str(Path(sys.executable).with_name("gunicorn")), "--config", str(configuration)],
            env=environment, cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not answers(address):
            assert server.poll() is None, said.read_text()
            assert time.monotonic() < deadline, said.read_text()
            time.sleep(0.1)
        host, _, port = address.partition(":")
        with socket.create_connection((host, int(port)), timeout=PATIENCE_S) as connection:
            connection.sendall(b"GARB AGE\r\n\r\n")
            refusal = connection.makefile("rb").read()
    finally:
        server.terminate()
        server.wait(timeout=60)
    assert (tmp_path / "book.db").exists()
    assert b"application/problem+json" in refusal, "what is no HTTP is answered as weighbook serve answers it"
    assert "GET /health/ready 200" in said.read_text(), "every request has its line in the log"


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"http://{address}/health/ready", timeout=5) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False
