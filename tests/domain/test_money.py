"""Money is exact, of one currency, and read from text alone."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.money import CURRENCIES, Money, from_micro, parse_money, to_micro
from service.errors import InvalidInput


def euros(amount: object) -> dict[str, object]:
    return {"amount": amount, "currency": "EUR"}


@pytest.mark.parametrize(
    ("written", "amount"),
    [
        ("12.50", "12.50"),
        ("0", "0"),
        ("0.000001", "0.000001"),
        (" 3 ", "3"),
        (12, "12"),
        ("999999999999999", "999999999999999"),
    ],
)
def test_read_with_the_digits_as_written(written: object, amount: str) -> None:
    money = parse_money(euros(written))
    assert (str(money.amount), money.currency) == (amount, "EUR")
    assert parse_money(money.as_dict()) == money


@pytest.mark.parametrize(
    ("written", "code"),
    [
        (euros(3.5), "not-text"),
        (euros(float("nan")), "not-text"),
        (euros(True), "not-a-number"),
        (euros([]), "not-a-number"),
        (euros("12,50"), "decimal-comma"),
        (euros("1,000.50"), "digit-grouping"),
        (euros("1.000,50"), "digit-grouping"),
        (euros("1 000"), "digit-grouping"),
        (euros("1_000"), "digit-grouping"),
        (euros("1e3"), "not-a-number"),
        (euros("1e999999999"), "not-a-number"),
        (euros("NaN"), "not-a-number"),
        (euros("Infinity"), "not-a-number"),
        (euros("12.50 EUR"), "not-a-number"),
        (euros("€12"), "not-a-number"),
        (euros("١٢"), "not-a-number"),
        (euros(""), "not-a-number"),
        (euros("1234567890123456"), "too-many-digits"),
        (euros(10**15), "too-many-digits"),
        (euros("0.1234567"), "too-many-digits"),
        (euros("-1"), "out-of-range"),
        (euros(None), "missing-key"),
        ({"amount": "1"}, "missing-key"),
        ({"currency": "EUR"}, "missing-key"),
        ({"amount": "1", "currency": "eur"}, "unknown-currency"),
        ({"amount": "1", "currency": "XXX"}, "unknown-currency"),
        ({"amount": "1", "currency": "€"}, "unknown-currency"),
        ({"amount": "1", "currency": ["EUR"]}, "unknown-currency"),
        ({"amount": "1", "currency": "EUR", "per": "1 kg"}, "unknown-key"),
        ("12.50", "not-money"),
        (12.5, "not-money"),
        (None, "not-money"),
    ],
)
def test_refused_by_reason(written: object, code: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        parse_money(written)
    (fault,) = raised.value.faults
    assert (fault.code, fault.pointer) == (code, None)
    assert len(fault.detail) < 300


def test_refusals_say_how_to_mend_it() -> None:
    for written, hint in ((euros(3.5), '"3.5", in quotation marks'), (euros("12,50"), '"12.50"')):
        with pytest.raises(InvalidInput, match=hint):
            parse_money(written)
    with pytest.raises(InvalidInput, match="did you mean EUR"):
        parse_money({"amount": "1", "currency": "eur"})


def test_signs() -> None:
    assert parse_money(euros("-1"), sign="any").amount == -1
    with pytest.raises(InvalidInput):
        parse_money(euros("0.00"), sign="positive")


def test_currencies_do_not_mix() -> None:
    with pytest.raises(ValueError, match="EUR and USD do not add"):
        Money(Decimal(1), "EUR") + Money(Decimal(1), "USD")


def test_currency_codes() -> None:
    """From memory: codes in use, and codes of metals and of no currency, which are no money here."""
    assert {"EUR", "USD", "GBP", "JPY", "CHF", "PLN", "INR", "BRL"} <= CURRENCIES
    assert not {"XAU", "XXX", "XTS", "DEM", "HRK"} & CURRENCIES
    assert all(len(code) == 3 and code.isascii() and code.isupper() for code in CURRENCIES)


def test_forty_charges_of_a_few_grams() -> None:
    """40 charges of 1.5 g at 2.40 a kilogram are 0.144, not 40 times 0.00."""
    one = to_micro(Decimal("2.40") * Decimal("0.0015"))
    assert from_micro(40 * one) == Decimal("0.144")


AMOUNTS = st.decimals(min_value="-999999999", max_value="999999999", places=6)


@given(st.lists(AMOUNTS, min_size=1, max_size=30))
def test_millionths_lose_nothing(amounts: list[Decimal]) -> None:
    assert from_micro(sum(to_micro(amount) for amount in amounts)) == sum(amounts)


@given(AMOUNTS, AMOUNTS)
def test_addition_is_exact_and_in_any_order(one: Decimal, other: Decimal) -> None:
    left = Money(one, "EUR") + Money(other, "EUR")
    assert left == Money(other, "EUR") + Money(one, "EUR")
    assert to_micro(left.amount) == to_micro(one) + to_micro(other)
