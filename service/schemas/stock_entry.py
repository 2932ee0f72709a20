"""Stock entries as they are written: what is noted of a lot after it came to the shelf."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from service.domain.stock_entry import ASSAY, ENTRY_KINDS, RECOUNT, StockEntry
from service.errors import Fault
from service.schemas.fields import AmountField, ChoiceField, CodeField, DateField, FractionField, TextField
from service.schemas.lot import strength_rules
from service.schemas.material import LONGEST_NOTE
from service.schemas.rules import needed, not_both
from service.schemas.run import LONGEST_OPERATOR, with_strength
from service.schemas.shape import STAMPED, RecordShape, given

LONGEST_REASON: Final = 500
ASSAYED_KEYS: Final = ("assay", "loss_on_drying", "concentration", "density")


class StockEntrySchema(RecordShape):
    """One note about a lot. It is never edited and never removed: another entry takes it back."""

    makes = StockEntry
    computed = STAMPED | {"booked"}

    code = CodeField()
    lot = CodeField()
    kind = ChoiceField(ENTRY_KINDS)
    on = DateField(required=True, description="a recount is of the end of that day")
    amount = AmountField("mass", "volume", "amount", sign="non-negative")
    assay = FractionField(above_zero=True, description="mass fraction of the wanted substance, on the dry basis")
    loss_on_drying = FractionField(below_one=True, description="mass fraction lost on drying")
    concentration = AmountField("molar-concentration", "mass-concentration")
    density = AmountField("density")
    reverses = CodeField(description="the entry that was wrong; lot, kind and amount are then those of that one")
    reason = TextField(LONGEST_REASON)
    operator = TextField(LONGEST_OPERATOR)
    project = CodeField()
    note = TextField(LONGEST_NOTE)

    def rules(self, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        """Each kind states what it needs, and nothing that it has no use for."""
        if given(body, "reverses"):
            for key in ("lot", "kind", "amount", *ASSAYED_KEYS):
                yield from not_both(body, "reverses", key, "what is taken back is as that entry has it")
            yield from needed(body, "reason", "say why the entry was wrong")
            return
        for key in ("lot", "kind"):
            yield from needed(body, key, "an entry is of a kind and about a lot, unless it reverses another")
        kind = data.get("kind")
        if kind == ASSAY:
            yield from self._assay(body)
        elif kind is not None:
            yield from self._amount(kind, data, body)

    def _assay(self, body: Mapping[str, Any]) -> Iterable[Fault]:
        yield from strength_rules(body)
        if given(body, "amount"):
            detail = "an assay takes nothing: write the sample that it used as an entry of the kind sample"
            yield Fault("conflicting-keys", detail, pointer="/amount")
        if not any(given(body, key) for key in ASSAYED_KEYS):
            detail = f"the assay found nothing: state one of {', '.join(ASSAYED_KEYS)}"
            yield Fault("missing", detail, expected=", ".join(ASSAYED_KEYS), pointer="/assay")

    def _amount(self, kind: str, data: Mapping[str, Any], body: Mapping[str, Any]) -> Iterable[Fault]:
        yield from needed(body, "amount", "so much was counted" if kind == RECOUNT else "so much was taken")
        for key in ASSAYED_KEYS:
            if given(body, key):
                detail = f"{key} belongs to an entry of the kind assay: write it as one of its own"
                yield Fault("conflicting-keys", detail, pointer=f"/{key}")
        amount = data.get("amount")
        if kind != RECOUNT and amount is not None and amount.value == 0:
            detail = f"a {kind} of nothing says nothing: only a recount may find 0"
            yield Fault("out-of-range", detail, expected="an amount above 0", pointer="/amount")

    def make(self, values: dict[str, Any]) -> StockEntry:
        """Build it with the strength that an assay found."""
        return StockEntry(**with_strength(values))
