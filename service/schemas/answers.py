"""What every answer has: the problem, the page, the record as it is read, the import report, what the service is.

These describe; answers are built as plain data elsewhere. A key named here is never renamed, keys may be added.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from marshmallow import INCLUDE, Schema, fields

from service.errors import Fault
from service.schemas.fields import AmountField
from service.schemas.finding_reply import FindingReplySchema
from service.schemas.lot import LotSchema, PoolSchema
from service.schemas.material import MaterialSchema
from service.schemas.project import ProjectSchema, WorkshopSchema
from service.schemas.purchase import PurchaseSchema
from service.schemas.route import RouteSchema
from service.schemas.run import RunSchema
from service.schemas.stock_entry import StockEntrySchema
from service.schemas.trade import ExchangeRateSchema, OfferSchema, RateSchema, SupplierSchema


def number(description: str | None = None) -> fields.Float:
    """A computed number; null where the records cannot carry it, with the reason beside."""
    return fields.Float(allow_none=True, metadata={"description": description} if description else {})


def text(description: str | None = None) -> fields.String:
    """A text that may be null."""
    return fields.String(allow_none=True, metadata={"description": description} if description else {})


def count(description: str | None = None) -> fields.Integer:
    """A count."""
    return fields.Integer(strict=True, metadata={"description": description} if description else {})


def many(schema: type[Schema], description: str | None = None) -> fields.List[Any]:
    """A list of objects of one shape."""
    return fields.List(fields.Nested(schema), metadata={"description": description} if description else {})


def why_null(description: str = "why a key is null") -> fields.Dict:
    """Reasons by the keys that they are of."""
    return fields.Dict(keys=fields.String(), values=fields.String(), metadata={"description": description})


class Described(Schema):
    """Something in an answer; more keys may come."""

    class Meta:
        """Says so in the documentation."""

        unknown = INCLUDE


class MoneyAnswer(Described):
    """A sum of money."""

    amount = fields.String(required=True, metadata={"description": "decimal text", "examples": ["12.50"]})
    currency = fields.String(required=True, metadata={"description": "ISO 4217", "examples": ["EUR"]})


class FaultAnswer(Described):
    """One thing wrong in one place: a pointer into the body, a parameter, or a line and column."""

    pointer = fields.String(metadata={"description": "JSON Pointer (RFC 6901) into the body"})
    parameter = fields.String(metadata={"description": "the name of a query parameter"})
    line = fields.Integer(metadata={"description": "line of a text file, from 1"})
    column = fields.Raw(metadata={"description": "name or number of the column", "type": ["string", "integer"]})
    code = fields.String(required=True, metadata={"description": "the reason, for machines"})
    received = fields.Raw(allow_none=True, metadata={"description": "what was sent there, abridged"})
    expected = text("what is taken there")
    detail = fields.String(required=True, metadata={"description": "what is wrong and how to mend it, for people"})


class ProblemAnswer(Described):
    """An error (RFC 9457)."""

    type = fields.String(required=True)
    title = fields.String(required=True)
    status = fields.Integer(required=True, strict=True)
    detail = fields.String(required=True)
    instance = fields.String()
    code = fields.String(metadata={"description": "the reason, for machines"})
    request_id = text("the name under which the log tells of the request")
    faults = many(FaultAnswer, "every fault at once, at most 100 of them")
    more_faults = count("how many faults there are beyond those shown")


class ReplyTold(Described):
    """What was last answered to a finding."""

    code = fields.String()
    answer = fields.String()
    reason = fields.String()
    operator = text()
    by = fields.String()
    at = fields.String(metadata={"format": "date-time"})
    given_at_revision = fields.Integer(strict=True, allow_none=True, metadata={"description": "of the record"})
    record_changed_since = fields.Boolean(allow_none=True)


class FindingAnswer(Described):
    """Something that looks wrong in what was recorded; never repaired, never left out."""

    code = fields.String(required=True)
    detail = fields.String(required=True)
    odds = number("odds that it is a slip, where they were worked out")
    pointer = fields.String()
    about = fields.String(metadata={"description": "what it is about, where a record may have several of a code"})
    id = fields.String(metadata={"description": "what a reply names it by"})
    reply = fields.Nested(ReplyTold, allow_none=True, metadata={"description": "what was last answered to it"})
    slip = fields.String(metadata={"description": "of a slip: what was most likely written down wrong"})
    typical_yield = fields.Float(metadata={"description": "of a slip: what the runs before it gave"})
    compared_runs = count("of a slip: how many runs before it that is the yield of")
    kind = fields.String(metadata={"description": "of an import's: the kind of the record that it is of"})
    record = fields.String(metadata={"description": "of an import's: the code of that record"})


class Stamp(Described):
    """What every record carries when it is read, beside what was written."""

    revision = fields.Integer(required=True, strict=True, metadata={"description": "counts the record's own changes"})
    state = fields.Integer(required=True, strict=True, metadata={"description": "the workshop's state that wrote it"})
    at = fields.String(required=True, metadata={"format": "date-time", "description": "when it was written, UTC"})
    by = fields.String(required=True, metadata={"description": "the name of the token that wrote it"})

    def _unknown_keys(self, body: Mapping[str, Any]) -> Iterator[Fault]:
        """Nothing is unknown in an answer: more keys may come."""
        yield from ()


class WorkshopAnswer(Stamp, WorkshopSchema):
    """The workshop's own record as it is read."""


class ProjectAnswer(Stamp, ProjectSchema):
    """A project as it is read."""


class MaterialAnswer(Stamp, MaterialSchema):
    """A material as it is read."""

    molar_mass_g_per_mol = number()
    molar_mass_u_g_per_mol = number("standard uncertainty")
    elements = fields.Dict(
        keys=fields.String(),
        values=fields.Float(),
        allow_none=True,
        metadata={"description": "atoms in a formula unit"},
    )
    reasons = why_null()


class SupplierAnswer(Stamp, SupplierSchema):
    """A supplier as it is read."""


class ExchangeRateAnswer(Stamp, ExchangeRateSchema):
    """An exchange rate as it is read."""


class RateAnswer(Stamp, RateSchema):
    """A rate as it is read."""


class OfferAnswer(Stamp, OfferSchema):
    """An offer as it is read."""


class MadeBy(Described):
    """The record that makes a lot."""

    kind = fields.String(required=True)
    code = fields.String(required=True)


class LandedLot(Described):
    """What a line of a receipt cost with its share of shipping and tax."""

    lot = text()
    value = fields.Nested(MoneyAnswer, allow_none=True, metadata={"description": "null where nothing was stated"})


class PurchaseAnswer(Stamp, PurchaseSchema):
    """A purchase as it is read."""

    landed = many(LandedLot)


class LotAnswer(Stamp, LotSchema):
    """A lot as it is read; one that a run, a pool or a purchase makes was not written with an amount of its own."""

    amount = AmountField("mass", "volume", "amount")
    made_by = fields.Nested(MadeBy, allow_none=True, metadata={"description": "absent of a lot that was written"})
    on_hand_g = number("what is left of it by the books; below 0 where it is overdrawn")
    on_hand_ml = number("of a lot that is counted so")
    on_hand_mol = number("of a lot that is counted so")
    findings = many(FindingAnswer)
    reasons = why_null()


class RouteAnswer(Stamp, RouteSchema):
    """A route as it is read."""

    upstream = fields.Raw(metadata={"description": "which step feeds which input of which other"})


class PoolAnswer(Stamp, PoolSchema):
    """A pool as it is read."""


class ChargeResult(Described):
    """What one charge held."""

    lot = text()
    material = text()
    gross_g = number()
    contained_g = number()
    contained_mol = number()
    equivalents = number("moles per mole of the limiting reagent")
    stoichiometric_ratio = number("1 for the limiting reagent, above 1 for an excess")
    notes = fields.List(fields.String())
    reasons = why_null()


class RunResult(Described):
    """What follows from what was weighed."""

    limiting_reagent = text()
    theoretical_g = number()
    theoretical_u_g = number("standard uncertainty, as all keys with u")
    net_g = number("as weighed")
    net_u_g = number()
    dry_g = number()
    contained_g = number()
    contained_u_g = number()
    batch_g = number("gross grams of key input")
    yield_fraction = fields.Float(data_key="yield", allow_none=True, metadata={"description": "isolated, a fraction"})
    yield_u = number("standard uncertainty of the yield, from the weighings")
    crude_yield = number()
    recovered_basis_yield = number("on the starting material that was not recovered")
    mass_balance = number("all that came out over all that went in; null where nothing was weighed out")
    mass_balance_u = number()
    charges = many(ChargeResult)
    outturns = fields.List(fields.Dict())
    cost = fields.Dict(metadata={"description": "of a run that is read alone: the sums of /v1/runs/{run}/cost"})
    cost_per_g = number("what a gram of the product carries, as isolated, dry; beside cost")
    reasons = why_null()


class BookedEntry(Described):
    """What a stock entry comes to in the ledger."""

    lot = text()
    kind = text()
    on = text("the day on which it counts: of one that takes another back, that of the other")
    quantity_g = number("signed; quantity_ml or quantity_mol of a lot that is booked so")
    quantity_ml = number()
    quantity_mol = number()
    reasons = why_null()


class StockEntryAnswer(Stamp, StockEntrySchema):
    """A stock entry as it is read, with what it comes to in the ledger."""

    booked = fields.Nested(BookedEntry, allow_none=True)


class RunAnswer(Stamp, RunSchema):
    """A run as it is read, with what follows from it."""

    result = fields.Nested(RunResult)
    findings = many(FindingAnswer)


class FindingReplyRead(Stamp, FindingReplySchema):
    """A reply to a finding as it is read, with the revision of the record that it was given to."""

    given_at_revision = fields.Integer(strict=True, allow_none=True)
    record_changed_since = fields.Boolean(allow_none=True)


RECORD_ANSWERS: Final[Mapping[str, type[Schema]]] = {
    "workshop": WorkshopAnswer,
    "projects": ProjectAnswer,
    "materials": MaterialAnswer,
    "suppliers": SupplierAnswer,
    "exchange-rates": ExchangeRateAnswer,
    "rates": RateAnswer,
    "offers": OfferAnswer,
    "purchases": PurchaseAnswer,
    "lots": LotAnswer,
    "routes": RouteAnswer,
    "pools": PoolAnswer,
    "runs": RunAnswer,
    "stock-entries": StockEntryAnswer,
    "finding-replies": FindingReplyRead,
}


class Page(Described):
    """One page of a list."""

    items = fields.List(fields.Dict(), required=True)
    next = fields.String(required=True, allow_none=True, metadata={"description": "full URL of the next page"})
    limit = fields.Integer(required=True, strict=True)
    count = fields.Integer(strict=True, metadata={"description": "all that pass the filters, where count=true"})


def _page(answer: type[Schema]) -> type[Schema]:
    """A page of such records; its items need not have every key, because ``fields`` leaves out what is not asked."""
    name = answer.__name__.removesuffix("Answer").removesuffix("Read")
    item = type(f"{name}Item", (answer,), {"__doc__": f"{answer.__doc__} With fields, only the keys that it names."})
    items = fields.List(fields.Nested(item(partial=True)), required=True)
    return type(f"{name}Page", (Page,), {"__doc__": "One page of records.", "items": items})


PAGES: Final[Mapping[str, type[Schema]]] = {kind: _page(answer) for kind, answer in RECORD_ANSWERS.items()}


class RevisionAnswer(Described):
    """One change of a record: what it was from then on, null where it was deleted."""

    kind = fields.String()
    code = fields.String()
    revision = count()
    state = count()
    at = fields.String(metadata={"format": "date-time"})
    by = fields.String()
    reason = text()
    record = fields.Dict(allow_none=True)
