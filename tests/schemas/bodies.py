"""One sound body of each kind, as a client would write it; each test alters a copy."""

from __future__ import annotations

import copy
from typing import Any

from service.errors import Fault, InvalidInput
from service.schemas.kinds import load_record

STEP: dict[str, Any] = {
    "code": "carbonate",
    "name": "precipitate basic carbonate",
    "basis": "stoichiometric",
    "key_input": "blue-vitriol",
    "product": "malachite",
    "reaction": {
        "reactants": {"blue-vitriol": 2, "soda-ash": 2},
        "products": {"malachite": 1, "sodium-sulfate": 2, "carbon-dioxide": 1, "water": 9},
    },
    "bill": [{"material": "soda-ash", "equivalents": "1.1"}, {"material": "water", "per_key_input": "8 mL/g"}],
    "co_products": ["sodium-sulfate"],
    "key_input_limits": {"smallest": "5 g", "largest": "250 g"},
    "minimum_assay": "0.9",
    "expected_yield": {"low": "0.6", "likely": "0.8", "high": "0.9"},
    "vessel": "2 L",
    "closed_vessel": False,
    "foams": True,
    "all_at_once": False,
    "reaction_enthalpy": "-12.5 kJ/mol",
    "specific_heat": "4.18 J/(g*K)",
    "labour": "1.5 h",
    "elapsed": "1 d",
    "energy": "0.8 kWh",
    "consumables": {"amount": "0.40", "currency": "EUR"},
    "cautions": ["it foams"],
    "note": "stir",
}

BODIES: dict[str, dict[str, Any]] = {
    "workshop": {
        "title": "pigment bench",
        "currency": "EUR",
        "room_volume": "60 m3",
        "limits": [{"material": "acid", "source": "own rule 3", "on": "2026-01-01", "largest_amount": "5 L"}],
    },
    "projects": {"name": "pigments", "note": "first line\nsecond\tline"},
    "materials": {
        "name": "copper(II) sulfate pentahydrate",
        "formula": "CuSO4.5H2O",
        "phase": "solid",
        "cas": "7758-99-8",
        "density": "2.286 g/mL",
        "hazards": ["H302", "H318", "H410", "H360FD", "EUH031", "H300+H310"],
        "analyte": "blue-vitriol",
        "contents": {"alizarin": "0.012 ± 0.002"},
        "lower_flammable_limit": "0.04",
        "solvent": False,
    },
    "suppliers": {
        "name": "corner shop",
        "shipping": {"amount": "4.90", "currency": "EUR"},
        "free_from": {"amount": "50", "currency": "EUR"},
        "minimum_order": {"amount": "0", "currency": "EUR"},
    },
    "exchange-rates": {"base": "USD", "quote": "EUR", "rate": "0.92", "valid_from": "2026-01-01"},
    "rates": {
        "of": "labour",
        "class": None,
        "price": {"amount": "18", "currency": "EUR"},
        "per": "1 h",
        "valid_from": "2026-01-01",
    },
    "offers": {
        "material": "soda-ash",
        "supplier": "corner-shop",
        "pack": "1 kg",
        "assay": "0.99",
        "density": "1.0 g/mL",
        "price": {"amount": "3.50", "currency": "EUR"},
        "valid_from": "2026-03-01",
        "valid_to": None,
    },
    "lots": {
        "material": "dilute-sulfuric-acid",
        "amount": "1 L",
        "assay": "0.149",
        "density": "1.10 g/mL",
        "loss_on_drying": "0.02",
        "contents": {"water": "0.85"},
        "hazards": [],
        "received_on": "2026-03-04",
        "expires_on": None,
        "origin": "opening",
        "value": {"amount": "6.50", "currency": "EUR"},
        "supplier": "corner-shop",
        "project": None,
        "note": "brown bottle",
    },
    "purchases": {
        "supplier": "corner-shop",
        "bought_on": "2026-03-02",
        "received_on": "2026-03-04",
        "shipping": {"amount": "4.90", "currency": "EUR"},
        "tax": {"amount": "2.10", "currency": "EUR"},
        "share_by": "mass",
        "lines": [
            {
                "lot": "acid-08",
                "offer": "acid-1l",
                "packs": 2,
                "price": {"amount": "12.00", "currency": "EUR"},
                "assay": "0.149",
                "loss_on_drying": "0",
                "density": "1.10 g/mL",
                "contents": {"water": "0.85"},
                "expires_on": "2027-03-04",
                "hazards": ["H290"],
                "project": "pigments",
                "note": "dented",
            },
            {"lot": "ash-2", "material": "soda-ash", "amount": "1 kg", "price": {"amount": "3.50", "currency": "EUR"}},
        ],
        "note": "by post",
    },
    "stock-entries": {
        "lot": "malachite-031",
        "kind": "sample",
        "on": "2026-05-02",
        "amount": "0.50 g",
        "reason": "for the shelf",
        "operator": "m1",
        "project": "pigments",
        "note": "the top of the jar",
    },
    "finding-replies": {
        "finding": "slip.runs.VG-031:times-1000",
        "kind": "runs",
        "record": "VG-031",
        "answer": "wrong-alarm",
        "reason": "the large kettle",
        "operator": "m1",
    },
    "routes": {"name": "verdigris", "product": "malachite", "steps": [STEP], "change": "revision", "note": "old"},
    "pools": {
        "made_on": "2026-05-01",
        "from": [{"lot": "malachite-031", "amount": "20 g"}, {"lot": "malachite-032", "amount": "5.0 g"}],
        "lot": "malachite-p3",
        "assay": "0.95",
        "loss_on_drying": "0.01",
        "project": "pigments",
        "note": "shaken",
    },
    "runs": {
        "route": "verdigris",
        "step": "carbonate",
        "project": "pigment-bench",
        "started_on": "2026-04-11",
        "finished_on": "2026-04-12",
        "operator": "m1",
        "status": "finished",
        "charges": [
            {"lot": "vitriol-012", "amount": "50.0 g"},
            {
                "material": "soda-ash",
                "amount": "23.5 g",
                "price": {"amount": "3.50", "currency": "EUR", "per": "1 kg"},
                "assay": "0.99",
            },
            {"material": "acid", "amount": "400 mL", "concentration": "6 mol/L", "density": "1.1 g/mL"},
        ],
        "outturns": [
            {
                "material": "malachite",
                "lot": "malachite-031",
                "gross": "142.31 g",
                "tare": "121.90 g",
                "loss_on_drying": "0.02",
                "assay": "0.96",
                "cost_share": "0.9",
                "expires_on": "2027-04-12",
            },
            {"material": "water", "role": "waste", "net": "380 mL", "waste_class": "copper"},
            {
                "material": "blue-vitriol",
                "role": "recovered",
                "lot": "vitriol-r",
                "net": "1.0 g",
                "realisable_value": {"amount": "0.02", "currency": "EUR"},
            },
            {
                "material": "sodium-sulfate",
                "role": "co-product",
                "lot": "glauber-1",
                "net": "20 g",
                "credit": {"amount": "0.15", "currency": "EUR"},
            },
        ],
        "labour": "1.6 h",
        "energy": "0.7 kWh",
        "all_weighed": False,
        "exclude": {"reason": "wrong flask"},
        "tags": ["new-beaker"],
        "note": "stirred by hand",
    },
}


def code_of(kind: str) -> str:
    """A code that a record of the kind may have."""
    return "workshop" if kind == "workshop" else "a-1"


def load(kind: str, body: Any) -> Any:
    """The record of a body."""
    return load_record(kind, code_of(kind), body)


def altered(kind: str, pointer: str, value: Any) -> dict[str, Any]:
    """The sound body of a kind with one place set to ``value``; ``...`` takes the key out."""
    body = copy.deepcopy(BODIES[kind])
    *way, last = pointer.split("/")[1:]
    place: Any = body
    for token in way:
        place = place[int(token)] if isinstance(place, list) else place[token]
    if value is ...:
        del place[last]
    elif isinstance(place, list):
        place[int(last)] = value
    else:
        place[last] = value
    return body


def faults(kind: str, body: Any, code: str | None = None) -> list[Fault]:
    """Everything that is wrong with a body; nothing where it is taken."""
    try:
        load_record(kind, code_of(kind) if code is None else code, body)
    except InvalidInput as refused:
        return list(refused.faults)
    return []


def places(kind: str, body: Any) -> set[tuple[str | None, str]]:
    """Pointer and code of everything that is wrong with a body."""
    return {(fault.pointer, fault.code) for fault in faults(kind, body)}
