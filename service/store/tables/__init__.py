"""The tables, a file a small family. ``KINDS`` says which table holds the newest state of which kind of record."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from sqlalchemy import Table

from service.store.tables.catalogue import materials, offers, projects, suppliers
from service.store.tables.findings import finding_replies
from service.store.tables.imports import imports
from service.store.tables.ledger import balances, entries
from service.store.tables.rates import exchange_rates, rates
from service.store.tables.routes import routes, steps
from service.store.tables.runs import outcomes, runs
from service.store.tables.shelf import lots, pools
from service.store.tables.stock import purchases, stock_entries
from service.store.tables.truth import links, revisions, tokens, workshops

KINDS: Final[Mapping[str, Table]] = MappingProxyType(
    {
        "projects": projects,
        "materials": materials,
        "suppliers": suppliers,
        "exchange-rates": exchange_rates,
        "rates": rates,
        "offers": offers,
        "purchases": purchases,
        "lots": lots,
        "routes": routes,
        "pools": pools,
        "runs": runs,
        "stock-entries": stock_entries,
        "finding-replies": finding_replies,
    }
)
"""Kind of record to its table, a kind after those that it refers to; the workshop's own record is in ``workshops``."""

DERIVED: Final = (*KINDS.values(), steps, links, outcomes, entries, balances)
"""Everything that can be made again from ``revisions``; a table after those that its foreign keys name."""

__all__ = [
    "DERIVED",
    "KINDS",
    "balances",
    "entries",
    "finding_replies",
    "imports",
    "links",
    "lots",
    "outcomes",
    "revisions",
    "runs",
    "steps",
    "stock_entries",
    "tokens",
    "workshops",
]
