"""The kinds of record: their names, their shapes, and the one way from a body to a record."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any, Final, TypeAlias

from marshmallow import ValidationError

from service.domain.finding_reply import FindingReply
from service.domain.lot import Lot, Pool
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.purchase import Purchase
from service.domain.route import Route
from service.domain.run import Run
from service.domain.stock_entry import StockEntry
from service.domain.supplier import Supplier
from service.domain.workshop import ExchangeRate, Project, Rate, Workshop
from service.errors import MOST_FAULTS, Fault, InvalidInput
from service.schemas.fields import CODE
from service.schemas.finding_reply import FindingReplySchema
from service.schemas.lot import LotSchema, PoolSchema
from service.schemas.material import MaterialSchema
from service.schemas.project import ProjectSchema, WorkshopSchema
from service.schemas.purchase import PurchaseSchema
from service.schemas.received import received, shown
from service.schemas.route import RouteSchema
from service.schemas.run import RunSchema
from service.schemas.shape import RecordShape, flattened
from service.schemas.stock_entry import StockEntrySchema
from service.schemas.trade import ExchangeRateSchema, OfferSchema, RateSchema, SupplierSchema

Record: TypeAlias = (
    Workshop | Project | Material | Supplier | ExchangeRate | Rate | Offer | Purchase | Lot | Route | Pool | Run
    | StockEntry | FindingReply
)  # fmt: skip

SCHEMAS: Final[Mapping[str, type[RecordShape]]] = {
    "workshop": WorkshopSchema,
    "projects": ProjectSchema,
    "materials": MaterialSchema,
    "suppliers": SupplierSchema,
    "exchange-rates": ExchangeRateSchema,
    "rates": RateSchema,
    "offers": OfferSchema,
    "purchases": PurchaseSchema,
    "lots": LotSchema,
    "routes": RouteSchema,
    "pools": PoolSchema,
    "runs": RunSchema,
    "stock-entries": StockEntrySchema,
    "finding-replies": FindingReplySchema,
}
KINDS: Final = tuple(SCHEMAS)
"""In the order in which they refer to each other: a record names only records of kinds before its own, and lots."""
WORKSHOP: Final = "workshop"
"""The kind of the workshop's own record, and the one code that it has."""

_SHAPES: Final = {kind: schema() for kind, schema in SCHEMAS.items()}
_SINGULAR: Final = {kind: re.sub("ies$", "y", kind).removesuffix("s") for kind in KINDS}
_PLURAL: Final = {one: kind for kind, one in _SINGULAR.items()}


def singular(kind: str) -> str:
    """Return what one record of a kind is called.

    >>> singular("exchange-rates"), singular("stock-entries"), singular("workshop")
    ('exchange-rate', 'stock-entry', 'workshop')
    """
    return _SINGULAR[kind]


def plural(name: str) -> str:
    """Return the kind of which ``name`` is one record; raises InvalidInput where there is no such kind.

    >>> plural("run")
    'runs'
    """
    if name in _PLURAL:
        return _PLURAL[name]
    near = difflib.get_close_matches(name[:64], _PLURAL, n=1)
    detail = f"no kind of record is called {shown(name)!r}" + (f": did you mean {near[0]!r}?" if near else "")
    raise InvalidInput([Fault("unknown-kind", detail, shown(name), ", ".join(_PLURAL))])


def load_record(kind: str, code: str, body: Any) -> Record:
    """Read the body of one record.

    ``kind`` is one of :data:`KINDS`; ``code`` the record's code, from its address; ``body`` what JSON gave. Returns the
    frozen record; of a route, with its graph. Raises InvalidInput with every fault of the body, each with its JSON
    pointer and what was received there; what other records would have to say is not asked.

    >>> load_record("projects", "pigments", {"name": "pigment bench"})
    Project(code='pigments', name='pigment bench', note=None)
    >>> load_record("projects", "pigments", {"nmae": "pigment bench"})
    Traceback (most recent call last):
    ...
    service.errors.InvalidInput: the record cannot be taken as it stands: 2 faults
    """
    shape = _SHAPES[kind]
    faults = [*_code_faults(kind, code, body)]
    record: Record | None = None
    if not isinstance(body, Mapping):
        expected = "an object with " + ", ".join(shape.keys)
        detail = f"a {singular(kind)} is written as a JSON object"
        faults.append(Fault("wrong-type", detail, expected=expected, pointer=""))
    else:
        try:
            record = shape.record(code, body)
        except ValidationError as refused:
            faults.extend(flattened(refused.messages))
        except InvalidInput as refused:
            faults.extend(refused.faults)
    if faults or record is None:
        # The rest is counted and not shown: a body of unknown keys alone may make a hundred thousand.
        raise InvalidInput([*(received(fault, body) for fault in faults[:MOST_FAULTS]), *faults[MOST_FAULTS:]])
    return record


def _code_faults(kind: str, code: str, body: Any) -> list[Fault]:
    """Return what is wrong with the code itself, and with the one that the body repeats."""
    faults: list[Fault] = []
    if not CODE.fullmatch(code):
        expected = "letters, digits, dot, underscore and hyphen, at most 64, a letter or digit first"
        detail = f"{shown(code)!r} is no code: {expected}"
        faults.append(Fault("bad-code", detail, shown(code), expected, parameter="code"))
    elif kind == WORKSHOP and code != WORKSHOP:
        detail = "the workshop's own record has the code workshop"
        faults.append(Fault("bad-code", detail, code, WORKSHOP, parameter="code"))
    repeated = body.get("code") if isinstance(body, Mapping) else None
    if isinstance(repeated, str) and CODE.fullmatch(repeated) and repeated != code:
        detail = f"the body says {repeated}, the address {shown(code)}: leave the code out of the body"
        faults.append(Fault("another-code", detail, expected=shown(code), pointer="/code"))
    return faults
