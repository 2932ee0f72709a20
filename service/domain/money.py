"""A sum of money: decimal, with its currency, never a float. Sums of different currencies do not add.

Paid and charged amounts are kept as they were written; the ledger counts in whole millionths of a currency unit, so
that nothing is lost to rounding however small the shares become.
"""

from __future__ import annotations

import re
import reprlib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from typing import Any, Final, Literal, NoReturn

from service.errors import Fault, InvalidInput

Sign = Literal["positive", "non-negative", "any"]

MOST_DIGITS: Final = 15
MOST_DECIMALS: Final = 6
_MICRO: Final = Decimal("0.000001")
_AMOUNT: Final = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_EXPECTED: Final = 'an amount of money such as {"amount": "12.50", "currency": "EUR"}'

_CODES: Final = """
    AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF CHE CHF
    CHW CLF CLP CNY COP COU CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GNF GTQ GYD HKD
    HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT LAK LBP LKR LRD LSL LYD MAD MDL
    MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR RON
    RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS UAH UGX
    USD USN UYI UYU UYW UZS VED VES VND VUV WST XAF XCD XCG XOF XPF YER ZAR ZMW ZWG
"""
CURRENCIES: Final = frozenset(_CODES.split())
"""Alphabetic codes of ISO 4217 that money is counted in: those of Debian's iso-codes 4.15.0 without metals, funds of no
country and testing codes, without the withdrawn ANG, CUC, HRK, SLL and ZWL, and with the newer XCG and ZWG. BGN,
withdrawn at the start of 2026, stays for the receipts of the years before."""


@dataclass(frozen=True, slots=True)
class Money:
    """An exact amount in one currency (ISO 4217 alphabetic code).

    >>> Money(Decimal("12.50"), "EUR") + Money(Decimal("0.25"), "EUR")
    Money(amount=Decimal('12.75'), currency='EUR')
    """

    amount: Decimal
    currency: str

    def __add__(self, other: Money) -> Money:
        """Return the exact sum. Raises ValueError where the currencies differ: a rate and a date are needed first."""
        if not isinstance(other, Money):
            return NotImplemented
        if self.currency != other.currency:
            raise ValueError(f"{self.currency} and {other.currency} do not add: convert one at a dated rate first")
        with localcontext(prec=60):
            return Money(self.amount + other.amount, self.currency)

    def as_dict(self) -> dict[str, str]:
        """Return it as it goes over the wire, with the digits that it has.

        >>> Money(Decimal("12.50"), "EUR").as_dict()
        {'amount': '12.50', 'currency': 'EUR'}
        """
        return {"amount": format(self.amount, "f"), "currency": self.currency}

    def trimmed(self) -> Money:
        """Return the same money without the zeros that end a computed amount; two decimals stay.

        >>> Money(Decimal("24.409000"), "EUR").trimmed(), Money(Decimal("5.900000"), "EUR").trimmed()
        (Money(amount=Decimal('24.409'), currency='EUR'), Money(amount=Decimal('5.90'), currency='EUR'))
        """
        digits = format(self.amount, "f")
        whole, _, decimals = digits.partition(".")
        return Money(Decimal(f"{whole}.{decimals.rstrip('0').ljust(2, '0')}"), self.currency)


def to_micro(amount: Decimal) -> int:
    """Return an amount in whole millionths of its currency unit; a half is rounded to the even one.

    Exact for every amount that :func:`parse_money` takes; an amount that was computed, such as a conversion at a rate,
    is rounded here, once.

    >>> to_micro(Decimal("12.50"))
    12500000
    """
    with localcontext(prec=60):
        return int(amount.quantize(_MICRO, rounding=ROUND_HALF_EVEN).scaleb(MOST_DECIMALS))


def from_micro(micro: int) -> Decimal:
    """Return whole millionths of a currency unit as an amount with six decimals, exactly.

    >>> from_micro(7220001)
    Decimal('7.220001')
    """
    with localcontext(prec=60):
        return Decimal(micro).scaleb(-MOST_DECIMALS)


def parse_money(written: object, *, sign: Sign = "non-negative") -> Money:
    """Read ``{"amount": "12.50", "currency": "EUR"}`` as a client wrote it.

    The amount is decimal text of at most 15 digits, six of them decimals, or a whole JSON number; ``sign`` says whether
    zero (a gift has a price of 0) and negative amounts are acceptable there. Raises :class:`InvalidInput` with one
    fault without a pointer.

    >>> parse_money({"amount": "3.50", "currency": "EUR"})
    Money(amount=Decimal('3.50'), currency='EUR')
    >>> parse_money({"amount": 3.5, "currency": "EUR"})
    Traceback (most recent call last):
    ...
    service.errors.InvalidInput: an amount of money is decimal text: write "3.5", in quotation marks
    """
    if not isinstance(written, Mapping):
        _refuse("not-money", f"{reprlib.repr(written)} is not an amount of money with its currency", written)
    strange = sorted(str(key) for key in written if key not in ("amount", "currency"))
    if strange:
        _refuse(
            "unknown-key", f"an amount of money has amount and currency, and no {reprlib.repr(strange[0])}", written
        )
    for key in ("amount", "currency"):
        if written.get(key) is None:
            _refuse("missing-key", f"an amount of money needs its {key}", written)
    currency = written["currency"]
    if not isinstance(currency, str) or currency not in CURRENCIES:
        meant = currency.strip().upper() if isinstance(currency, str) else ""
        hint = f": did you mean {meant}?" if meant in CURRENCIES else ": write its three letters, such as EUR"
        _refuse("unknown-currency", f"{reprlib.repr(currency)} is no currency of ISO 4217{hint}", currency)
    return Money(_amount(written["amount"], sign), currency)


def _amount(written: object, sign: Sign) -> Decimal:
    if isinstance(written, float):
        _refuse(
            "not-text", f'an amount of money is decimal text: write "{written!r}", in quotation marks', repr(written)
        )
    if isinstance(written, bool) or not isinstance(written, int | str):
        _refuse("not-a-number", f"{reprlib.repr(written)} is not an amount of money", written)
    if isinstance(written, int) and abs(written) >= 10**MOST_DIGITS:
        _refuse("too-many-digits", f"an amount of money has at most {MOST_DIGITS} digits", None)
    text = str(written).strip()
    if _AMOUNT.fullmatch(text) is None:
        if re.search(r"[0-9],[0-9]{1,2}$", text) and text.count(",") == 1 and "." not in text:
            _refuse("decimal-comma", f'write a decimal point: "{text.replace(",", ".")[:40]}"', written)
        if re.fullmatch(r"[+-]?[0-9]+(?:[\s_,.'’][0-9]+)+", text):
            _refuse("digit-grouping", f"{reprlib.repr(text)} has marks between its digits: write 1000.00", written)
        _refuse(
            "not-a-number", f"{reprlib.repr(text)} is not a decimal number: the currency has a key of its own", written
        )
    digits = text.lstrip("+-")
    if len(digits.replace(".", "")) > MOST_DIGITS:
        _refuse("too-many-digits", f"an amount of money has at most {MOST_DIGITS} digits", written)
    if len(digits.partition(".")[2]) > MOST_DECIMALS:
        _refuse("too-many-digits", f"an amount of money has at most {MOST_DECIMALS} decimals", written)
    amount = Decimal(text)
    if amount < 0 and sign != "any":
        _refuse("out-of-range", f"an amount of money cannot be negative here, and {amount} is", written)
    if amount == 0 and sign == "positive":
        _refuse("out-of-range", "an amount of money must be above zero here", written)
    return amount


def _refuse(code: str, detail: str, received: Any) -> NoReturn:
    shown = reprlib.repr(received) if not isinstance(received, str) else received[:64]
    raise InvalidInput([Fault(code=code, detail=detail, received=shown, expected=_EXPECTED)])
