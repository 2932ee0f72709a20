"""A student works through a textbook at the service: materials, a route, a run, and the answer read back.

Problems of OpenStax Chemistry 2e (CC BY), chapters 4 and 18, and one of a teaching module on atom economy (University
of Scranton); each names its record. What is printed is known to half of its last digit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.domain.formula import parse_formula
from tests.published.records import half_digit, reaction_of, retrieved

BOOK = retrieved("openstax") | retrieved("green_metrics")


@dataclass(frozen=True)
class Problem:
    """A printed problem: its charges by formula, what was made, and the printed answers with their tolerances.

    ``answers`` names a figure of the result, or of one charge as ``formula/figure``.
    """

    source: str
    equation: str
    charges: Mapping[str, Mapping[str, str]]
    product: str
    made: str | None = None
    limiting: str | None = None
    answers: Mapping[str, tuple[float, float]] = field(default_factory=dict)


def by_volume(volume_ml: float, molarity: float) -> dict[str, str]:
    return {"amount": f"{volume_ml} mL", "concentration": f"{molarity} mol/L"}


def grams(mass_g: float, **more: str) -> dict[str, str]:
    return {"amount": f"{mass_g} g", **more}


def percent(printed: float) -> tuple[float, float]:
    return printed / 100, half_digit(printed) / 100


def in_proportion(printed: float) -> tuple[float, float]:
    """At the end point of a titration the second charge is what the first one asks for."""
    return 1.0, half_digit(printed) / printed


def printed_moles(formula: str, moles: float) -> tuple[float, float]:
    """Moles of product that are printed, as grams."""
    mass = parse_formula(formula).molar_mass_g_per_mol
    return moles * mass, half_digit(moles) * mass


def numbers(code: str) -> dict[str, Any]:
    return {**BOOK[code]["inputs"], **BOOK[code]["expected"]}


def problems() -> list[Problem]:
    """The problems, their numbers taken from the records."""
    found = []

    def add(code: str, equation: str | None, charges: Mapping[str, Any], product: str, **more: Any) -> None:
        found.append(Problem(code, equation or BOOK[code]["inputs"]["equation"], charges, product, **more))

    n = numbers("OSX-LY-4.12")
    silicon = {"Si": grams(n["Si_g"]), "N2": grams(n["N2_g"])}
    answers = {
        "theoretical_g": printed_moles("Si3N4", n["Si3N4_from_Si_mol"]),
        "Si/contained_mol": (n["Si_mol"], half_digit(n["Si_mol"])),
        "N2/contained_mol": (n["N2_mol"], half_digit(n["N2_mol"])),
    }
    add("OSX-LY-4.12", None, silicon, "Si3N4", limiting=n["limiting"], answers=answers)

    n = numbers("OSX-LY-4.12c")
    add("OSX-LY-4.12c", None, {"H2": grams(n["H2_g"]), "O2": grams(n["O2_g"])}, "H2O", limiting=n["limiting"])

    n = numbers("OSX-LY-4.13c")
    answers = {"yield": percent(n["percent_yield"])}
    add("OSX-LY-4.13c", None, {"CCl4": grams(n["CCl4_g"])}, "CF2Cl2", made=f"{n['CF2Cl2_g']} g", answers=answers)

    n = numbers("OSX-LY-67")
    toluene, made = {"C6H5CH3": grams(n["toluene_g"])}, f"{n['benzoic_acid_g']} g"
    add("OSX-LY-67", None, toluene, "C6H5CO2H", made=made, answers={"yield": percent(n["percent_yield"])})

    n = numbers("OSX-LY-71")
    moles = {"Cr": {"amount": f"{n['Cr_mol']} mol"}, "H3PO4": {"amount": f"{n['H3PO4_mol']} mol"}}
    add("OSX-LY-71", None, moles, "CrPO4", limiting=n["limiting"])

    n = numbers("OSX-LY-73")
    salts = {"Na2C2O4": grams(n["Na2C2O4_g"]), "UO2(NO3)2": grams(n["UO2NO3_2_g"])}
    printed, allowed = percent(n["percent_yield"])
    add(
        *("OSX-LY-73", None, salts, "UO2(C2O4)·3H2O"),
        made=f"{n['product_g']} g",
        limiting=n["limiting"],
        answers={"yield": (printed, allowed + 2e-5)},  # the book's rounded weights of an earlier edition
    )

    n = numbers("OSX-ST-4.10")
    answers = {"theoretical_g": (n["MgOH2_g"], half_digit(n["MgOH2_g"]))}
    add("OSX-ST-4.10", None, {"NaOH": grams(n["NaOH_g"])}, "Mg(OH)2", answers=answers)

    n = numbers("OSX-ST-47")
    acid = {"HCl": {"amount": f"{n['HCl_L']} L", "concentration": f"{n['HCl_M']} mol/L"}}
    add("OSX-ST-47", None, acid, "GaCl3", answers={"theoretical_g": (n["GaCl3_g"], half_digit(n["GaCl3_g"]))})

    n = numbers("OSX-ST-57")
    iodide = {
        "Cu(NO3)2": by_volume(n["CuNO3_2_mL"], n["CuNO3_2_M"]),
        "KI": by_volume(n["KI_mL"], n["KI_M"]),
    }
    add("OSX-ST-57", None, iodide, "CuI", answers={"KI/stoichiometric_ratio": in_proportion(n["KI_mL"])})

    n = numbers("OSX-TI-4.14")
    pair = {"NaOH": by_volume(n["NaOH_mL"], n["NaOH_M"]), "HCl": by_volume(n["HCl_mL"], n["HCl_M"])}
    answers = {"HCl/stoichiometric_ratio": in_proportion(n["HCl_M"])}
    add("OSX-TI-4.14", "NaOH + HCl -> NaCl + H2O", pair, "NaCl", answers=answers)

    n = numbers("OSX-TI-87")
    pair = {"NaHCO3": grams(n["NaHCO3_g"]), "HCl": by_volume(n["HCl_mL"], n["HCl_M"])}
    answers = {"HCl/stoichiometric_ratio": in_proportion(n["HCl_mL"])}
    add("OSX-TI-87", "NaHCO3 + HCl -> NaCl + CO2 + H2O", pair, "NaCl", answers=answers)

    n = numbers("OSX-TI-91")
    pair = {"Ca(OH)2": by_volume(n["CaOH2_mL"], n["CaOH2_M"]), "HCl": by_volume(n["HCl_mL"], n["HCl_M"])}
    answers = {"HCl/stoichiometric_ratio": in_proportion(n["CaOH2_M"])}
    add("OSX-TI-91", "Ca(OH)2 + 2 HCl -> CaCl2 + 2 H2O", pair, "CaCl2", answers=answers)

    n = numbers("OSX-GR-4.15")
    sample = {"MgSO4": grams(n["sample_g"], assay=f"{n['percent'] / 100:.4f}")}
    answers = {"MgSO4/contained_g": (n["MgSO4_g"], half_digit(n["MgSO4_g"])), "yield": (1.0, 1e-4)}
    equation = "MgSO4 + Ba(NO3)2 -> BaSO4 + Mg(NO3)2"
    add("OSX-GR-4.15", equation, sample, "BaSO4", made=f"{n['BaSO4_g']} g", answers=answers)

    n = numbers("OSX-BC-18-73")
    rock = {"Ca3(PO4)2": {"amount": f"{n['start_tons']} t"}}
    equation = "2 Ca3(PO4)2 + 6 SiO2 + 10 C -> 6 CaSiO3 + 10 CO + P4"
    answers = {"yield": (n["yield_percent"] / 100, half_digit(n["start_tons"]) / n["start_tons"])}
    add("OSX-BC-18-73", equation, rock, "P4", made=f"{n['target_tons']} t", answers=answers)

    n = numbers("GM-CANN-1-BROMOBUTANE")
    charged = n["charges_g"]
    mixture = {"C4H9OH": grams(charged["butanol"]), "NaBr": grams(charged["NaBr"]), "H2SO4": grams(charged["H2SO4"])}
    answers = {"theoretical_g": (n["theoretical_g"], 0.005), "yield": percent(n["percent_yield"])}
    add(
        *("GM-CANN-1-BROMOBUTANE", None, mixture, "C4H9Br"),
        made=f"{n['product_g']} g",
        limiting="C4H9OH",
        answers=answers,
    )
    return found


PROBLEMS = {problem.source: problem for problem in problems()}


def code_of(formula: str) -> str:
    """A code that a record may have."""
    return re.sub(r"[^A-Za-z0-9]+", "-", formula).strip("-")


def put(client: FlaskClient, path: str, body: Mapping[str, Any], *statuses: int) -> dict[str, Any]:
    answer = client.put(path, json=body)
    assert answer.status_code in (statuses or (201,)), answer.get_json()
    assert answer.headers["ETag"]
    found: dict[str, Any] = answer.get_json()
    return found


def write_down(client: FlaskClient, problem: Problem) -> dict[str, Any]:
    """Put materials, route and run of a problem, and return the run as it is read."""
    reaction = reaction_of(problem.equation)
    for formula in {**reaction.reactants, **reaction.products}:
        body = {"name": formula, "formula": formula}
        written = put(client, f"/v1/materials/{code_of(formula)}", body, 200, 201)
        assert written["molar_mass_g_per_mol"] == pytest.approx(parse_formula(formula).molar_mass_g_per_mol)
    code = code_of(problem.source)
    key, *_ = problem.charges
    step = {
        "code": "react",
        "basis": "stoichiometric",
        "key_input": code_of(key),
        "product": code_of(problem.product),
        "reaction": {
            "reactants": {code_of(formula): nu for formula, nu in reaction.reactants.items()},
            "products": {code_of(formula): nu for formula, nu in reaction.products.items()},
        },
    }
    route = {"name": problem.equation, "product": code_of(problem.product), "steps": [step]}
    put(client, f"/v1/routes/{code}", route)
    made = [] if problem.made is None else [{"material": code_of(problem.product), "net": problem.made}]
    run = {
        "route": code,
        "step": "react",
        "status": "finished" if made else "open",
        "started_on": "2026-03-02",
        "charges": [{"material": code_of(formula), **charge} for formula, charge in problem.charges.items()],
        "outturns": made,
        **({"finished_on": "2026-03-02"} if made else {}),
    }
    put(client, f"/v1/runs/{code}", run)
    answer = client.get(f"/v1/runs/{code}")
    assert answer.status_code == 200
    read: dict[str, Any] = answer.get_json()
    assert [line["amount"] for line in read["charges"]] == [line["amount"] for line in run["charges"]]
    return read


def figure(result: Mapping[str, Any], problem: Problem, name: str) -> Any:
    """A figure of the result, or of one of its charges."""
    formula, slash, of_charge = name.rpartition("/")
    if not slash:
        return result[name]
    return result["charges"][list(problem.charges).index(formula)][of_charge]


def test_enough_problems_and_all_of_them_published() -> None:
    assert len(PROBLEMS) >= 10
    assert PROBLEMS.keys() <= BOOK.keys()
    assert all(problem.answers or problem.limiting for problem in PROBLEMS.values())


@pytest.mark.parametrize("source", PROBLEMS)
def test_a_problem_is_answered_as_the_book_answers_it(client: FlaskClient, source: str) -> None:
    problem = PROBLEMS[source]
    result = write_down(client, problem)["result"]
    if problem.limiting is not None:
        assert result["limiting_reagent"] == code_of(problem.limiting)
    for name, (printed, allowed) in problem.answers.items():
        assert figure(result, problem, name) == pytest.approx(printed, abs=allowed), name
    if problem.made is None:
        assert result["yield"] is None
        assert result["reasons"]["yield"] == "not finished yet"


def test_a_whole_chapter_in_one_workshop(client: FlaskClient) -> None:
    """The problems share their materials; each route answers for its own run and no other."""
    runs = {source: write_down(client, problem) for source, problem in PROBLEMS.items()}
    listed = client.get("/v1/runs", query_string={"limit": 100}).get_json()
    assert {item["code"] for item in listed["items"]} == {code_of(source) for source in PROBLEMS}
    finished = [source for source, problem in PROBLEMS.items() if problem.made is not None]
    assert len(finished) >= 5
    for source in finished:
        answer = client.get(f"/v1/routes/{code_of(source)}/yields").get_json()
        (step,) = answer["steps"]
        assert step["runs"]["counted"] == 1
        assert step["mean"] == pytest.approx(runs[source]["result"]["yield"], rel=1e-12)
        assert step["sd"] is None


def test_an_equation_that_the_book_leaves_unbalanced_is_refused_and_then_balanced(client: FlaskClient) -> None:
    # OSX-LY-4.12c, with the coefficients left out.
    for formula in ("H2", "O2", "H2O"):
        put(client, f"/v1/materials/{formula}", {"name": formula, "formula": formula})
    step = {
        "code": "burn",
        "basis": "stoichiometric",
        "key_input": "H2",
        "product": "H2O",
        "reaction": {"reactants": {"H2": 1, "O2": 1}, "products": {"H2O": 1}},
    }
    answer = client.put("/v1/routes/water", json={"name": "water", "product": "H2O", "steps": [step]})
    assert answer.status_code == 422
    assert answer.mimetype == "application/problem+json"
    (fault,) = answer.get_json()["faults"]
    assert fault["pointer"] == "/steps/0/reaction"
    assert "the products lack 1 O" in fault["detail"]
    asked = {"reactants": ["H2", "O2"], "products": ["H2O"]}
    balanced = client.post("/v1/reactions/balance", json=asked).get_json()
    assert (balanced["reactants"], balanced["products"]) == ({"H2": 2, "O2": 1}, {"H2O": 2})
    step["reaction"] = {"reactants": balanced["reactants"], "products": balanced["products"]}
    put(client, "/v1/routes/water", {"name": "water", "product": "H2O", "steps": [step]})
