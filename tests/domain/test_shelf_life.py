"""Shelf lives: read strictly, counted by the calendar."""

from __future__ import annotations

import calendar
import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.shelf_life import ShelfLife, parse_shelf_life
from service.errors import InvalidInput

DAYS = st.dates(dt.date(2000, 1, 1), dt.date(2100, 12, 31))


@given(months=st.integers(1, 1200))
def test_it_is_read_as_it_is_told(months: int) -> None:
    assert parse_shelf_life(ShelfLife(months=months).text()) == ShelfLife(months=months)
    assert parse_shelf_life(ShelfLife(days=months).text()) == ShelfLife(days=months)
    assert parse_shelf_life(f"{months}months") == ShelfLife(months=months)


@given(day=DAYS, months=st.integers(1, 240))
def test_months_fall_on_the_same_day_or_on_the_last(day: dt.date, months: int) -> None:
    """By another road: the day of the month, or the last that the month has; never a day of the month after."""
    ends = ShelfLife(months=months).ends(day)
    assert (ends.year - day.year) * 12 + ends.month - day.month == months
    assert ends.day == day.day or (ends.day < day.day and ends.day == calendar.monthrange(ends.year, ends.month)[1])


def test_years_weeks_and_days() -> None:
    begun = dt.date(2024, 2, 29)
    assert parse_shelf_life("1 y").ends(begun) == dt.date(2025, 2, 28)
    assert parse_shelf_life("4 Years").ends(begun) == dt.date(2028, 2, 29)
    assert parse_shelf_life("2 weeks").ends(begun) == dt.date(2024, 3, 14)
    assert parse_shelf_life("1 d").ends(begun) == dt.date(2024, 3, 1)


@pytest.mark.parametrize(
    "text",
    ["", "18", "months", "1.5 y", "0 d", "-2 y", "18  months", "2 mo", "101 y", "9999 weeks", "1 y 6 months", "1 h"],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(InvalidInput) as refused:
        parse_shelf_life(text)
    assert refused.value.faults[0].received == text
