"""The shelf taken together: lots that are alike in one line, what is left in one query; each beside the slow road."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import fields
from typing import Any

import pytest

from service.answer.route_model import RouteModel
from service.answer.shelf import lots_of, lots_put, mean_strengths, mean_strengths_alike, usable
from service.domain.lot import Measured, Strength
from service.store import shelf
from service.store.balances import balances
from tests.answer.desk import TODAY, Desk
from tests.answer.small import roast, run, shop

STATED: dict[str, tuple[dict[str, Any], ...]] = {
    "blue-vitriol": ({}, {"assay": "0.96 ± 0.01"}, {"assay": "0.98", "loss_on_drying": "0.02 ± 0.004"}),
    "acid": (
        {"concentration": "6 mol/L"},
        {"concentration": "2.0 ± 0.1 mol/L", "density": "1.06 g/mL"},
        {"density": "1.1 g/mL"},
        {},
    ),
    "root": ({"contents": {"soda-ash": "0.2 ± 0.02"}}, {"contents": {"soda-ash": "0.3", "water": "0.1"}}, {}),
}
AMOUNTS = {
    "blue-vitriol": ("250 g", "0.5 kg", "80.25 g", "0.3 mol"),
    "acid": ("1 L", "250 mL"),
    "root": ("3 kg", "1 g"),
}


def stocked(desk: Desk, lots: int = 60) -> Desk:
    """Many lots of few strengths, some of them stating nothing."""
    desk.fill()
    shop(desk)
    desk.put("materials", "acid", {"name": "acid", "molar_mass": "98.08 g/mol", "density": "1.2 g/mL"})
    desk.put("materials", "root", {"name": "root"})
    source = random.Random(5)
    for number in range(lots):
        material = source.choice(list(STATED))
        body = {"material": material, "amount": source.choice(AMOUNTS[material]), **source.choice(STATED[material])}
        desk.put("lots", f"L-{number}", body)
    return desk


def numbers(strength: Strength) -> Iterator[tuple[str, Measured | None]]:
    for field in fields(Strength):
        if field.name != "contents":
            yield field.name, getattr(strength, field.name)
    yield from sorted(strength.contents.items())


def test_lots_taken_together_hold_what_they_hold_one_by_one(desk: Desk) -> None:
    """Of each material alone and of all: every mean, and its uncertainty."""
    stocked(desk)
    with desk.opened() as book:
        known = book.materials([*STATED, "soda-ash", "water"])
        slow = mean_strengths(lots_put(book, list(STATED), known), known)
        lots = shelf.alike(book.reading, list(STATED))
        quick = mean_strengths_alike(lots, known)
        assert len(lots) < 20
        assert sum(lot.amount for lot in lots) == sum(
            each.stored.amount or 0 for each in lots_put(book, list(STATED), known)
        )
    assert quick.keys() == slow.keys() == set(STATED)
    uncertain = 0
    for material, expected in slow.items():
        assert [name for name, _ in numbers(quick[material])] == [name for name, _ in numbers(expected)]
        for (_, found), (_, wanted) in zip(numbers(quick[material]), numbers(expected), strict=True):
            if wanted is None:
                assert found is None
                continue
            assert found is not None
            assert found.value == pytest.approx(wanted.value, rel=1e-12)
            assert (found.u is None) == (wanted.u is None)
            if wanted.u is not None:
                uncertain += 1
                assert found.u == pytest.approx(wanted.u, rel=1e-12)
    assert uncertain >= 4


def test_amounts_beyond_64_bits_add_up(desk: Desk) -> None:
    """Ten lots of 1,000 t are 10¹⁹ ng, above the 9.2 × 10¹⁸ that a database's integer holds."""
    desk.fill()
    heaps = [f"heap-{number}" for number in range(10)]
    for code in heaps:
        desk.put("lots", code, {"material": "soda-ash", "amount": "1000000 kg", "assay": "0.5"})
    with desk.reading() as reading:
        (found,) = (lot for lot in shelf.alike(reading, ["soda-ash"]) if lot.strength == Strength(assay=Measured(0.5)))
        left = {lot.code: lot.left for lot in shelf.lots_left(reading, ["soda-ash"])}
    assert found.amount == 10**19
    assert found.squares == 10**37
    assert [left[code] for code in heaps] == [10**18] * 10


def test_what_states_something_is_found_without_reading_it(desk: Desk) -> None:
    stocked(desk)
    desk.put("materials", "tea", {"name": "tea"})
    desk.put("lots", "tea-1", {"material": "tea", "amount": "1 g"})
    with desk.reading() as reading:
        every = [*STATED, "tea"]
        assert shelf.that_state(reading, every, ["density"]) == {"acid"}
        assert shelf.that_state(reading, every, ["contents"]) == {"root"}
        assert shelf.that_state(reading, every, ["density", "contents"]) == {"acid", "root"}
        assert shelf.that_state(reading, [], ["density"]) == set()


def test_what_was_charged_keeps_the_density_of_its_lots(desk: Desk) -> None:
    """The key input's strength comes of its runs; how dense it is and what else it contains, of the shelf."""
    desk.fill()
    shop(desk)
    run(desk, "C-1")
    desk.put("lots", "vitriol-1", {"material": "blue-vitriol", "amount": "500 g", "assay": "0.98"})
    with desk.opened() as book:
        before = RouteModel(book, book.route("oxide"), TODAY).strengths["blue-vitriol"]
    assert before.density is None
    desk.put("lots", "vitriol-1", {"material": "blue-vitriol", "amount": "500 g", "density": "2.286 g/mL"})
    with desk.opened() as book:
        after = RouteModel(book, book.route("oxide"), TODAY).strengths["blue-vitriol"]
        assert after.density == Measured(pytest.approx(2.286))
        assert after.assay == pytest.approx(Measured(after.mass_fraction))
        everything = [lot.code for lot in shelf.lots_left(book.reading, ["blue-vitriol"])]
    assert "vitriol-1" in everything


def test_what_is_left_is_what_the_lines_come_to(desk: Desk) -> None:
    """In one query and lot by lot; an empty and an overdrawn lot are not there."""
    stocked(desk, 20)
    desk.put("lots", "V-empty", {"material": "blue-vitriol", "amount": "50 g"})
    desk.put("lots", "V-over", {"material": "blue-vitriol", "amount": "40 g"})
    desk.put("lots", "V-half", {"material": "blue-vitriol", "amount": "100 g"})
    for number, lot in enumerate(("V-empty", "V-over", "V-half")):
        run(desk, f"C-{number}", charges=[{"lot": lot, "amount": "50.0 g"}])
        roast(desk, f"R-{number}")
    materials = [*STATED, "malachite"]
    with desk.opened() as book:
        known = book.materials([*materials, "soda-ash", "water"])
        codes = shelf.of_material(book.reading, materials)
        slow = {code: left.quantity for code, left in balances(book.reading, codes).items() if left.quantity > 0}
        found = lots_of(book, materials, known)
        assert {each.lot.code: each.lot.left for each in found} == slow
        assert {"V-empty", "V-over"}.isdisjoint(slow)
        lots = shelf.shelf_lots(book.reading, codes)
        grams = {each.lot.code: each.left_g for each in found}
        for each in found:
            of_it = lots[each.lot.code]
            assert (each.lot.material, each.lot.dimension, each.lot.strength) == (
                of_it.material,
                of_it.dimension,
                of_it.strength,
            )
        assert grams["V-half"] == pytest.approx(50.0)
        taken = usable(found, TODAY, projects=None, minimum_assay={}, worth=lambda _, strength: strength.mass_fraction)
    for material in materials:
        mine = [each for each in found if each.lot.material == material and each.left_g is not None]
        assert taken.grams.get(material, 0.0) == pytest.approx(sum(each.left_g or 0.0 for each in mine))
        assert taken.standing_for_g.get(material, 0.0) == pytest.approx(
            sum((each.left_g or 0.0) * each.lot.strength.mass_fraction for each in mine)
        )


def test_a_plan_leaves_lots_alone_with_the_reason(desk: Desk) -> None:
    desk.fill()
    for code, more in (
        ("old", {"expires_on": "2026-11-24"}),
        ("of-today", {"expires_on": "2026-11-25"}),
        ("weak", {"assay": "0.90"}),
        ("strong", {"assay": "0.99"}),
    ):
        desk.put("lots", code, {"material": "blue-vitriol", "amount": "10 g", **more})
    with desk.opened() as book:
        known = book.materials(["blue-vitriol"])
        lots = [each for each in lots_of(book, ["blue-vitriol"], known) if not each.lot.code.startswith("vitriol")]
        found = usable(lots, TODAY, projects=None, minimum_assay={"blue-vitriol": 0.95}, worth=lambda *_: 1.0)
    assert found.grams == {"blue-vitriol": pytest.approx(20.0)}
    assert {left["lot"]: left["reason"] for left in found.left_out} == {
        "old": "expired on 2026-11-24",
        "weak": "its assay 0.9 is below the 0.95 that the step asks for",
    }
