"""What an operation is asked and what it answers, as the documentation shows it: asked of the demo itself.

An example holds ``path`` (as asked, with its query), ``request`` (the body, where there is one) and ``response``.
"""

from __future__ import annotations

import json
from functools import cache
from importlib import resources
from typing import Any, Final

FILE: Final = "examples.json"


@cache
def examples() -> dict[str, dict[str, Any]]:
    """Return the examples by the id of their operation; empty where none were made."""
    file = resources.files("service.api") / FILE
    found: dict[str, dict[str, Any]] = json.loads(file.read_text("utf-8")) if file.is_file() else {}
    return found
