"""What is wrong with an import: every line that is refused with all its faults, and nobody blamed for another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from service.errors import MOST_FAULTS, Conflict, Fault, InvalidInput
from service.record.currencies import NO_RATE
from service.record.import_order import LoadedLine, Target
from service.record.import_text import ImportLine
from service.record.rate_needs import EXCHANGE_RATES
from service.schemas.kinds import singular

MOST_KEYS_NAMED: Final = 5


@dataclass(slots=True)
class Refusals:
    """The faults of a file so far; ``conflicts`` are those that only what is recorded now makes into faults.

    ``currencies`` are those of the exchange rates that the file brings, by their codes: where such a rate is refused,
    nobody is blamed for doing without it.

    ``refused`` is what refused lines would have given, ``lost`` the codes of lines of an unknown kind: a line that
    names one of them is not looked at: nothing could be said of it that is not said already.
    """

    faults: list[Fault] = field(default_factory=list)
    conflicts: list[Fault] = field(default_factory=list)
    refused: set[Target] = field(default_factory=set)
    lost: set[str] = field(default_factory=set)
    currencies: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def copy(self) -> Refusals:
        """Return the same, to go on from."""
        return Refusals(list(self.faults), list(self.conflicts), set(self.refused), set(self.lost), self.currencies)

    def blame(self, loaded: LoadedLine, faults: Iterable[Fault], *, is_conflict: bool = False) -> None:
        """Refuse a line for faults of its record."""
        own = [fault for fault in faults if fault.code != NO_RATE or not self._is_refused(str(fault.received))]
        (self.conflicts if is_conflict else self.faults).extend(loaded.line.place.placed(own))
        self.refused |= loaded.gives

    def blame_difference(self, loaded: LoadedLine, keys: list[str], there: set[Target]) -> None:
        """Refuse a line because its record is there and differs in ``keys``; what of it is ``there`` can be named."""
        one = f"{singular(loaded.line.kind)} {loaded.line.code}"
        more = f" and {len(keys) - MOST_KEYS_NAMED} more" if len(keys) > MOST_KEYS_NAMED else ""
        named = ", ".join(keys[:MOST_KEYS_NAMED]) + more
        detail = f"{one} is recorded otherwise (in {named}): replace=true writes over it"
        fault = Fault("differs", detail, loaded.line.code, "the record as it stands, or replace=true", parameter="code")
        self.conflicts += loaded.line.place.placed([fault])
        self.refused |= loaded.gives - there

    def _is_refused(self, currency: str) -> bool:
        return any(currency in pair for code, pair in self.currencies.items() if (EXCHANGE_RATES, code) in self.refused)

    def hides(self, loaded: LoadedLine) -> bool:
        """Say whether a line rests on one that was refused."""
        return any((found.kind, found.code) in self.refused or found.code in self.lost for found in loaded.named)

    def raise_if_any(self) -> None:
        """Raise :class:`InvalidInput` with all faults by their place, :class:`Conflict` where all are conflicts."""
        told = sorted([*self.faults, *self.conflicts], key=_place)
        if not told:
            return
        rest = f"{len(told)} faults, the first: " if len(told) > 1 else ""
        detail = f"nothing was imported: {rest}{told[0].detail}"
        if self.faults:
            raise InvalidInput(told, detail)
        shown = [fault.as_dict() for fault in told[:MOST_FAULTS]]
        extra = {"faults": shown, "more_faults": len(told) - len(shown)}
        raise Conflict(detail, code=told[0].code, extra=extra)


def currencies_brought(lines: Iterable[ImportLine]) -> dict[str, frozenset[str]]:
    """Return the currencies that the exchange rates of a file are of, by their codes, whether they can be read or not.

    >>> from service.record.import_text import JsonPlace
    >>> body = {"base": "USD", "quote": "EUR"}
    >>> [sorted(pair) for pair in currencies_brought([ImportLine("exchange-rates", "usd", body, JsonPlace())]).values()]
    [['EUR', 'USD']]
    """
    return {
        line.code: frozenset(told for key in ("base", "quote") if isinstance(told := line.body.get(key), str))
        for line in lines
        if line.kind == EXCHANGE_RATES and isinstance(line.body, Mapping)
    }


def _place(fault: Fault) -> int:
    """The line of the file, or the index in its array."""
    return fault.line if fault.line is not None else int((fault.pointer or "/0").split("/")[1] or 0)
