"""How long something keeps: a whole number of days, weeks, months or years, counted by the calendar."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass

from service.errors import Fault, InvalidInput

MOST_YEARS = 100
_WRITTEN = re.compile(r"([0-9]{1,6}) ?([A-Za-z]{1,6})")
_DAYS = {"d": 1, "day": 1, "days": 1, "week": 7, "weeks": 7}
_MONTHS = {"month": 1, "months": 1, "y": 12, "year": 12, "years": 12}
_EXPECTED = "a whole number of days, weeks, months or years, such as 18 months"


@dataclass(frozen=True, slots=True)
class ShelfLife:
    """So many calendar months, and then so many days."""

    months: int = 0
    days: int = 0

    def ends(self, begun: dt.date) -> dt.date:
        """Return the day on which what was got on ``begun`` expires, the last on which it may be taken; of a shorter
        month its last day.

        >>> ShelfLife(months=18).ends(dt.date(2026, 8, 31)), ShelfLife(days=90).ends(dt.date(2026, 1, 1))
        (datetime.date(2028, 2, 29), datetime.date(2026, 4, 1))
        """
        month = begun.year * 12 + begun.month - 1 + self.months
        year, month = month // 12, month % 12 + 1
        last = calendar.monthrange(year, month)[1]
        return begun.replace(year=year, month=month, day=min(begun.day, last)) + dt.timedelta(days=self.days)

    def text(self) -> str:
        """Return it as it may be written.

        >>> ShelfLife(months=24).text(), ShelfLife(months=1).text(), ShelfLife(days=10).text()
        ('2 years', '1 month', '10 days')
        """
        for count, one in ((self.months // 12 if self.months % 12 == 0 else 0, "year"), (self.months, "month")):
            if count:
                return f"{count} {one}{'' if count == 1 else 's'}"
        return f"{self.days} day{'' if self.days == 1 else 's'}"


def parse_shelf_life(text: str) -> ShelfLife:
    """Read a shelf life. Raises InvalidInput for anything but a whole number above 0 and a unit, up to 100 years.

    >>> parse_shelf_life("18 months"), parse_shelf_life("2 y"), parse_shelf_life("6 weeks")
    (ShelfLife(months=18, days=0), ShelfLife(months=24, days=0), ShelfLife(months=0, days=42))
    """
    found = _WRITTEN.fullmatch(text)
    if found is None or (unit := found[2].lower()) not in {**_DAYS, **_MONTHS}:
        detail = f"{text!r} is no shelf life: write {_EXPECTED}"
        raise InvalidInput([Fault("bad-shelf-life", detail, text, _EXPECTED)])
    life = ShelfLife(int(found[1]) * _MONTHS.get(unit, 0), int(found[1]) * _DAYS.get(unit, 0))
    if not 0 < life.months + life.days / 30 <= 12 * MOST_YEARS:
        expected = f"above 0, and up to {MOST_YEARS} years"
        raise InvalidInput([Fault("out-of-range", f"{text} is no shelf life: {expected}", text, expected)])
    return life
