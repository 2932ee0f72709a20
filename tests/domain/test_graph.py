"""The graph of a route: what feeds what, and every fault of a route that does not hang together."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.formula import parse_formula
from service.domain.graph import connect, in_order, route_faults
from service.domain.material import Material
from service.domain.quantity import parse_number, parse_quantity
from service.domain.reaction import Reaction
from service.domain.route import BillLine, Route, Step
from service.errors import Fault, InvalidInput

ONE = parse_number("1", name="equivalents")


def step(code: str, key: str, product: str, *others: BillLine | str, **more: Any) -> Step:
    bill = tuple(BillLine(other, equivalents=ONE) if isinstance(other, str) else other for other in others)
    return Step(code, code, more.pop("basis", "mass-ratio"), key, product, bill=bill, **more)


def route(product: str, *steps: Step) -> Route:
    return Route("route", "route", product, steps)


def refused(broken: Route) -> list[tuple[str | None, str]]:
    with pytest.raises(InvalidInput) as caught:
        connect(broken)
    return [(fault.pointer, fault.code) for fault in caught.value.faults]


def order(of: Route) -> list[str]:
    return [each.code for each in in_order(connect(of))]


ROAST, LEACH = step("roast", "ore", "calx"), step("leach", "calx", "liquor", "acid")
BURN = step("burn", "sulfur", "acid")


def test_an_input_that_another_step_makes_comes_from_it() -> None:
    connected = connect(route("liquor", LEACH, ROAST, BURN))
    assert connected.upstream == {("leach", "calx"): "roast", ("leach", "acid"): "burn"}
    assert connected.steps == (LEACH, ROAST, BURN)


def test_steps_come_after_what_feeds_them_whatever_the_writing() -> None:
    assert order(route("liquor", LEACH, BURN, ROAST)) == ["roast", "burn", "leach"]
    assert order(route("liquor", ROAST, BURN, LEACH)) == ["roast", "burn", "leach"]


def test_a_shared_intermediate_is_made_once() -> None:
    diamond = route(
        "d", step("left", "b", "l"), step("right", "b", "r"), step("base", "a", "b"), step("join", "l", "d", "r")
    )
    assert order(diamond) == ["base", "left", "right", "join"]
    assert connect(diamond).upstream[("left", "b")] == connect(diamond).upstream[("right", "b")] == "base"


def test_one_step_may_take_its_input_twice_over() -> None:
    twice = route("c", step("a", "x", "b"), step("b", "b", "c", "b"))
    assert connect(twice).upstream == {("b", "b"): "a"}
    assert order(twice) == ["a", "b"]


def test_two_makers_are_a_question_that_from_step_answers() -> None:
    roast_again = step("roast-again", "residue", "calx")
    assert refused(route("liquor", ROAST, roast_again, LEACH)) == [("/steps/2/key_input", "two-makers")]
    chosen = step("leach", "calx", "liquor", from_step="roast-again")
    mix = step("mix", "liquor", "paint", BillLine("calx", equivalents=ONE, from_step="roast"))
    connected = connect(route("paint", ROAST, roast_again, chosen, mix))
    assert connected.upstream[("leach", "calx")] == "roast-again"
    assert connected.upstream[("mix", "calx")] == "roast"


def test_from_step_names_a_step_that_makes_it() -> None:
    astray = step("leach", "calx", "liquor", BillLine("acid", equivalents=ONE, from_step="roast"), from_step="leach")
    assert refused(route("liquor", ROAST, astray)) == [
        ("/steps/1/key_input/from_step", "not-made-there"),
        ("/steps/1/bill/0/from_step", "not-made-there"),
    ]


def test_an_input_of_another_route_has_no_step_here() -> None:
    outside = step("leach", "calx", "liquor", BillLine("acid", equivalents=ONE, from_route="acids"), from_route="ores")
    assert connect(route("liquor", outside)).upstream == {}


def test_the_product_has_one_last_step() -> None:
    assert refused(route("gold", ROAST)) == [("/product", "no-way-to-product"), ("/steps/0/product", "leads-nowhere")]
    assert refused(route("calx", ROAST, step("again", "residue", "calx"))) == [("/product", "two-makers")]


def test_a_step_that_nothing_uses_is_named() -> None:
    assert refused(route("calx", ROAST, BURN)) == [("/steps/1/product", "leads-nowhere")]


def test_a_circle_is_shown_in_the_order_that_it_is_walked() -> None:
    circle = route("c", step("one", "a", "b", "d"), step("two", "b", "c"), step("three", "c", "d"))
    with pytest.raises(InvalidInput, match="one > two > three > one") as caught:
        connect(circle)
    assert [fault.code for fault in caught.value.faults] == ["circle"]


def test_every_fault_is_told_at_once() -> None:
    broken = route("calx", ROAST, step("leach", "calx", "liquor", from_step="nowhere"), BURN)
    assert refused(broken) == [
        ("/steps/1/key_input/from_step", "not-made-there"),
        ("/steps/1/product", "leads-nowhere"),
        ("/steps/2/product", "leads-nowhere"),
    ]


# What only the materials of a route can tell.


def material(code: str, formula: str | None = None, **more: Any) -> Material:
    return Material(code, code, None if formula is None else parse_formula(formula), **more)


MATERIALS = {
    made.code: made
    for made in (
        material("chalk", "CaCO3"),
        material("lime", "CaO"),
        material("gas", "CO2"),
        material("crude-lime", analyte="lime"),
        material("root"),
        material("dye", "C14H8O4"),
        material("extract", analyte="dye"),
        material("resin"),
        material("stated", stated_molar_mass=parse_quantity("320 g/mol", ("molar-mass",))),
    )
}


def faults(*steps: Step) -> list[Fault]:
    return list(route_faults(route(steps[-1].product, *steps), MATERIALS))


def burnt(product: str = "lime", **products: int) -> Step:
    return step("burn", "chalk", product, basis="stoichiometric", reaction=Reaction({"chalk": 1}, products))


def test_a_sound_route_has_no_faults() -> None:
    wash = step("wash", "crude-lime", "lime", basis="recovery")
    extract = step("extract", "root", "extract", basis="content", analyte="dye")
    assert faults(burnt(lime=1, gas=1)) == faults(wash) == faults(extract) == faults(ROAST_OF_KNOWN) == []


ROAST_OF_KNOWN = step("grind", "chalk", "resin")


def test_a_reaction_that_does_not_balance_says_what_is_lacking_and_where() -> None:
    (fault,) = faults(burnt(lime=1))
    assert (fault.pointer, fault.code) == ("/steps/0/reaction", "unbalanced-reaction")
    assert fault.detail == "the reaction does not balance: the products lack 1 C and 2 O"


def test_a_material_of_a_reaction_has_a_formula_or_a_molar_mass() -> None:
    (fault,) = faults(burnt(lime=1, resin=1))
    assert (fault.pointer, fault.code) == ("/steps/0/reaction/products/resin", "no-formula")
    # A stated molar mass is enough to count moles; atoms are then not compared.
    assert faults(burnt(lime=1, stated=1)) == []


def test_a_content_step_makes_a_form_of_its_analyte() -> None:
    (fault,) = faults(step("extract", "root", "resin", basis="content", analyte="dye"))
    assert (fault.pointer, fault.code) == ("/steps/0/product", "another-analyte")
    assert "counted as 'resin'" in fault.detail


def test_a_recovery_step_turns_one_form_into_another_of_the_same() -> None:
    (other,) = faults(step("wash", "crude-lime", "chalk", basis="recovery"))
    (same,) = faults(step("wash", "lime", "lime", basis="recovery"))
    assert other.code == same.code == "another-analyte"
    assert "two materials, one analyte" in other.detail
