"""Records as they are read: what was written as it was written, and what the service works out beside it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from service.answer.book import Book
from service.answer.credits import credits_above_cost
from service.answer.finding_replies import given_to, with_replies
from service.answer.run_cost import cost_in_short
from service.answer.shelf import grams_of
from service.answer.slips import slips_in
from service.answer.stock_records import booked, landed, money_told
from service.domain.finding import Finding
from service.domain.material import Material
from service.domain.shelf_amount import UNIT_KEYS, UNITS_PER_BASE
from service.store.balances import Balance, balances
from service.store.outcomes import StoredOutcome, stored_outcomes
from service.store.records import StoredRecord
from service.store.shelf import StoredLot, stored_lots

Beside = Callable[[Book, Sequence[StoredRecord]], dict[str, dict[str, Any]]]

RESULT_NUMBERS: Final = (
    "theoretical_g",
    "theoretical_u_g",
    "net_g",
    "net_u_g",
    "dry_g",
    "contained_g",
    "contained_u_g",
    "yield_u",
    "crude_yield",
    "recovered_basis_yield",
    "mass_balance",
    "mass_balance_u",
    "batch_g",
)


def view(
    book: Book,
    stored: StoredRecord,
    outcome: StoredOutcome | None = None,
    left: Mapping[str, Balance] | None = None,
) -> dict[str, Any]:
    """Return one record as it is read; a run's ``outcome`` and what is ``left`` of its lots where these are at hand."""
    if outcome is not None:
        return _shown(stored, _runs_with(book, [stored], {stored.code: outcome}, left)[stored.code])
    return views(book, [stored])[0]


def with_cost(book: Book, told: Mapping[str, Any], as_of: dt.date) -> dict[str, Any]:
    """Return a run as it is read, with what it cost.

    That takes the ledger behind it: it is told of one run that is read alone, neither in a list nor by a write.
    """
    cost, per_g, reasons = cost_in_short(book, told["code"], as_of=as_of)
    result = told["result"]
    return {
        **told,
        "result": {**result, "cost": cost, "cost_per_g": per_g, "reasons": {**result["reasons"], **reasons}},
    }


def views(book: Book, several: Sequence[StoredRecord]) -> list[dict[str, Any]]:
    """Return records of one kind as they are read, in their order; what stands beside them is read for all at once.

    The keys of a record are those that were written; those of the service come after, and no record may write them.
    """
    if not several:
        return []
    beside = BESIDE.get(several[0].kind, _nothing)(book, several)
    return [_shown(stored, beside.get(stored.code, {})) for stored in several]


def _shown(stored: StoredRecord, beside: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "code": stored.code,
        **stored.body,
        "revision": stored.revision,
        "state": stored.state,
        "at": stored.at,
        "by": stored.by,
        **beside,
    }


def _nothing(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    return {}


def _materials(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    found = {}
    for stored in several:
        material: Material = book.recalled(stored)
        reasons = {}
        if material.molar_mass_g_per_mol is None:
            reasons["molar_mass_g_per_mol"] = "neither a formula nor a molar mass is recorded"
        elif material.molar_mass_u_g_per_mol is None:
            reasons["molar_mass_u_g_per_mol"] = "the molar mass was stated without an uncertainty"
        found[stored.code] = {
            "molar_mass_g_per_mol": material.molar_mass_g_per_mol,
            "molar_mass_u_g_per_mol": material.molar_mass_u_g_per_mol,
            "elements": None if material.formula is None else dict(material.formula.elements),
            "reasons": reasons,
        }
    return found


def _lots(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    codes = [stored.code for stored in several]
    shelf = stored_lots(book.reading, codes)
    left = {code: lot.left or Balance(lot.lot.dimension, 0, 0) for code, lot in shelf.items()}
    materials = book.materials({lot.lot.material for lot in shelf.values()})
    findings = {code: [overdrawn(code, each).as_dict()] for code, each in left.items() if each.quantity < 0}
    told = with_replies(book, "lots", findings)
    return {code: _lot(lot, left[code], materials, told.get(code, [])) for code, lot in shelf.items()}


def _lot(
    stored: StoredLot, balance: Balance, materials: Mapping[str, Material], findings: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """What is on hand, in grams and in the lot's own dimension; and where a lot without a record of its own is from."""
    lot = stored.lot
    grams = grams_of(balance.quantity, lot, materials)
    reasons = {}
    if grams is None:
        reasons["on_hand_g"] = f"the density or molar mass of {lot.material} is not known"
    if balance.unknown:
        reasons["on_hand"] = f"{balance.unknown} amounts taken could not be converted and are not in it"
    found: dict[str, Any] = {"on_hand_g": grams}
    if lot.dimension != "mass":
        found[f"on_hand_{UNIT_KEYS[lot.dimension]}"] = balance.quantity / UNITS_PER_BASE[lot.dimension]
    made: dict[str, Any] = (
        {} if lot.source_kind == "lots" else {"made_by": {"kind": lot.source_kind, "code": lot.source_code}}
    )
    if made:
        assay, loss = lot.strength.assay, lot.strength.loss_on_drying
        made |= {
            "material": lot.material,
            "assay": None if assay is None else assay.value,
            "loss_on_drying": None if loss is None else loss.value,
            "project": lot.project,
            "supplier": stored.supplier,
            "value": money_told(stored.value_micro, stored.currency),
            "received_on": None if lot.received_on is None else lot.received_on.isoformat(),
            "expires_on": None if lot.expires_on is None else lot.expires_on.isoformat(),
        }
    return {**made, **found, "findings": list(findings), "reasons": reasons}


def overdrawn(lot: str, balance: Balance) -> Finding:
    """Return what is said of a lot from which more was taken than it held."""
    missing = -balance.quantity / UNITS_PER_BASE[balance.dimension]
    unit = {"mass": "g", "volume": "mL", "amount": "mol"}[balance.dimension]
    return Finding(
        "overdrawn",
        f"{missing:.4g} {unit} more was taken from lot {lot} than it held by the book: count it, look at the charges",
    )


def _runs(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    return _runs_with(book, several, stored_outcomes(book.reading, [stored.code for stored in several]))


def _runs_with(
    book: Book,
    several: Sequence[StoredRecord],
    outcomes: Mapping[str, StoredOutcome],
    left: Mapping[str, Balance] | None = None,
) -> dict[str, dict[str, Any]]:
    lots = {
        code: {charge["lot"] for charge in outcome.detail["charges"] if charge["lot"] is not None}
        for code, outcome in outcomes.items()
    }
    charged = set().union(*lots.values())
    if left is None:
        left = balances(book.reading, charged) if charged else {}
    # An overdrawn lot is found once, and on the lot: each run that took from it tells of that.
    below = with_replies(
        book, "lots", {lot: [overdrawn(lot, each).as_dict()] for lot, each in left.items() if each.quantity < 0}
    )
    slips = slips_in(book, several, outcomes)
    above = credits_above_cost(book, several)
    own = {
        code: [
            *outcome.detail["findings"],
            *([above[code].as_dict()] if code in above else []),
            *([slips[code]] if code in slips else []),
        ]
        for code, outcome in outcomes.items()
    }
    told = with_replies(book, "runs", own)
    return {
        code: _run(outcome, [*told[code], *(each for lot in sorted(lots[code]) for each in below.get(lot, ()))])
        for code, outcome in outcomes.items()
    }


def _run(outcome: StoredOutcome, findings: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    row, detail = outcome.row, outcome.detail
    result: dict[str, Any] = {"limiting_reagent": row["limiting_reagent"], "yield": row["yield_fraction"]}
    result |= {name: row[name] for name in RESULT_NUMBERS}
    result |= {"charges": detail["charges"], "outturns": detail["outturns"], "reasons": detail["reasons"]}
    return {"result": result, "findings": list(findings)}


def _routes(book: Book, several: Sequence[StoredRecord]) -> dict[str, dict[str, Any]]:
    return {
        stored.code: {
            "upstream": [
                {"step": step, "material": material, "from_step": maker}
                for (step, material), maker in book.recalled(stored).upstream.items()
            ]
        }
        for stored in several
    }


BESIDE: Final[Mapping[str, Beside]] = MappingProxyType(
    {
        "materials": _materials,
        "purchases": landed,
        "lots": _lots,
        "runs": _runs,
        "routes": _routes,
        "stock-entries": booked,
        "finding-replies": given_to,
    }
)
