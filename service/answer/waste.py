"""Waste as it was weighed out, by class and month; and where the metals that were charged went."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from service.answer.book import Book
from service.answer.run_masses import RunMasses
from service.domain.material import Material
from service.domain.metals import HEAVY, metal_fractions
from service.domain.outcome import ChargeOutcome, OutturnOutcome
from service.domain.run import CO_PRODUCT, OPEN, PRODUCT, RECOVERED, WASTE, Outturn, Run

GONE_TO: Final = {
    PRODUCT: "in_product_g",
    CO_PRODUCT: "in_co_products_g",
    RECOVERED: "in_recovered_g",
    WASTE: "in_waste_g",
}


def waste_lines(book: Book, runs: Iterable[RunMasses]) -> list[dict[str, Any]]:
    """Return the grams weighed out as waste, by month and class; every run counts, whatever statistics make of it.

    The class is null where the outturn states none, the month where the run has no date.
    """
    wasteful = {run.run: run for run in runs if run.of_role(WASTE) or run.unweighed}
    bodies: Mapping[str, Run] = book.records("runs", wasteful) if wasteful else {}
    found: dict[tuple[str, str], list[tuple[str, Outturn, OutturnOutcome | None]]] = {}
    for code, run in wasteful.items():
        month = "" if run.day is None else run.day.isoformat()[:7]
        for written, weighed in _weighed(bodies[code], run.outturns):
            if written.role == WASTE:
                found.setdefault((month, written.waste_class or ""), []).append((code, written, weighed))
    return [
        _waste_line(month or None, waste_class or None, lines) for (month, waste_class), lines in sorted(found.items())
    ]


def _weighed(body: Run, outcomes: Sequence[OutturnOutcome]) -> Iterator[tuple[Outturn, OutturnOutcome | None]]:
    """Each outturn as written with its masses, None where they are not known: it is then in the record alone."""
    left = iter(outcomes)
    row = next(left, None)
    for written in body.outturns:
        if row is not None and (written.material, written.lot, written.role) == (row.material, row.lot, row.role):
            yield written, row
            row = next(left, None)
        else:
            yield written, None


def _waste_line(
    month: str | None, waste_class: str | None, lines: Sequence[tuple[str, Outturn, OutturnOutcome | None]]
) -> dict[str, Any]:
    known = [weighed.net_g for _, _, weighed in lines if weighed is not None]
    unknown = sorted({written.material for _, written, weighed in lines if weighed is None})
    reasons = {"net_g": f"the mass of {', '.join(unknown)} taken out is not known: record a density"} if unknown else {}
    return {
        "month": month,
        "waste_class": waste_class,
        "net_g": None if unknown else math.fsum(known),
        "materials": sorted({written.material for _, written, _ in lines}),
        "runs": len({code for code, _, _ in lines}),
        "reasons": reasons,
    }


def metal_lines(every: Mapping[str, Sequence[RunMasses]], materials: Mapping[str, Material]) -> list[dict[str, Any]]:
    """Return where the metals went that were charged to each step, in g, by its code; open runs are still in the pot.

    ``to_waste_g`` is by mass balance: what was charged, less what is in product, co-products and what was recovered.
    ``in_waste_g`` is the part of it in what was weighed out as waste, ``unaccounted_g`` the rest. Amounts follow from
    formulas, those of the analyte where a material has none; what has neither is named in ``not_told``.
    """
    return [
        line
        for step, runs in every.items()
        for line in _metals_of(step, [run for run in runs if run.status != OPEN], materials)
    ]


def _metals_of(step: str, runs: Sequence[RunMasses], materials: Mapping[str, Material]) -> Iterator[dict[str, Any]]:
    charges = [charge for run in runs for charge in run.charges]
    outturns = [outturn for run in runs for outturn in run.outturns]
    charged: dict[str, float] = {}
    unknown: dict[str, set[str]] = {}
    not_told: set[str] = set()
    unweighed = [run.run for run in runs if run.unweighed]
    for charge in charges:
        fractions = _fractions(charge.material, materials)
        if fractions is None:
            not_told.add(charge.material)
            continue
        contained_g = _contained_g(charge, materials)
        for element, fraction in fractions.items():
            if contained_g is None:
                unknown.setdefault(element, set()).add(charge.material)
            charged[element] = charged.get(element, 0.0) + fraction * (contained_g or 0.0)
    gone: dict[str, dict[str, float]] = {name: {} for name in GONE_TO.values()}
    untold: dict[str, set[str]] = {name: set() for name in GONE_TO.values()}
    for outturn in outturns:
        name, fractions = GONE_TO[outturn.role], _fractions(outturn.material, materials)
        if fractions is None:
            untold[name].add(f"{outturn.material} has no formula")
            not_told.add(outturn.material)
        for element, fraction in (fractions or {}).items():
            gone[name][element] = gone[name].get(element, 0.0) + fraction * outturn.contained_g
    for name in untold if unweighed else ():
        untold[name].add(f"the mass of what came out of {', '.join(unweighed)} is not known")
    for element in sorted(charged, key=lambda each: (each not in HEAVY, each)):
        yield _metal_line(step, element, charged[element], unknown.get(element), gone, untold, not_told)


def _metal_line(
    step: str,
    element: str,
    charged_g: float,
    unknown: set[str] | None,
    gone: Mapping[str, Mapping[str, float]],
    untold: Mapping[str, set[str]],
    not_told: set[str],
) -> dict[str, Any]:
    reasons: dict[str, str] = {}
    amounts: dict[str, float | None] = {"charged_g": charged_g}
    if unknown:
        amounts["charged_g"] = None
        reasons["charged_g"] = f"what {', '.join(sorted(unknown))} contained is not known"
    for name in GONE_TO.values():
        amounts[name] = gone[name].get(element, 0.0)
        if untold[name]:
            amounts[name] = None
            reasons[name] = "; ".join(sorted(untold[name]))
    kept = [amounts[name] for name in ("in_product_g", "in_co_products_g", "in_recovered_g")]
    to_waste = _less(amounts["charged_g"], kept)
    if to_waste is None:
        reasons["to_waste_g"] = "; ".join(dict.fromkeys(why for name, why in reasons.items() if name != "in_waste_g"))
    elif to_waste < 0:
        reasons["to_waste_g"] = "more came out than was charged: look at the findings of the runs"
    unaccounted = _less(to_waste, [amounts["in_waste_g"]])
    if unaccounted is None:
        reasons["unaccounted_g"] = reasons.get("in_waste_g", reasons.get("to_waste_g", ""))
    return {
        "step": step,
        "element": element,
        "heavy": element in HEAVY,
        **amounts,
        "to_waste_g": to_waste,
        "unaccounted_g": unaccounted,
        "not_told": sorted(not_told),
        "reasons": reasons,
    }


def _less(whole: float | None, parts: Sequence[float | None]) -> float | None:
    if whole is None or any(part is None for part in parts):
        return None
    return whole - math.fsum(part for part in parts if part is not None)


def _fractions(code: str, materials: Mapping[str, Material]) -> dict[str, float] | None:
    """Grams of metals in a contained gram; None without a formula of the material or of its analyte."""
    material = materials[code]
    analyte = materials.get(material.analyte_code)
    formula = material.formula or (None if analyte is None else analyte.formula)
    return None if formula is None else metal_fractions(formula)


def _contained_g(charge: ChargeOutcome, materials: Mapping[str, Material]) -> float | None:
    if charge.contained_g is not None or charge.contained_mol is None:
        return charge.contained_g
    material = materials[charge.material]
    molar = material.molar_mass_g_per_mol
    analyte = materials.get(material.analyte_code)
    if molar is None and analyte is not None:
        molar = analyte.molar_mass_g_per_mol
    return None if molar is None else charge.contained_mol * molar
