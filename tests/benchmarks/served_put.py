"""The same PUT through gunicorn on 127.0.0.1, one worker, beside the bare view served alike."""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from service.app import SERVICE, create_app
from service.settings import Settings
from tests.benchmarks.bare import BareStore
from tests.benchmarks.books import new_workshop
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import WARM_UPS, Cost, Row, in_turn
from tests.benchmarks.put_run import AT_MOST, Send, client_of, fill, send_with, template_of, written

ROOT = Path(__file__).parents[2]
TICKS_A_SECOND = os.sysconf("SC_CLK_TCK")
STARTS_WITHIN_S = 30.0
NOT_COUNTED = 99_999


@contextmanager
def served(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    """A server in a session of its own, stopped at the end with its workers."""
    server = subprocess.Popen(
        [sys.executable, *command], cwd=ROOT, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield server
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(timeout=STARTS_WITHIN_S)


def free_port() -> int:
    """A port that nobody listens on."""
    with closing(socket.socket()) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def connected(port: int) -> http.client.HTTPConnection:
    """A connection that is kept open, as soon as the server takes one."""
    ends_at = time.monotonic() + STARTS_WITHIN_S
    while True:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=STARTS_WITHIN_S)
        try:
            connection.connect()
        except ConnectionRefusedError:
            if time.monotonic() > ends_at:
                raise
            time.sleep(0.05)
        else:
            return connection


def send_over(connection: http.client.HTTPConnection, folder: str, token: str) -> Send:
    """Send over a connection that is kept open."""
    fields = {"Content-Type": "application/json", "Authorization": f"Bearer {token}"}

    def send(code: str, body: bytes) -> int:
        connection.request("PUT", f"{folder}/{code}", body, fields)
        answer = connection.getresponse()
        answer.read()
        return answer.status

    return send


def processor_s(session: int) -> float:
    """Seconds of processor time that the processes of a session have taken, to a hundredth."""
    ticks = 0
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text("utf-8").rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        if int(fields[3]) == session:
            ticks += int(fields[11]) + int(fields[12])
    return ticks / TICKS_A_SECOND


def rows(url: str, *, calls: int = 300) -> list[Row]:
    """Measure both servers in turn; processor time is that of the servers, the database's own process left out."""
    app = create_app(Settings(database_url=url))
    with closing(app.extensions[SERVICE].database) as database, tempfile.TemporaryDirectory() as folder:
        workshop = new_workshop(database)
        client = client_of(app, workshop.token)
        fill(client)
        template = Path(folder) / "rows.json"
        template.write_text(json.dumps(template_of(database, workshop.id, send_with(client, "/v1/runs"))), "utf-8")
        store = BareStore(url)
        ports = free_port(), free_port()
        own_command = ("-c", "from service.cli import main; main()", "serve", "--database", url)
        bare_command = ("-m", "gunicorn", "--no-control-socket", "--threads", "4")
        bare_app = f"tests.benchmarks.bare:served({url!r}, {str(template)!r})"
        with (
            served(*own_command, "--port", str(ports[0]), "--workers", "1") as own,
            served(*bare_command, "--bind", f"127.0.0.1:{ports[1]}", "--workers", "1", bare_app) as floor,
            closing(connected(ports[0])) as to_own,
            closing(connected(ports[1])) as to_floor,
        ):
            sends = [
                send_over(to_own, "/v1/runs", workshop.token),
                send_over(to_floor, "/runs", workshop.token),
            ]
            for send in sends:  # a server listens before its app is made
                written(send)(NOT_COUNTED)
            before = [processor_s(server.pid) for server in (own, floor)]
            costs = in_turn(calls, [written(send) for send in sends])
            after = [processor_s(server.pid) for server in (own, floor)]
        store.close()
    requests = calls + min(WARM_UPS, calls)
    cost, bare_cost = (
        Cost(each.wall_s, (then - now) / requests) for each, now, then in zip(costs, before, after, strict=True)
    )
    return [Row(f"PUT of a run through gunicorn, {kind_of(url)}", cost, bare_cost, AT_MOST)]
