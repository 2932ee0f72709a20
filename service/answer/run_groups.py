"""What runs are grouped by: step, project, people, time, lots, batch size, tags; each a number a run and its words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, NamedTuple

import numpy as np
import numpy.typing as npt

from service.answer.book import Book
from service.answer.run_columns import Columns
from service.store.columns import NO_DAY, Coded
from service.store.run_lots import charged_lots, suppliers_of_lots

GROUPINGS: Final = (
    "step", "project", "operator", "month", "quarter", "lot", "supplier", "batch_band", "tag",
)  # fmt: skip
_EPOCH: Final = 719163
"""The ordinal of 1970-01-01."""
_BANDS: Final = (1.0, 2.0, 5.0)


class Lines(NamedTuple):
    """One line a run, or several for a run with several tags: its place in the columns, and a number by grouping."""

    places: npt.NDArray[np.intp]
    by: Mapping[str, Coded]


def lines_by(book: Book, by: tuple[str, ...], places: npt.NDArray[np.intp], charge: str | None) -> Lines:
    """Return the runs at ``places`` with what each is grouped by; a run has a line for each of its tags.

    ``charge`` names the material whose lot is meant by ``lot`` and ``supplier``: the key input where None. A run that
    took it from several lots stands under all of them together, ``lot-1+lot-2``.
    """
    found: dict[str, Coded] = {}
    if "tag" in by:
        places, found["tag"] = _tags(book.columns, places)
    for name in by:
        if name in ("lot", "supplier"):
            found[name] = _of_lots(book, name, places, charge)
        elif name != "tag":
            found[name] = _OF[name](book.columns, places)
    return Lines(places, found)


def _step(columns: Columns, places: npt.NDArray[np.intp]) -> Coded:
    return Coded(columns.group[places], tuple({"route": each.route, "step": each.step} for each in columns.groups))


def _coded(name: str) -> Callable[[Columns, npt.NDArray[np.intp]], Coded]:
    def of(columns: Columns, places: npt.NDArray[np.intp]) -> Coded:
        coded = columns.coded[name]
        return Coded(coded.numbers[places], coded.words)

    return of


def _period(unit: str) -> Callable[[Columns, npt.NDArray[np.intp]], Coded]:
    """Months as 2026-03, quarters as 2026-Q1; None where no day was written."""

    def of(columns: Columns, places: npt.NDArray[np.intp]) -> Coded:
        days = columns.day[places]
        months = (days - _EPOCH).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
        numbers = months if unit == "month" else months // 3
        return _compact(
            np.where(days == NO_DAY, np.iinfo(np.int64).min, numbers), _month if unit == "month" else _quarter
        )

    return of


def _month(number: int) -> str:
    return f"{1970 + number // 12}-{number % 12 + 1:02}"


def _quarter(number: int) -> str:
    return f"{1970 + number // 4}-Q{number % 4 + 1}"


def _batch_band(columns: Columns, places: npt.NDArray[np.intp]) -> Coded:
    """Bands of batch size between 1, 2 and 5 times a power of ten, in g: 20-50 g holds 20 g and not 50 g."""
    batch = columns.batch_g[places]
    known = batch > 0.0
    size = np.where(known, batch, 1.0)
    # A hair is added so that 1000 g, whose logarithm may fall just short of 3, starts its band.
    power = np.floor(np.log10(size) + 1e-12)
    leading = size / 10.0**power
    place = (leading >= _BANDS[1] * (1 - 1e-12)).astype(np.int64) + (leading >= _BANDS[2] * (1 - 1e-12))
    return _compact(np.where(known, 3 * power.astype(np.int64) + place, np.iinfo(np.int64).min), _band)


def _band(number: int) -> str:
    ends = [_BANDS[each % 3] * 10.0 ** (each // 3) for each in (number, number + 1)]
    return f"{ends[0]:.10g}-{ends[1]:.10g} g"


def _compact(numbers: npt.NDArray[np.int64], word: Callable[[int], str]) -> Coded:
    """Number the different values from 0 on; the least 64-bit number stands for none."""
    none = numbers == np.iinfo(np.int64).min
    known = numbers[~none]
    least = int(known.min()) if len(known) else 0
    values, places = distinct(np.where(none, 0, numbers - least + 1), int(known.max(initial=least)) - least + 2)
    return Coded(
        places.astype(np.int32), tuple(word(value + least - 1) if value else None for value in values.tolist())
    )


def distinct(numbers: npt.NDArray[np.int64], most: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the different numbers, from 0 to below ``most``, in order, and the place of each number among them."""
    if most > 4 * len(numbers) + 4096:
        values, places = np.unique(numbers, return_inverse=True)
        return values, places
    # Few numbers that may occur are looked up in a table: many runs are not sorted for that.
    occurs = np.zeros(most, dtype=np.bool_)
    occurs[numbers] = True
    return np.flatnonzero(occurs), (np.cumsum(occurs) - 1)[numbers]


_OF: Final[Mapping[str, Callable[[Columns, npt.NDArray[np.intp]], Coded]]] = {
    "step": _step,
    "project": _coded("project"),
    "operator": _coded("operator"),
    "month": _period("month"),
    "quarter": _period("quarter"),
    "batch_band": _batch_band,
}


def _tags(columns: Columns, places: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], Coded]:
    """A line for each tag of a run, one under None for a run without."""
    coded = columns.coded["tags"]
    sets = [(None,) if word is None else tuple(word.split("\n")) for word in coded.words]
    words = tuple(sorted({tag for tags in sets for tag in tags}, key=lambda tag: (tag is None, tag or "")))
    number = {tag: place for place, tag in enumerate(words)}
    own = coded.numbers[places]
    lengths = np.array([len(tags) for tags in sets], dtype=np.int64)
    flat = np.array([number[tag] for tags in sets for tag in tags], dtype=np.int32)
    starts = np.concatenate([[0], np.cumsum(lengths)])[:-1]
    repeats = lengths[own]
    within = np.arange(repeats.sum()) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    return np.repeat(places, repeats), Coded(flat[np.repeat(starts[own], repeats) + within], words)


def _of_lots(book: Book, name: str, places: npt.NDArray[np.intp], charge: str | None) -> Coded:
    columns = book.columns
    if charge is None:
        coded = columns.coded["key_lot"]
        lots = Coded(coded.numbers[places], coded.words)
    else:
        book.stored("materials", charge)
        charged = charged_lots(book.reading, charge)
        lots = _words([charged.get(run) for run in columns.run[places].tolist()])
    if name == "lot":
        return lots
    suppliers = suppliers_of_lots(book.reading)
    return _renamed(lots, [_supplier(word, suppliers) for word in lots.words])


def _supplier(lots: Any, suppliers: Mapping[str, str]) -> str | None:
    """The supplier of a lot; of several lots together the suppliers together, None where one has none."""
    found = {suppliers.get(lot) for lot in (lots or "").split("+")}
    return None if None in found else "+".join(sorted(each for each in found if each is not None))


def _words(values: list[Any]) -> Coded:
    numbers: dict[Any, int] = {}
    found = np.fromiter((numbers.setdefault(value, len(numbers)) for value in values), np.int32, len(values))
    return Coded(found, tuple(numbers))


def _renamed(coded: Coded, words: list[Any]) -> Coded:
    renamed = _words(words)
    return Coded(renamed.numbers[coded.numbers], renamed.words)
