"""The examples of the documentation, asked of the demo, so that they are what the service really says."""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from service.api.operations import all_operations
from service.api.records import PRICES
from service.app import SERVICE, create_app
from service.cli.demo import load, seed_files
from service.schemas.kinds import KINDS, WORKSHOP, singular
from service.settings import Settings

Client = Any
"""The test client of the app; HTTP itself is the API's affair."""

AS_OF: Final = dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)
"""When the examples were asked: their answers follow from the demo and this day alone."""
_SHOWN: Final = {"runs": "VG-031", "materials": "blue-vitriol", "lots": "acid-01", "routes": "verdigris"}
"""Which record of a kind is shown; the first one of other kinds."""
_ROUTE: Final = "/v1/routes/verdigris"
_DAY: Final = f"as_of={AS_OF.date()}"
_QUESTIONS: Final[Mapping[str, str]] = {
    "list_changes": "/v1/changes?since=1&limit=3",
    "get_yields": f"{_ROUTE}/yields?{_DAY}",
    "get_next_run": f"{_ROUTE}/steps/carbonate/next-run?key_input=50g&confidence=0.99&{_DAY}",
    "get_forecast_record": f"/v1/forecast-record?route=verdigris&step=carbonate&{_DAY}",
    "get_cost": f"{_ROUTE}/cost?{_DAY}",
    "get_plan": f"{_ROUTE}/plan?target=25g&confidence=0.9&stock=none&{_DAY}",
    "get_push": f"{_ROUTE}/push?target=25g&stock=none&{_DAY}",
    "get_batch_sheet": f"{_ROUTE}/steps/carbonate/batch-sheet?key_input=50g&{_DAY}",
    "get_grouped_yields": f"/v1/yields?by=operator&route=verdigris&step=carbonate&{_DAY}",
    "get_run_series": f"/v1/series/runs?route=verdigris&step=carbonate&from=2026-06-01&{_DAY}",
    "get_yield_series": f"/v1/series/yields?route=verdigris&step=carbonate&every=quarter&{_DAY}",
    "get_cost_series": f"/v1/series/costs?route=verdigris&step=carbonate&from=2026-06-01&{_DAY}",
    "get_price_series": f"/v1/series/prices?material=verdigris&{_DAY}",
    "get_trend": f"{_ROUTE}/steps/carbonate/trend?{_DAY}",
    "get_drivers": f"{_ROUTE}/steps/carbonate/drivers?{_DAY}",
    "get_losses": f"{_ROUTE}/losses?from=2026-01-01&compare_to=2025-12-31&{_DAY}",
    "get_mass_metrics": f"{_ROUTE}/mass-metrics?{_DAY}",
    "get_lot_cost": f"/v1/lots/verdigris-003a/cost?{_DAY}",
    "get_run_cost": f"/v1/runs/VG-031/cost?{_DAY}",
    "get_ancestry": f"/v1/lots/verdigris-003a/ancestry?{_DAY}&most=12",
    "get_ledger_balance": f"/v1/ledger/balance?{_DAY}",
    "get_stock": f"/v1/stock?material=malachite&{_DAY}",
    "get_project_cost": f"/v1/projects/pigment-bench/cost?from=2026-09-01&{_DAY}",
    "get_findings": f"/v1/findings?code=slip&{_DAY}",
    "get_weighings_template": "/v1/templates/weighings?route=verdigris",
    "get_workshop": "/v1/workshop",
    "list_tokens": "/v1/tokens",
    "read_live": "/health/live",
    "read_ready": "/health/ready",
    "read_about": "/v1/about",
    "read_metrics": "/metrics",
    "read_problem": "/problems/stale-revision",
    "read_docs_file": "/docs/start.js",
}
_LONGEST_LIST: Final = 3
_LONGEST_TEXT: Final = 600


def make_examples() -> dict[str, dict[str, Any]]:
    """Load the demo into a fresh file, ask one question of each operation, and return the examples by operation id."""
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Settings(database_url=f"sqlite:///{folder}/demo.db"), now=lambda: AS_OF)
        database = app.extensions[SERVICE].database
        try:
            database.upgrade()
            client = app.test_client()
            client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {load(database, seed_files(None), at=AS_OF)}"
            found = dict(_asked(client))
        finally:
            database.close()
    return {operation.id: found[operation.id] for operation in all_operations()}


def _asked(client: Client) -> Iterator[tuple[str, dict[str, Any]]]:
    for kind in KINDS:
        if kind != WORKSHOP:
            yield from _of_kind(client, kind)
    for operation_id, path in _QUESTIONS.items():
        yield operation_id, {"path": path, "response": _answer(client, path)}
    workshop = _answer(client, "/v1/workshop")
    yield "put_workshop", {"path": "/v1/workshop", "request": _body(client, "/v1/workshop"), "response": workshop}
    reaction = {"reactants": ["Cu", "H2SO4", "O2", "H2O"], "products": ["CuSO4.5H2O"]}
    yield "balance_reaction", _sent(client, "/v1/reactions/balance", reaction)
    better = {"name": "acetate at 0.8", "changes": [{"kind": "yield", "step": "acetate", "yield": "0.8"}]}
    dearer = {"name": "dear copper", "changes": [{"kind": "price", "material": "scrap-copper", "factor": "2"}]}
    what_if = {"target": "25 g", "stock": "none", "scenarios": [better, dearer]}
    yield "ask_what_if", _sent(client, f"{_ROUTE}/what-if?{_DAY}", what_if)
    half_done = {"target": "25 g", "stock": "none", "in_hand": [{"step": "carbonate", "amount": "18 g"}]}
    yield "ask_carry_on", _sent(client, f"{_ROUTE}/carry-on?{_DAY}", half_done)
    counted = [{"lot": "acid-01", "amount": "150 mL"}]
    yield "post_stock_count", _sent(client, "/v1/stock-counts", {"on": str(AS_OF.date()), "counted": counted})
    line = {"kind": "project", "code": "cellar", "record": {"name": "the cellar"}}
    imported = _sent(client, "/v1/imports", [line])
    yield "post_import", imported
    report = f"/v1/imports/{imported['response']['code']}"
    yield "get_import", {"path": report, "response": _answer(client, report)}
    made = _sent(client, "/v1/tokens", {"scope": "read", "name": "dashboard"})
    path = f"/v1/tokens/{made['response']['code']}"
    made["response"]["token"] = "wb_" + "x" * 43
    yield "post_token", made
    yield "delete_token", {"path": path}
    removed = _removed_rate(client)
    for kind in PRICES:
        path = f"/v1/{kind}/{_SHOWN.get(kind) or _answer(client, f'/v1/{kind}?limit=1')['items'][0]['code']}"
        yield f"delete_{singular(kind).replace('-', '_')}", {"path": path, "response": removed}
    yield "read_openapi", {"path": "/v1/openapi.json", "response": {"openapi": "3.1.0", "info": {"title": "Weighbook"}}}
    yield "read_docs", {"path": "/docs", "response": "<!doctype html>"}


def _removed_rate(client: Client) -> Any:
    """What is told where a rate that is recorded is removed again: what it paid for costs less."""
    path = "/v1/rates/energy-of-a-guest"
    price = {"amount": "0.50", "currency": "EUR"}
    made = client.put(path, json={"of": "energy", "price": price, "per": "1 kWh", "valid_from": "2026-01-01"})
    told = client.delete(path, headers={"If-Match": made.headers["ETag"]})
    assert told.status_code == 200, told.data
    return _short(told.get_json())


def _of_kind(client: Client, kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
    names, name = kind.replace("-", "_"), singular(kind).replace("-", "_")
    page = _answer(client, f"/v1/{kind}?limit=1")
    code = _SHOWN.get(kind, page["items"][0]["code"])
    path = f"/v1/{kind}/{code}"
    told, body = _answer(client, path), _body(client, path)
    yield f"list_{names}", {"path": f"/v1/{kind}?limit=1", "response": page}
    yield f"post_{name}", {"path": f"/v1/{kind}", "request": body, "response": told}
    yield f"get_{name}", {"path": path, "response": told}
    yield f"put_{name}", {"path": path, "request": body, "response": told}
    yield f"delete_{name}", {"path": path}
    for operation_id, looked in (
        (f"list_{name}_revisions", f"{path}/revisions"),
        (f"get_{name}_revision", f"{path}/revisions/1"),
    ):
        yield operation_id, {"path": looked, "response": _answer(client, looked)}


def _body(client: Client, path: str) -> Any:
    if path == "/v1/workshop":
        return {
            key: value for key, value in _answer(client, path).items() if key in ("currency", "title", "room_volume")
        }
    return _answer(client, f"{path}/revisions?limit=1")["items"][0]["record"]


def _answer(client: Client, path: str) -> Any:
    told = client.get(path)
    assert told.status_code == 200, (path, told.data)
    return _short(told.get_json() if told.is_json else told.text)


def _sent(client: Client, path: str, body: Any) -> dict[str, Any]:
    told = client.post(path, json=body)
    assert told.status_code in (200, 201), (path, told.data)
    return {"path": path, "request": body, "response": told.get_json()}


def _short(told: Any) -> Any:
    """Leave out what makes an example long: all but the first entries of a list, the rest of a text."""
    if isinstance(told, dict):
        return {key: _short(value) for key, value in told.items()}
    if isinstance(told, list):
        return [_short(value) for value in told[:_LONGEST_LIST]]
    return told[:_LONGEST_TEXT] if isinstance(told, str) else told


def write_examples(file: Path) -> None:
    """Write the examples to the file from which the documentation reads them."""
    examples = make_examples()
    text = json.dumps(examples, ensure_ascii=False, indent=1)
    # What is drawn anew each time would make every writing another file.
    drawn = [*examples["list_tokens"]["response"]["items"], examples["post_token"]["response"]]
    for number, token in enumerate(drawn, start=1):
        text = text.replace(token["code"], f"{number:012x}")
    file.write_text(re.sub(r'process=\\"[0-9]+\\"', r'process=\\"1\\"', text) + "\n", "utf-8")
