"""What README.md shows is what happens: its answers are asked for again, its settings and endpoints are the code's.

Markers that a reader of the page does not see tell the tests what a fenced block is; each stands before its block:

* ``<!-- command: test -->``, ``<!-- command: demo -->``: the two commands; ``.ci/run`` runs the first as it stands.
* ``<!-- run: NAME -->``: commands for the served demo. ``$TOKEN`` is the token of the demo; the demo's usual address
  is replaced by that of the demo under test.
* ``<!-- output ignore=KEY,KEY -->``: what the commands before it answer. JSON is compared as data, without the keys
  that are named (at any depth: the page may leave them out); any other text is compared line by line.
* ``<!-- endpoints -->`` stands before the table of the endpoints, ``<!-- settings -->`` before that of the settings.
"""

from __future__ import annotations

import json
import math
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

USUAL_ADDRESS = re.compile(r"http://(?:127\.0\.0\.1|localhost):8750\b")
PATIENCE_S = 120  # how long the demo may take to load and serve on a busy machine, before the tests give up
BLOCK = re.compile(r"^<!-- (?P<marker>[^\n]*?) -->\n\s*```[a-z]*\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Example:
    """Commands that the page shows, and the answer that it shows for them."""

    name: str
    commands: str
    language_is_json: bool
    answer: str
    ignored: frozenset[str]


def blocks(page: str) -> list[tuple[str, str]]:
    """The fenced blocks that stand under a marker: marker and text, in the order of the page."""
    return [(found["marker"], found["text"]) for found in BLOCK.finditer(page)]


def command(page: str, name: str) -> str:
    """The one block under ``<!-- command: NAME -->``."""
    (text,) = [text for marker, text in blocks(page) if marker == f"command: {name}"]
    return text


def examples(page: str) -> list[Example]:
    """Every ``run`` block with the ``output`` block that follows it."""
    marked = [(marker, text) for marker, text in blocks(page) if marker.startswith(("run:", "output"))]
    found = []
    for (run, commands), (output, answer) in zip(marked[::2], marked[1::2], strict=True):
        assert run.startswith("run:"), f"<!-- {run} --> has no run before it"
        assert output.startswith("output"), f"<!-- {run} --> has no output after it"
        ignored = re.search(r"ignore=(\S+)", output)
        keys = frozenset(ignored[1].split(",")) if ignored else frozenset()
        is_json = answer.lstrip()[:1] in ("{", "[")
        found.append(Example(run.removeprefix("run:").strip(), commands, is_json, answer, keys))
    return found


def table(page: str, name: str) -> str:
    """The lines of the table under ``<!-- NAME -->``."""
    found = re.search(rf"^<!-- {name} -->\n\s*((?:\|[^\n]*\n)+)", page, re.MULTILINE)
    assert found, f"README.md has no table under <!-- {name} -->"
    return found[1]


def without(keys: frozenset[str], answer: Any) -> Any:
    """The answer without the keys that are named, at any depth."""
    if isinstance(answer, dict):
        return {key: without(keys, value) for key, value in answer.items() if key not in keys}
    return [without(keys, value) for value in answer] if isinstance(answer, list) else answer


def alike(real: Any, shown: Any) -> bool:
    """Whether an answer is what the page shows, which has its numbers to five digits."""
    if isinstance(real, dict) and isinstance(shown, dict):
        return real.keys() == shown.keys() and all(alike(real[key], shown[key]) for key in real)
    if isinstance(real, list) and isinstance(shown, list):
        return len(real) == len(shown) and all(map(alike, real, shown))
    if isinstance(real, float) and isinstance(shown, float | int) and not isinstance(shown, bool):
        return math.isclose(real, shown, rel_tol=5.1e-5, abs_tol=1e-12)
    return type(real) is type(shown) and bool(real == shown)


@pytest.fixture(scope="module")
def page(root: Path) -> str:
    """The text of README.md."""
    text = (root / "README.md").read_text("utf-8")
    assert text.strip(), "README.md is empty"
    return text


@dataclass(frozen=True)
class Demo:
    """A demo that is being served."""

    address: str
    token: str
    folder: Path

    def run(self, commands: str) -> str:
        """Run commands of the page against this demo and return what they print."""
        text = USUAL_ADDRESS.sub(self.address, commands)
        environment = {**os.environ, "TOKEN": self.token, "NO_PROXY": "127.0.0.1", "no_proxy": "127.0.0.1"}
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", text],
            cwd=self.folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{text}\n{done.stdout}{done.stderr}"
        return done.stdout


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """``weighbook demo``, served from an empty folder on a free port."""
    folder = tmp_path_factory.mktemp("demo")
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port = asked.getsockname()[1]
    program = Path(sys.executable).with_name("weighbook")
    printed, complaints = folder / "printed", folder / "complaints"
    with printed.open("w") as out, complaints.open("w") as err:
        process = subprocess.Popen(
            [str(program), "demo", "--port", str(port), "--database", f"sqlite:///{folder / 'demo.db'}"],
            cwd=folder,
            env={key: value for key, value in os.environ.items() if not key.startswith("WEIGHBOOK_")},
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            start_new_session=True,
        )
    try:
        address = f"http://127.0.0.1:{port}"
        deadline = time.monotonic() + PATIENCE_S
        token = None
        while token is None or not is_ready(address):
            said = printed.read_text() + complaints.read_text()
            assert process.poll() is None, f"weighbook demo ended:\n{said}"
            assert time.monotonic() < deadline, f"weighbook demo does not serve:\n{said}"
            token = re.search(r"^token: (\S+)$", printed.read_text(), re.MULTILINE)
            time.sleep(0.1)
        assert address in printed.read_text()
        yield Demo(address, token[1], folder)
    finally:
        stop(process)


def is_ready(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/health/ready", timeout=5) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


def stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(timeout=30)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)  # the demo leads a group of its own
        process.wait()


def test_the_two_commands_stand_in_the_page(page: str) -> None:
    assert "-m pytest" in command(page, "test")
    assert "weighbook demo" in command(page, "demo")


def test_every_shown_answer_is_the_real_one(page: str, demo: Demo) -> None:
    shown = examples(page)
    assert len(shown) >= 3, "README.md shows fewer than three questions under <!-- run: NAME --> with their output"
    differing = []
    for example in shown:
        real, expected = demo.run(example.commands), example.answer
        if example.language_is_json:
            same = alike(without(example.ignored, json.loads(real)), without(example.ignored, json.loads(expected)))
        else:
            same = real.strip().splitlines() == expected.strip().splitlines()
        if not same:
            differing.append(f"{example.name}: the page shows\n{expected}\nbut the demo answers\n{real}")
    assert not differing, "\n\n".join(differing)


def test_every_setting_is_in_the_page(page: str, root: Path) -> None:
    name = re.compile(r"\bWEIGHBOOK_[A-Z_]*[A-Z]\b")
    known = set(name.findall((root / "service" / "settings.py").read_text("utf-8")))
    assert "WEIGHBOOK_DATABASE_URL" in known
    assert set(name.findall(table(page, "settings"))) == known


def test_every_endpoint_is_in_the_page(page: str) -> None:
    from service.app import create_app
    from service.settings import Settings

    # Record kinds share a row, so every word of a path is looked for: /v1/routes/{code}/cost needs "routes" and "cost".
    told = set(re.findall(r"[a-z0-9.-]+", table(page, "endpoints")))
    rules = [rule.rule for rule in create_app(Settings(database_url="sqlite:///never-opened.db")).url_map.iter_rules()]
    assert rules
    fixed = {rule: {part for part in rule.split("/") if part and not part.startswith("<")} for rule in rules}
    untold = {rule: words - told for rule, words in fixed.items() if words - told}
    assert not untold


def test_five_digits_are_compared_and_no_fewer() -> None:
    assert alike({"mean": 0.912853, "runs": 13}, {"mean": 0.91285, "runs": 13})
    assert not alike({"mean": 0.912853}, {"mean": 0.9129})
    assert not alike({"runs": 13}, {"runs": 14})
    assert not alike({"mean": None}, {"mean": 0.0})
    assert not alike({"ok": True}, {"ok": 1})


def test_a_planted_page_is_read_as_it_is_meant() -> None:
    fence = "```"
    planted = f"""
<!-- command: test -->
{fence}sh
make it && test it
{fence}
<!-- run: yields -->
{fence}sh
curl -s http://127.0.0.1:8750/v1/yields
{fence}
<!-- output ignore=state,as_of -->
{fence}json
{{"mean": 0.9, "rests_on": {{"method": "1"}}}}
{fence}
<!-- settings -->
| setting | means |
| `WEIGHBOOK_PORT` | the port |

Text.
"""
    assert command(planted, "test") == "make it && test it\n"
    (example,) = examples(planted)
    assert (example.name, sorted(example.ignored)) == ("yields", ["as_of", "state"])
    real = {"mean": 0.9, "rests_on": {"method": "1", "state": 7}, "as_of": "2026-01-31"}
    assert without(example.ignored, real) == json.loads(example.answer)
    assert without(example.ignored, {**real, "mean": 0.8}) != json.loads(example.answer)
    assert "WEIGHBOOK_PORT" in table(planted, "settings")
    assert "Text." not in table(planted, "settings")
