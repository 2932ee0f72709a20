"""Tests of the tests, by hand: plant one fault at a time in a copy of the tree, and see that tests turn red.

    python tests/house/planted_faults.py [NAME ...]

Prints a line a fault: how many of the named tests fail, and the first of them. Ends with 1 where a fault is not found,
where its place is not there any more, or where the tests are red without any fault.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
COPIED: Final = ("service", "tests", "seed_data", "openapi", "pyproject.toml")
_FAILED: Final = re.compile(r"^(?:FAILED|ERROR) (\S+)", re.MULTILINE)


@dataclass(frozen=True)
class PlantedFault:
    """A change of one place of one file that takes a guard away, and the tests that have to notice."""

    name: str
    file: str
    stands: str
    planted: str
    tests: tuple[str, ...]
    only: str = ""


FAULTS: Final[Sequence[PlantedFault]] = (
    PlantedFault(
        "a token of any scope may do anything",
        "service/api/auth.py",
        "if not holder.may(scope):",
        "if not holder.may(holder.scope):",
        ("tests/api/test_identities.py",),
        "everybody",
    ),
    PlantedFault(
        "an expired token still opens",
        "service/store/tokens.py",
        "if expires_at is not None and expires_at <= iso_time(at):",
        "if expires_at == iso_time(at):",
        ("tests/api/test_identities.py",),
        "everybody",
    ),
    PlantedFault(
        "queries do not ask for the workshop",
        "service/store/rows.py",
        "return table.c.workshop == reading.workshop_id",
        "return table.c.workshop != -1",
        ("tests/api/test_identities.py",),
        "another_workshop",
    ),
    PlantedFault(
        "money goes through a float",
        "service/domain/money.py",
        "return int(amount.quantize(_MICRO, rounding=ROUND_HALF_EVEN).scaleb(MOST_DECIMALS))",
        "return int(float(amount) * 10**MOST_DECIMALS)",
        ("tests/domain/test_money.py",),
    ),
    PlantedFault(
        "the idempotency key is looked up after the write",
        "service/record/put.py",
        """        with database.reading(workshop_id) as reading:
            if (replayed := _replayed(reading, kind, code, body, idempotency_key)) is not None:
                return replayed
        with database.writing(workshop_id, by, at, token) as writing:
            replayed = _replayed(writing, kind, code, body, idempotency_key)
            if replayed is None:
                return _told(writing, write(Bench(writing), kind, code, body, look=look), tell)
""",
        """        with database.writing(workshop_id, by, at, token) as writing:
            written = write(Bench(writing), kind, code, body, look=look)
            replayed = _replayed(writing, kind, code, body, idempotency_key)
            if written.created or replayed is None:
                return _told(writing, written, tell)
""",
        ("tests/api/test_records.py",),
        "once_for_its_key or sent_again",
    ),
    PlantedFault(
        "an idempotency key is forgotten",
        "service/record/put.py",
        "told = json.dumps([workshop_id, kind, idempotency_key]).encode()",
        "told = json.dumps([workshop_id, kind, idempotency_key, str(at)]).encode()",
        ("tests/api/test_records.py",),
        "once_for_its_key",
    ),
    PlantedFault(
        "a write needs no If-Match",
        "service/record/put.py",
        "    if if_match is None:\n        raise RevisionRequired(",
        "    if if_match is None:\n        return\n        raise RevisionRequired(",
        ("tests/api/test_records.py",),
        "says_what_it_changes",
    ),
    PlantedFault(
        "any If-Match is current",
        "service/record/put.py",
        "    if not names(if_match, found.etag):",
        "    if not if_match:",
        ("tests/api/test_records.py",),
        "says_what_it_changes",
    ),
    PlantedFault(
        "failed runs are left out of the ratio of totals",
        "service/answer/step_runs.py",
        "failed_known = failed[np.isfinite(columns.theoretical_g[failed])]",
        "failed_known = failed[:0]",
        ("tests/answer/test_yields.py",),
        "sixty_runs or what_counts",
    ),
    PlantedFault(
        "what is rounded is lost between the parts",
        "service/analytics/money/exact_parts.py",
        "return (2 * value * reach + quantity) // (2 * quantity) if quantity else 0",
        "return value // quantity * reach if quantity else 0",
        ("tests/analytics/test_ledger.py",),
        "rounding or last_take or exactly",
    ),
    PlantedFault(
        "a recount has the wrong sign",
        "service/record/stock.py",
        "return in_units(counted, lot.dimension) - others.quantity - mine.quantity",
        "return others.quantity + mine.quantity - in_units(counted, lot.dimension)",
        ("tests/store/test_stock_entries.py", "tests/api/test_stock.py"),
        "recount or counted",
    ),
    PlantedFault(
        "a recount stands whatever is taken before it",
        "service/record/bench.py",
        "if moves[code].since <= last:",
        "if moves[code].since > last:",
        ("tests/store/test_stock_entries.py",),
        "recount",
    ),
    PlantedFault(
        "what is taken leaves the balance as it was",
        "service/record/bench.py",
        "put_balances(self.writing, left)",
        "put_balances(self.writing, {})",
        ("tests/store/test_balances.py",),
        "less_what_was_taken",
    ),
    PlantedFault(
        "what has no price costs nothing",
        "service/analytics/money/standard_cost.py",
        "cost_per_g=None if unpriced else at_least,",
        "cost_per_g=at_least,",
        ("tests/analytics/test_standard_cost.py", "tests/answer/test_cost.py"),
        "without_a_price or no_price",
    ),
    PlantedFault(
        "more is fed back than goes in",
        "service/analytics/money/steady_state.py",
        "covered = min(1.0, left_g / need_g)",
        "covered = left_g / need_g",
        ("tests/analytics/test_steady_state.py",),
        "never_more_than_it_needs",
    ),
    PlantedFault(
        "a removed record can be read",
        "service/store/records.py",
        "return None if found is None or found.deleted else found",
        "return found",
        ("tests/api/test_records.py",),
        "made_read_changed_and_removed",
    ),
    PlantedFault(
        "304 whatever was written meanwhile",
        "service/api/answered.py",
        "tag = tag_of(reading.workshop_id, state, request.path,",
        "tag = tag_of(reading.workshop_id, request.path,",
        ("tests/api/test_answers.py",),
        "a_write_gives_every_answer_another_tag",
    ),
    PlantedFault(
        "304 at midnight",
        "service/api/answered.py",
        'asked = {**call.query, "as_of": as_of(call), "state": None}',
        'asked = {**call.query, "state": None}',
        ("tests/api/test_answers.py",),
        "midnight",
    ),
    PlantedFault(
        "the prior of the spread is ignored",
        "service/analytics/forecast/next_run.py",
        "moderated = (np.asarray(nu0) * np.asarray(s0) ** 2 + variance * (counted - 1)) / degrees",
        "moderated = variance * (counted - 1) / degrees",
        ("tests/analytics/test_forecast_next_run.py",),
    ),
    PlantedFault(
        "a key twice in an object passes",
        "service/schemas/json_text.py",
        "    if len(found) < len(pairs):",
        "    if len(found) > len(pairs):",
        ("tests/schemas/test_json_text.py",),
    ),
    PlantedFault(
        "unknown keys pass",
        "service/schemas/shape.py",
        "faults = [*self._unknown_keys(original), *self.rules(data, original)]",
        "faults = [*self.rules(data, original)]",
        ("tests/api/test_bodies.py", "tests/schemas/test_hostile.py"),
        "service_writes or unknown_keys",
    ),
    PlantedFault(
        "a cell may begin like a formula",
        "service/rendering/table.py",
        """return "'" + text if text.startswith(_RUN_BY_SPREADSHEETS) else text""",
        "return text",
        ("tests/rendering/test_table.py",),
    ),
    PlantedFault(
        "NaN goes over the wire",
        "service/api/wire.py",
        "ensure_ascii=False, allow_nan=False, separators",
        "ensure_ascii=False, allow_nan=True, separators",
        ("tests/api/test_wire.py",),
    ),
    PlantedFault(
        "an import takes credits above the cost of their run",
        "service/answer/credits.py",
        "    if credits <= cost:\n        return None",
        "    return None",
        ("tests/stories/test_refusals.py",),
        "credits and sqlite",
    ),
    PlantedFault(
        "a rate that recorded money needs may go",
        "service/record/rate_needs.py",
        "        if until is not None and until <= since:",
        "        if until != since:",
        ("tests/stories/test_refusals.py",),
        "needs_stays and sqlite",
    ),
    PlantedFault(
        "the highest count of a day counts",
        "service/record/stock.py",
        "lambda each: -each[1] if",
        "lambda each: each[1] if",
        ("tests/store/test_stock_entries.py",),
        "lowest and sqlite",
    ),
    PlantedFault(
        "an overdrawn lot is not found",
        "service/answer/stock_findings.py",
        "    below = below_zero(book.reading)\n",
        "    below = {lot: each for lot, each in below_zero(book.reading).items() if each.quantity < -(10**10)}\n",
        ("tests/answer/test_ledger_audit.py",),
        "sound and sqlite",
    ),
)


def plant(tree: Path, fault: PlantedFault) -> str:
    """Change the file of the copy and return what it was; ValueError where the place is not there exactly once."""
    file = tree / fault.file
    text = file.read_text("utf-8")
    if text.count(fault.stands) != 1:
        raise ValueError(f"{fault.file} has {text.count(fault.stands)} times: {fault.stands!r}")
    file.write_text(text.replace(fault.stands, fault.planted), "utf-8")
    return text


def red(tree: Path, tests: Sequence[str], only: str) -> tuple[int, list[str]]:
    """Run the tests in the copy; return pytest's status and the names of those that failed."""
    command = [sys.executable, "-m", "pytest", "-n", "0", "-q", "-p", "no:cacheprovider", *tests]
    run = subprocess.run(
        [*command, *(["-k", only] if only else [])],
        check=False,
        cwd=tree,
        env={**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=900,
    )
    if run.returncode not in (0, 1):
        raise ValueError(f"pytest ended with {run.returncode}: {run.stdout[-600:]}{run.stderr[-600:]}")
    return run.returncode, _FAILED.findall(run.stdout)


def main(asked: Sequence[str]) -> int:
    """Plant each fault, or those whose name holds one of the words asked for; print the table."""
    chosen = [fault for fault in FAULTS if not asked or any(word in fault.name for word in asked)]
    missed = 0
    with tempfile.TemporaryDirectory(prefix="weighbook-planted-") as folder:
        tree = Path(folder)
        for name in COPIED:
            copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy2
            copy(ROOT / name, tree / name)
        print("| planted | tests red | the first of them |\n|---|--:|---|", flush=True)
        for fault in chosen:
            try:
                before, failing = red(tree, fault.tests, fault.only)
                if before:
                    raise ValueError(f"red without the fault: {failing[:3]}")
                text = plant(tree, fault)
                try:
                    status, failing = red(tree, fault.tests, fault.only)
                finally:
                    (tree / fault.file).write_text(text, "utf-8")
                missed += not status
                told = f"{len(failing)} | `{failing[0]}`" if status else "0 | NOT FOUND"
            except ValueError as wrong:
                missed += 1
                told = f"– | {wrong}"
            print(f"| {fault.name} | {told} |", flush=True)
    print(f"\n{len(chosen) - missed} of {len(chosen)} faults were found")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
