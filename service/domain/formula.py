"""A chemical formula: what it is made of, its charge, its molar mass and how well that is known.

The grammar is small, bounded and read left to right without recursion:

* element symbols with whole counts; round, square and curly brackets nest; subscript digits are digits;
* an addition dot ``·``, ``•``, ``.``, ``*`` or ``×`` and an addend with its multiple: ``CuSO4.5H2O``,
  ``CaSO4·0.5H2O``, ``CaSO4.1/2H2O``. A dot after a count adds; it is never a decimal point. Only a multiple, which
  starts an addend, may be a decimal: a bare number is no addend, so ``.0.5H2O`` has one reading. A first multiple
  (``2PbCO3.Pb(OH)2``) is taken where an addend follows, else it is a coefficient and belongs to the reaction;
* isotopes ``D``, ``T``, ``[13C]``, ``¹³C``; a charge at the end: ``SO4^2-``, ``SO4(2-)``, ``SO₄²⁻``, ``Na+``,
  ``[Fe(CN)6]4-``. ``Ca2+``, ``SO42-`` and ``(SO4)2-`` could be read in two ways and are refused; a single digit in a
  polyatomic ion, as in ``NH4+`` and ``NO3-``, is a count.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import Final, NoReturn

from service.domain.atomic_weights import ELEMENTS, ISOTOPES, WITHOUT_STANDARD_WEIGHT, AtomicWeight
from service.errors import Fault, InvalidInput

MOST_CHARACTERS: Final = 200
MOST_DEPTH: Final = 10
MOST_ATOMS: Final = 10**6

_SUPER: Final = "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻"
_UNRAISED: Final = str.maketrans(_SUPER, "0123456789+-")
# One character for one character, so that a place in the plain text is a place in what was written.
_PLAIN: Final = str.maketrans("₀₁₂₃₄₅₆₇₈₉{}⁽⁾−–·•⋅∙×*", "0123456789()()--······")
_CLOSED_BY: Final = {"(": ")", "[": "]"}

_SYMBOL: Final = re.compile(r"[A-Z][a-z]?")
_COUNT: Final = re.compile(r"[0-9]+")
_MULTIPLE: Final = re.compile(r"([0-9]+)(?:\.([0-9]+)|/([1-9][0-9]*))?|([½¼¾⅓⅔])")
_VULGAR: Final = {
    "½": Fraction(1, 2),
    "¼": Fraction(1, 4),
    "¾": Fraction(3, 4),
    "⅓": Fraction(1, 3),
    "⅔": Fraction(2, 3),
}
_ISOTOPE: Final = re.compile(r"\[([0-9]{1,3})([A-Z][a-z]?)([0-9]*)\]|([⁰¹²³⁴⁵⁶⁷⁸⁹]+)([A-Z][a-z]?)")
_CHARGE: Final = re.compile(
    r"\^\(?(?P<caret>[+-][0-9]+|[0-9]*[+-])\)?"
    r"|\((?P<bracket>[0-9]*[+-])\)"
    r"|(?P<raised>[⁰¹²³⁴⁵⁶⁷⁸⁹]+[⁺⁻+-]|[⁺⁻])"
    r"|(?P<bare>[0-9]+[+-]|[+-][0-9]+|\++|-+)"
)
_COUNT_OR_CHARGE: Final = re.compile(r"([0-9]+)([+-])(?=\s*(?:[·.]|$))")
_STATE: Final = re.compile(r"\((?:s|l|g|aq|cr)\)$")


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula as written, with what follows from it.

    ``elements`` counts the atoms of one formula unit by symbol, in the order written; deuterium, tritium and labelled
    isotopes (``D``, ``T``, ``13C``) count by themselves. ``charge`` is in elementary charges. The standard uncertainty
    takes each weight's printed limits as a rectangular distribution, ±/√3 (JCGM 100:2008, 4.3.7); the atoms of one
    element vary together, the elements independently. The mass of the electrons of a charge is left out.

    >>> vitriol = parse_formula("CuSO4.5H2O")
    >>> round(vitriol.molar_mass_g_per_mol, 2), round(vitriol.molar_mass_u_g_per_mol, 3), dict(vitriol.elements)
    (249.68, 0.013, {'Cu': 1, 'S': 1, 'O': 9, 'H': 10})
    """

    text: str
    elements: Mapping[str, int | Fraction] = field(hash=False)
    charge: int
    molar_mass_g_per_mol: float
    molar_mass_u_g_per_mol: float


def parse_formula(text: str) -> Formula:
    """Read a formula in the grammar of this module.

    Returns the formula, its molar mass in g/mol from the weights of :mod:`service.domain.atomic_weights`. Raises
    :class:`InvalidInput` with one fault, ``bad-formula``, that shows the place and what is wrong there.

    >>> parse_formula("SO₄²⁻").charge, dict(parse_formula("CaSO4·½H2O").elements)
    (-2, {'Ca': 1, 'S': 1, 'O': Fraction(9, 2), 'H': 1})
    >>> parse_formula("CuSO4.5Hx2O")
    Traceback (most recent call last):
    ...
    service.errors.InvalidInput: formula 'CuSO4.5Hx2O', character 8, at 'Hx2O': no element is called 'Hx'
    """
    scanner = _Scanner(text)
    atoms, charge = scanner.formula()
    mass_g_per_mol = sum(count * _weight(symbol).g_per_mol for symbol, count in atoms.items())
    limits = (float(count * _weight(symbol).limit_g_per_mol) for symbol, count in atoms.items())
    return Formula(
        text=text.strip(),
        elements=MappingProxyType({symbol: _whole(count) for symbol, count in atoms.items()}),
        charge=charge,
        molar_mass_g_per_mol=float(mass_g_per_mol),
        molar_mass_u_g_per_mol=math.hypot(*limits) / math.sqrt(3),
    )


def _weight(symbol: str) -> AtomicWeight:
    return ELEMENTS[symbol] if symbol in ELEMENTS else ISOTOPES[symbol]


def _whole(count: Fraction) -> int | Fraction:
    return count.numerator if count.denominator == 1 else count


class _Scanner:
    """A place in a formula, moving right."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.plain = text.translate(_PLAIN).rstrip()
        self.at = 0

    def refuse(self, why: str, at: int | None = None) -> NoReturn:
        """Raise the one fault of this formula, at character ``at`` of it or where the scanner stands."""
        place = self.at if at is None else at
        rest = self.text[place : place + 12]
        where = f"character {place + 1}, at {rest!r}" if rest.strip() else "at its end"
        shown = self.text if len(self.text) <= MOST_CHARACTERS else self.text[:40] + "…"
        detail = f"formula {shown!r}, {where}: {why}"
        raise InvalidInput(
            [Fault("bad-formula", detail, shown, "a formula such as CuSO4.5H2O, Na2CO3 or [Fe(CN)6]^4-")]
        )

    def formula(self) -> tuple[dict[str, Fraction], int]:
        """Return the atoms and the charge of the whole text."""
        if len(self.text) > MOST_CHARACTERS:
            self.refuse(f"a formula has at most {MOST_CHARACTERS} characters", at=0)
        if not self.plain.strip():
            self.refuse("there is nothing to read; leave out a formula that is not known", at=0)
        if state := _STATE.search(self.plain):
            self.refuse("a state such as (s) or (aq) is no part of a formula: leave it out", at=state.start())
        total: dict[str, Fraction] = {}
        charge = Fraction(0)
        parts = 0
        while True:
            self.spaces()
            start = self.at
            multiple = self.multiple()
            atoms, part_charge = self.part()
            parts += 1
            for symbol, count in atoms.items():
                total[symbol] = total.get(symbol, Fraction(0)) + multiple * count
            charge += multiple * part_charge
            self.spaces()
            if self.at == len(self.plain):
                break
            if self.plain[self.at] not in "·.":
                self.refuse("a space may stand only around an addition dot and after a multiple")
            self.at += 1
        if parts == 1 and multiple != 1:
            self.refuse("a coefficient belongs to a reaction, not to a formula", at=start)
        if charge.denominator != 1:
            self.refuse("the charges do not add up to a whole number", at=0)
        if max(total.values()) > MOST_ATOMS or abs(charge) > MOST_ATOMS:
            self.refuse(f"more than {MOST_ATOMS} atoms of one element", at=0)
        return total, int(charge)

    def spaces(self) -> None:
        while self.at < len(self.plain) and self.plain[self.at].isspace():
            self.at += 1

    def multiple(self) -> Fraction:
        """Read the multiple that may start a part."""
        match = _MULTIPLE.match(self.plain, self.at)
        if match is None:
            return Fraction(1)
        start, self.at = self.at, match.end()
        whole, decimals, divisor, vulgar = match.groups()
        if self.plain[self.at : self.at + 1] == ",":
            self.refuse("a decimal comma: write a decimal point")
        if vulgar:
            multiple = _VULGAR[vulgar]
        elif max(map(len, (whole, decimals or "", divisor or ""))) > len(str(MOST_ATOMS)):
            self.refuse(f"a multiple beyond {MOST_ATOMS} or with too many decimals", at=start)
        else:
            multiple = Fraction(f"{whole}.{decimals}") if decimals else Fraction(int(whole), int(divisor or 1))
        if multiple == 0 or (whole and whole != "0" and whole.startswith("0")):
            self.refuse("a multiple is above zero and starts with no idle 0: write 0.5 or 1/2 for a half", at=start)
        self.spaces()
        return multiple

    def part(self) -> tuple[dict[str, Fraction], int]:
        """Read symbols, groups and at the end a charge, up to a dot, a space or the end."""
        groups: list[tuple[str, int, dict[str, Fraction]]] = [("", self.at, {})]
        while self.at < len(self.plain) and self.plain[self.at] not in "·." and not self.plain[self.at].isspace():
            opened, opened_at, atoms = groups[-1]
            character = self.plain[self.at]
            if isotope := _ISOTOPE.match(self.plain, self.at):
                self.isotope(isotope, atoms)
            elif len(groups) == 1 and (charge := _CHARGE.match(self.plain, self.at)):
                return self.closed(groups), self.charge(charge)
            elif character in _CLOSED_BY:
                if len(groups) > MOST_DEPTH:
                    self.refuse(f"brackets nest deeper than {MOST_DEPTH}")
                groups.append((character, self.at, {}))
                self.at += 1
            elif character in _CLOSED_BY.values():
                if not opened or _CLOSED_BY[opened] != character:
                    self.refuse(
                        f"{character!r} closes nothing" if not opened else f"{_CLOSED_BY[opened]!r} was expected"
                    )
                if not atoms:
                    self.refuse("there is nothing in the brackets", at=opened_at)
                self.at += 1
                groups.pop()
                count = self.count(after_bracket=character)
                for symbol, inner in atoms.items():
                    self.add(groups[-1][2], symbol, inner * count)
            else:
                self.symbol(atoms)
        return self.closed(groups), 0

    def closed(self, groups: list[tuple[str, int, dict[str, Fraction]]]) -> dict[str, Fraction]:
        """Return the atoms of a part, every bracket of which must be closed."""
        opened, opened_at, atoms = groups[-1]
        if opened:
            self.refuse(f"{opened!r} is never closed", at=opened_at)
        if not atoms:
            self.refuse("an element symbol was expected")
        return atoms

    def add(self, atoms: dict[str, Fraction], symbol: str, count: Fraction) -> None:
        atoms[symbol] = atoms.get(symbol, Fraction(0)) + count
        if atoms[symbol] > MOST_ATOMS:
            self.refuse(f"more than {MOST_ATOMS} atoms of one element")

    def symbol(self, atoms: dict[str, Fraction]) -> None:
        """Read an element symbol and its count."""
        match = _SYMBOL.match(self.plain, self.at)
        if match is None:
            character = self.plain[self.at]
            if character in "xn":
                self.refuse(f"{character!r} is no number: write how many, or leave the formula out")
            if character.islower():
                self.refuse("a symbol starts with a capital letter")
            self.refuse("an element symbol was expected")
        symbol = match[0]
        if symbol in WITHOUT_STANDARD_WEIGHT:
            self.refuse(f"{symbol} has no standard atomic weight: leave the formula out and state the molar mass")
        if symbol not in ELEMENTS and symbol not in ISOTOPES:
            self.refuse(f"no element is called {symbol!r}")
        self.at = match.end()
        self.add(atoms, symbol, self.count())

    def isotope(self, match: re.Match[str], atoms: dict[str, Fraction]) -> None:
        """Read ``[13C]``, ``[13C6]`` or ``¹³C`` and its count."""
        number = match[1] or match[4].translate(_UNRAISED)
        symbol = match[2] or match[5]
        key = {"2H": "D", "3H": "T"}.get(number + symbol, number + symbol)
        if key not in ISOTOPES:
            known = ", ".join(isotope for isotope in ISOTOPES if isotope.lstrip("0123456789") == symbol)
            self.refuse(f"no mass is known here for {number}{symbol}" + (f"; known are {known}" if known else ""))
        self.at = match.end()
        self.add(atoms, key, self.count() * int(match[3] or 1))

    def count(self, after_bracket: str = "") -> Fraction:
        """Read the count after a symbol or a group, 1 where none is written."""
        match = _COUNT.match(self.plain, self.at)
        if match is None:
            return Fraction(1)
        if ambiguous := _COUNT_OR_CHARGE.match(self.plain, self.at):
            if after_bracket == "]":
                return Fraction(1)  # as in [Fe(CN)6]4-: what follows is the charge
            alone = _SYMBOL.fullmatch(self.plain[: self.at].strip()) is not None
            if alone or after_bracket or len(ambiguous[1]) > 1:
                last, sign = ambiguous[1][-1], ambiguous[2]
                self.refuse(f"count or charge? Write ^{last}{sign} for a charge of {last}, or ^{sign} after a count")
        if match[0][0] == "0" or len(match[0]) > len(str(MOST_ATOMS)) or int(match[0]) > MOST_ATOMS:
            self.refuse(f"a count is a whole number from 1 to {MOST_ATOMS}; a dot adds and is never a decimal point")
        if match[0] == "1" and re.match(r"[.][0-9]", self.plain[match.end() :]):
            self.refuse("a dot adds and is never a decimal point: write the whole counts, as in Fe19O20")
        self.at = match.end()
        return Fraction(int(match[0]))

    def charge(self, match: re.Match[str]) -> int:
        """Read the charge that ends a part."""
        written = next(group for group in match.groups() if group).translate(_UNRAISED)
        size = written.strip("+-")
        if len(size) > 3:
            self.refuse("a charge has at most three digits")
        self.at = match.end()
        if self.at < len(self.plain) and self.plain[self.at] not in "·." and not self.plain[self.at].isspace():
            self.refuse("a charge ends a formula, and more follows")
        number = int(size) if size else len(written)
        return number if "+" in written else -number
