"""By which rule what comes out of a run shares its cost: stated, credited, by value, by content."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.answer.ledger import traced_ledger
from service.answer.lot_cost import lot_cost_of
from service.answer.snapshot import Memory
from tests.answer.desk import TODAY, Desk
from tests.answer.small import ASH_M, eur
from tests.answer.test_ledger import lots, parts_agree, told, traced
from tests.store.book import CARBONATE_RUN, altered

PRODUCT = {"material": "malachite", "net": "20 g", "lot": "green"}
BY_PRODUCT = {"material": "sodium-sulfate", "role": "co-product", "net": "30 g", "lot": "glauber"}


@pytest.fixture
def desk(desk: Desk) -> Desk:
    desk.fill()
    desk.put("suppliers", "corner", {"name": "corner shop"})
    return desk


def offer(desk: Desk, material: str, price: str, pack: str = "100 g", **more: Any) -> None:
    body = {"material": material, "supplier": "corner", "pack": pack, "price": eur(price), **more}
    desk.put("offers", f"{material}-offer", body)


def run(desk: Desk, *outturns: dict[str, Any], **changes: Any) -> None:
    """A run that takes 50 g of vitriol at 0.013 a gram and soda ash that costs 1.35: 2.00 in all."""
    ash = {"material": "soda-ash", "amount": "23.5 g", "price": {**eur("1.35"), "per": "23.5 g"}}
    charges = [{"lot": "vitriol-1", "amount": "50 g"}, ash]
    desk.put("runs", "C-1", altered(CARBONATE_RUN, charges=charges, outturns=list(outturns), **changes))


def costs(desk: Desk) -> dict[str, tuple[float, str | None]]:
    """Of either lot what all of it cost, and by which rule."""
    found = {}
    for lot in ("green", "glauber"):
        with desk.opened() as book:
            answer = lot_cost_of(book, lot, as_of=TODAY)
        assert (answer["shared_by"] is None) == ("shared_by" in answer["reasons"])
        found[lot] = (float(answer["total"]["amount"]), answer["shared_by"])
    parts_agree(desk, found)
    return found


def test_what_is_stated_as_value_shares_the_cost(desk: Desk) -> None:
    run(desk, PRODUCT | {"realisable_value": eur("9")}, BY_PRODUCT | {"realisable_value": eur("1")})
    assert costs(desk) == {"green": (1.8, "value"), "glauber": (0.2, "value")}


def test_without_values_the_contained_mass_does(desk: Desk) -> None:
    run(desk, PRODUCT | {"assay": "0.9"}, BY_PRODUCT)
    assert costs(desk) == {"green": (0.75, "contained"), "glauber": (1.25, "contained")}


def test_a_value_beside_nothing_is_not_used_and_said_so(desk: Desk) -> None:
    run(desk, PRODUCT | {"realisable_value": eur("9")}, BY_PRODUCT)
    assert costs(desk) == {"green": (0.8, "contained"), "glauber": (1.2, "contained")}
    (facts,) = (each for each in traced(desk).columns.facts if each.notes)
    assert facts.notes == (
        "C-1: what it states as realisable value is not used: sodium-sulfate states none and no offer of it stands on "
        "the day",
    )


def test_an_offer_stands_in_for_what_states_none(desk: Desk) -> None:
    offer(desk, "sodium-sulfate", "1", pack="75 g")
    run(desk, PRODUCT | {"realisable_value": eur("1.20")}, BY_PRODUCT)
    assert costs(desk) == {"green": (1.5, "value"), "glauber": (0.5, "value")}


def test_offers_of_different_materials_share_by_what_they_contain(desk: Desk) -> None:
    """20 g at 90 % by an offer of 100 g at 45 % for 5.40: 2.16; 30 g by 100 g for 2.40: 0.72."""
    offer(desk, "malachite", "5.40", assay="0.45")
    offer(desk, "sodium-sulfate", "2.40")
    run(desk, PRODUCT | {"assay": "0.9"}, BY_PRODUCT)
    assert costs(desk) == {"green": (1.5, "value"), "glauber": (0.5, "value")}


def test_only_an_offer_of_the_day_counts(desk: Desk) -> None:
    offer(desk, "malachite", "5.40", valid_from="2026-04-13")
    offer(desk, "sodium-sulfate", "2.40")
    run(desk, PRODUCT, BY_PRODUCT)
    assert costs(desk)["green"] == (0.8, "contained")
    offer(desk, "malachite", "5.40", valid_from="2026-04-12")
    assert costs(desk)["green"] == (1.2, "value")
    assert told(traced(desk)) == told(traced(desk, Memory()))


def test_crops_of_one_product_go_by_what_they_contain_whatever_it_sells_for(desk: Desk) -> None:
    offer(desk, "malachite", "5.40")
    run(desk, PRODUCT, {"material": "malachite", "net": "5 g", "lot": "glauber", "assay": "0.8"})
    assert costs(desk)["green"][1] == "contained"
    assert costs(desk)["green"][0] == pytest.approx(2 * 20 / 24, abs=1e-6)


@pytest.mark.parametrize(
    ("product", "other", "expected"),
    [
        ({"cost_share": "0.95"}, {"cost_share": "0.05"}, ((1.9, "stated"), (0.1, "stated"))),
        ({}, {"cost_share": "0.05"}, ((1.9, "stated"), (0.1, "stated"))),
        ({}, {"credit": eur("0.15")}, ((1.85, "credit"), (0.15, "credit"))),
    ],
)
def test_what_is_stated_goes_before_offers(desk: Desk, product: Any, other: Any, expected: Any) -> None:
    offer(desk, "malachite", "5.40")
    offer(desk, "sodium-sulfate", "2.40")
    run(desk, PRODUCT | product, BY_PRODUCT | other)
    assert tuple(costs(desk).values()) == expected


@pytest.mark.parametrize(
    ("lot", "held_g"),
    [
        ({"amount": "250 mL", "concentration": "2 mol/L"}, 0.5 * ASH_M),
        ({"amount": "250 mL", "concentration": "40 g/L"}, 10.0),
        ({"amount": "275 g", "concentration": "2 mol/L", "density": "1.1 g/mL"}, 0.5 * ASH_M),
        ({"amount": "0.5 mol", "concentration": "2 mol/L"}, 0.5 * ASH_M),
        ({"amount": "0.5 mol", "assay": "0.8"}, 0.5 * ASH_M),
        ({"amount": "100 g", "assay": "0.8", "loss_on_drying": "0.1"}, 72.0),
    ],
)
def test_a_gram_of_content_costs_what_the_lot_did_over_what_it_holds(
    desk: Desk, lot: dict[str, str], held_g: float
) -> None:
    desk.put("lots", "ash-1", {"material": "soda-ash", "received_on": "2026-03-04", "value": eur("3"), **lot})
    with desk.opened() as book:
        answer = lot_cost_of(book, "ash-1", as_of=TODAY)
    assert answer["cost_per_contained_g"] == pytest.approx(3 / held_g, rel=1e-4)


@pytest.mark.parametrize("given", [{}, {"concentration": "499 g/L"}, {"assay": "0.5"}])
def test_a_by_product_in_volume_shares_by_what_it_holds(desk: Desk, given: dict[str, str]) -> None:
    """20 g beside 20 mL of water at 0.998 g/mL, all of it or half of it the wanted substance."""
    drained = {"material": "water", "role": "recovered", "net": "20 mL", "lot": "glauber"}
    run(desk, PRODUCT, drained | given)
    held = 19.96 if not given else 9.98
    found = costs(desk)
    assert found["green"] == (pytest.approx(2 * 20 / (20 + held), abs=2e-6), "contained")
    assert found["glauber"] == (pytest.approx(2 * held / (20 + held), abs=2e-6), "contained")


def test_what_is_handed_over_without_a_lot_fetches_what_it_would_in_one(desk: Desk) -> None:
    """The same outturns as in the offers of different materials: 2.16 beside 0.72."""
    offer(desk, "malachite", "5.40", assay="0.45")
    offer(desk, "sodium-sulfate", "2.40")
    run(desk, {"material": "malachite", "net": "20 g", "assay": "0.9"}, BY_PRODUCT)
    with desk.opened() as book:
        answer = lot_cost_of(book, "glauber", as_of=TODAY)
    assert (answer["total"]["amount"], answer["shared_by"]) == ("0.50", "value")
    parts_agree(desk, ["glauber"])


@pytest.mark.parametrize(
    ("rate", "waste", "costs"),
    [
        ("1 kg", {"net": "500 mL"}, 499_000),
        ("1 kg", {"net": "500 mL", "lot": "drum", "density": "1.2 g/mL"}, 600_000),
        ("1 L", {"net": "499 g"}, 500_000),
        ("1 kg", {"net": "250 g"}, 250_000),
    ],
)
def test_waste_is_paid_for_by_mass_or_volume_however_it_was_measured(
    desk: Desk, rate: str, waste: dict[str, str], costs: int
) -> None:
    body = {"of": "waste", "price": eur("1"), "per": rate, "valid_from": "2026-01-01"}
    desk.put("rates", "sewer", body)
    run(desk, PRODUCT, {"material": "water", "role": "waste", **waste})
    assert lots(traced(desk))["green"] == 2_000_000 + costs
    assert not any(each.not_counted for each in traced(desk).columns.facts)


def test_waste_whose_mass_only_its_own_line_tells_is_said_to_be_not_counted(desk: Desk) -> None:
    desk.put("rates", "sewer", {"of": "waste", "price": eur("1"), "per": "1 kg", "valid_from": "2026-01-01"})
    run(desk, PRODUCT, {"material": "sodium-sulfate", "role": "waste", "net": "500 mL", "density": "1.2 g/mL"})
    assert lots(traced(desk))["green"] == 2_000_000
    (facts,) = (each for each in traced(desk).columns.facts if each.not_counted)
    assert facts.not_counted == (
        "waste: its rate is by mass, it was recorded by volume, and the density of sodium-sulfate is not known",
    )


def test_a_lot_alone_shares_with_nothing(desk: Desk) -> None:
    run(desk, PRODUCT | {"lot": "glauber"})
    with desk.opened() as book:
        answer = lot_cost_of(book, "glauber", as_of=TODAY)
        bought = lot_cost_of(book, "vitriol-1", as_of=TODAY)
    assert (answer["shared_by"], answer["reasons"]["shared_by"]) == (None, "nothing else carries any of it")
    assert (bought["shared_by"], bought["reasons"]["shared_by"]) == (None, "no run made it")


def test_values_in_two_currencies_count_at_the_rate_of_the_day(desk: Desk) -> None:
    for day, rate in (("2026-04-12", "0.5"), ("2026-04-13", "5")):
        desk.put("exchange-rates", f"usd-{day}", {"base": "USD", "quote": "EUR", "rate": rate, "valid_from": day})
    dollars = {"amount": "2", "currency": "USD"}
    run(desk, PRODUCT | {"realisable_value": eur("3")}, BY_PRODUCT | {"realisable_value": dollars})
    assert costs(desk) == {"green": (1.5, "value"), "glauber": (0.5, "value")}
    # In another currency of the answer the parts are the same.
    with desk.opened() as book:
        found = traced_ledger(book, "USD")
    assert lots(found)["green"] == 3 * lots(found)["glauber"]


@settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 10**6), st.integers(0, 10**6), st.integers(2, 9))
def test_only_the_ratio_of_the_values_matters(desk: Desk, one: int, other: int, factor: int) -> None:
    found = []
    for times in (1, factor):
        values = (eur(f"{cents * times / 100:.2f}") for cents in (one, other))
        run(
            desk,
            *(line | {"realisable_value": value} for line, value in zip((PRODUCT, BY_PRODUCT), values, strict=True)),
        )
        values_of = lots(traced(desk))
        found.append((values_of["green"], values_of["glauber"]))
    assert found[0] == found[1]
    assert sum(found[0]) == 2_000_000
    assert abs(found[0][0] - 2e6 * one / (one + other)) <= 1
