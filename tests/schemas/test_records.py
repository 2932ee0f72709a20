"""Each rule of each kind both ways: what is refused, where, by which code; and what beside it is taken."""

from __future__ import annotations

import copy
import dataclasses
import datetime as dt
from decimal import Decimal
from typing import Any

import pytest

from service.errors import InvalidInput
from service.schemas.kinds import KINDS, SCHEMAS, plural, singular
from service.schemas.shape import STAMPED
from tests.schemas.bodies import BODIES, STEP, altered, code_of, faults, load, places

EUR = {"amount": "1", "currency": "EUR"}
RECOVERED = {"material": "blue-vitriol", "role": "recovered", "lot": "vitriol-r", "net": "1.0 g"}

REFUSED: list[tuple[str, str, Any, str, str]] = [
    # kind, place, what is put there, pointer of the fault, its code
    ("workshop", "/currency", "EURO", "/currency", "unknown-currency"),
    ("workshop", "/room_volume", "60 kg", "/room_volume", "wrong-dimension"),
    ("workshop", "/limits/0", {"material": "a", "source": "b", "on": "2026-01-01"}, "/limits/0", "missing"),
    ("projects", "/name", "", "/name", "empty"),
    ("projects", "/name", "x" * 201, "/name", "too-long"),
    ("projects", "/note", "bell\x07", "/note", "bad-character"),
    ("materials", "/name", ..., "/name", "missing"),
    ("materials", "/name", None, "/name", "missing"),
    ("materials", "/molar_mass", "249.68 g/mol", "/molar_mass", "conflicting-keys"),
    ("materials", "/formula", "CuSO4.5Hx2O", "/formula", "bad-formula"),
    ("materials", "/cas", "7758-99-7", "/cas", "bad-cas"),
    ("materials", "/cas", "7758-998", "/cas", "bad-cas"),
    ("materials", "/phase", "solide", "/phase", "unknown-word"),
    ("materials", "/hazards/1", "h318", "/hazards/1", "bad-hazard"),
    ("materials", "/contents/alizarin", "1.2", "/contents/alizarin", "out-of-range"),
    ("materials", "/contents", {"no code": "0.1"}, "/contents/no code", "bad-code"),
    ("materials", "/lower_flammable_limit", "4 %", "/lower_flammable_limit", "unknown-unit"),
    ("materials", "/solvent", "yes", "/solvent", "wrong-type"),
    ("suppliers", "/shipping/amount", "-1", "/shipping/amount", "out-of-range"),
    ("suppliers", "/shipping/currency", "XXX", "/shipping/currency", "unknown-currency"),
    ("suppliers", "/shipping/vat", "1", "/shipping/vat", "unknown-key"),
    ("exchange-rates", "/quote", "USD", "/quote", "conflicting-keys"),
    ("exchange-rates", "/rate", "0.92 ± 0.01", "/rate", "bad-uncertainty"),
    ("exchange-rates", "/rate", "0", "/rate", "out-of-range"),
    ("rates", "/per", "1 kg", "/per", "wrong-dimension"),
    ("rates", "/class", "copper", "/class", "conflicting-keys"),
    ("rates", "/of", "rent", "/of", "unknown-word"),
    ("offers", "/valid_to", "2026-02-28", "/valid_to", "wrong-order"),
    ("offers", "/valid_from", "1899-12-31", "/valid_from", "out-of-range"),
    ("offers", "/valid_to", "2201-01-01", "/valid_to", "out-of-range"),
    ("offers", "/valid_from", "2026-02-30", "/valid_from", "bad-date"),
    ("offers", "/valid_from", "2026-3-1", "/valid_from", "bad-date"),
    ("offers", "/valid_from", "20260301", "/valid_from", "bad-date"),
    ("offers", "/valid_from", "2026-03-01T00:00:00Z", "/valid_from", "bad-date"),
    ("offers", "/pack", "0 kg", "/pack", "out-of-range"),
    ("lots", "/concentration", "6 mol/L", "/concentration", "conflicting-keys"),
    ("lots", "/loss_on_drying", "1", "/loss_on_drying", "out-of-range"),
    ("lots", "/assay", "0", "/assay", "out-of-range"),
    ("lots", "/expires_on", "2026-03-03", "/expires_on", "wrong-order"),
    ("lots", "/amount", ..., "/amount", "missing"),
    ("lots", "/origin", "stolen", "/origin", "unknown-word"),
    ("pools", "/from", [], "/from", "too-few"),
    ("pools", "/from/1/lot", "malachite-031", "/from/1/lot", "repeated-code"),
    ("pools", "/from/0/lot", "malachite-p3", "/from/0/lot", "own-ancestor"),
    ("pools", "/from/0/amount", ..., "/from/0/amount", "missing"),
    ("purchases", "/lines", [], "/lines", "too-few"),
    ("purchases", "/supplier", ..., "/supplier", "missing"),
    ("purchases", "/share_by", "weight", "/share_by", "unknown-word"),
    ("purchases", "/received_on", "2026-03-01", "/received_on", "wrong-order"),
    ("purchases", "/lines/0/expires_on", "2026-03-03", "/lines/0/expires_on", "wrong-order"),
    ("purchases", "/lines/1/lot", "acid-08", "/lines/1/lot", "repeated-code"),
    ("purchases", "/lines/0/packs", 0, "/lines/0/packs", "out-of-range"),
    ("purchases", "/lines/0/packs", "2", "/lines/0/packs", "wrong-type"),
    ("purchases", "/lines/0/amount", "1 L", "/lines/0/amount", "conflicting-keys"),
    ("purchases", "/lines/0/offer", ..., "/lines/0/offer", "missing"),
    ("purchases", "/lines/1/amount", ..., "/lines/1/amount", "missing"),
    ("purchases", "/lines/1/material", None, "/lines/1/material", "missing"),
    ("purchases", "/lines/1", {"lot": "ash-2"}, "/lines/1", "missing"),
    ("purchases", "/lines/0/concentration", "6 mol/L", "/lines/0/concentration", "conflicting-keys"),
    ("purchases", "/lines/1/price/currency", "USD", "/lines/1/price/currency", "mixed-currencies"),
    ("purchases", "/tax/currency", "USD", "/tax/currency", "mixed-currencies"),
    ("purchases", "/landed", [], "/landed", "unknown-key"),
    ("stock-entries", "/lot", ..., "/lot", "missing"),
    ("stock-entries", "/kind", ..., "/kind", "missing"),
    ("stock-entries", "/on", ..., "/on", "missing"),
    ("stock-entries", "/amount", ..., "/amount", "missing"),
    ("stock-entries", "/amount", "0 g", "/amount", "out-of-range"),
    ("stock-entries", "/amount", "-1 g", "/amount", "out-of-range"),
    ("stock-entries", "/kind", "theft", "/kind", "unknown-word"),
    ("stock-entries", "/kind", "assay", "/amount", "conflicting-keys"),
    ("stock-entries", "/kind", "assay", "/assay", "missing"),
    ("stock-entries", "/assay", "0.9", "/assay", "conflicting-keys"),
    ("stock-entries", "/reverses", "e-1", "/lot", "conflicting-keys"),
    ("stock-entries", "/reverses", "e-1", "/amount", "conflicting-keys"),
    ("routes", "/change", "rewrite", "/change", "unknown-word"),
    ("routes", "/steps", [], "/steps", "too-few"),
    ("routes", "/steps/0/bill", [{"material": "w", "per_batch": "1 g"}] * 51, "/steps/0/bill", "too-many"),
    ("routes", "/steps/0/bill/0", {"material": "soda-ash"}, "/steps/0/bill/0", "missing"),
    ("routes", "/steps/0/bill/0/per_batch", "1 g", "/steps/0/bill/0/per_batch", "conflicting-keys"),
    ("routes", "/steps/0/bill/1/per_key_input", "8 mL", "/steps/0/bill/1/per_key_input", "wrong-dimension"),
    ("routes", "/steps/0/reaction", ..., "/steps/0/reaction", "missing"),
    ("routes", "/steps/0/reaction/reactants/soda-ash", 1.5, "/steps/0/reaction/reactants/soda-ash", "bad-coefficient"),
    ("routes", "/steps/0/reaction/reactants/soda-ash", True, "/steps/0/reaction/reactants/soda-ash", "bad-coefficient"),
    ("routes", "/steps/0/reaction/reactants/soda-ash", 0, "/steps/0/reaction/reactants/soda-ash", "bad-coefficient"),
    ("routes", "/steps/0/reaction/products", ..., "/steps/0/reaction/products", "missing"),
    ("routes", "/steps/0/reaction/left", {}, "/steps/0/reaction/left", "unknown-key"),
    ("routes", "/steps/0/key_input", "scrap", "/steps/0/key_input", "not-in-reaction"),
    ("routes", "/steps/0/basis", "content", "/steps/0/analyte", "missing"),
    ("routes", "/steps/0/basis", "guess", "/steps/0/basis", "unknown-word"),
    ("routes", "/steps/0/expected_yield/low", "0.85", "/steps/0/expected_yield/likely", "wrong-order"),
    ("routes", "/steps/0/expected_yield/high", "1.0", "/steps/0/expected_yield/high", "out-of-range"),
    ("routes", "/steps/0/expected_yield/low", "0", "/steps/0/expected_yield/low", "out-of-range"),
    ("routes", "/steps/0/key_input_limits/smallest", "1 kg", "/steps/0/key_input_limits/smallest", "wrong-order"),
    ("routes", "/steps/0/key_input_limits/largest", "1 L", "/steps/0/key_input_limits/largest", "wrong-dimension"),
    ("routes", "/steps/0/foams", 1, "/steps/0/foams", "wrong-type"),
    ("routes", "/steps/0/vessel", "2 kg", "/steps/0/vessel", "wrong-dimension"),
    ("routes", "/steps/0/cautions", ["x"] * 51, "/steps/0/cautions", "too-many"),
    ("runs", "/status", "done", "/status", "unknown-word"),
    ("runs", "/finished_on", "2026-04-10", "/finished_on", "wrong-order"),
    ("runs", "/charges", [], "/charges", "too-few"),
    ("runs", "/charges", [{"lot": "a", "amount": "1 g"}] * 201, "/charges", "too-many"),
    ("runs", "/charges/0", {"amount": "1 g"}, "/charges/0", "missing"),
    ("runs", "/charges/0/amount", "1,5 g", "/charges/0/amount", "decimal-comma"),
    ("runs", "/charges/2/assay", "0.3", "/charges/2/concentration", "conflicting-keys"),
    ("runs", "/charges/1/price/per", ..., "/charges/1/price/per", "missing"),
    ("runs", "/charges/1/price/per", "1 h", "/charges/1/price/per", "wrong-dimension"),
    ("runs", "/charges/1/price", EUR, "/charges/1/price/per", "missing"),
    ("runs", "/outturns/0/tare", ..., "/outturns/0/tare", "missing"),
    ("runs", "/outturns/0/gross", ..., "/outturns/0/gross", "missing"),
    ("runs", "/outturns/0/net", "20 g", "/outturns/0/gross", "conflicting-keys"),
    ("runs", "/outturns/1/net", ..., "/outturns/1", "missing"),
    ("runs", "/outturns/0/tare", "142.32 g", "/outturns/0/gross", "negative-net"),
    ("runs", "/outturns/0/tare", "142.31 g", "/outturns/0/gross", "negative-net"),
    ("runs", "/outturns/0/gross", ["142.31 g", "0.1 kg"], "/outturns/0/gross/1", "negative-net"),
    ("runs", "/outturns/0/gross", ["142.31 g", "x"], "/outturns/0/gross/1", "not-a-number"),
    ("runs", "/outturns/0/gross", [], "/outturns/0/gross", "too-few"),
    ("runs", "/outturns/0/cost_share", "1.1", "/outturns/0/cost_share", "out-of-range"),
    ("runs", "/outturns/1/cost_share", "0.2", "/outturns", "out-of-range"),
    ("runs", "/outturns/2", RECOVERED | {"cost_share": "0.05"}, "/outturns", "shares-not-one"),
    ("runs", "/outturns/2", RECOVERED | {"credit": EUR}, "/outturns", "shares-not-one"),
    ("runs", "/outturns/3/credit/currency", "euro", "/outturns/3/credit/currency", "unknown-currency"),
    ("runs", "/outturns/3/cost_share", "0.01", "/outturns/3/cost_share", "conflicting-keys"),
    ("runs", "/outturns/0/realisable_value", EUR, "/outturns/0/realisable_value", "conflicting-keys"),
    ("runs", "/outturns/3/realisable_value", EUR, "/outturns/3/realisable_value", "conflicting-keys"),
    ("runs", "/outturns/1/realisable_value", EUR, "/outturns/1/realisable_value", "not-with-role"),
    ("runs", "/outturns/2/lot", ..., "/outturns/2/lot", "missing"),
    ("runs", "/outturns/2/realisable_value/amount", "-1", "/outturns/2/realisable_value/amount", "out-of-range"),
    ("runs", "/outturns/3/role", "product", "/outturns/3/credit", "not-with-role"),
    ("runs", "/outturns/3/lot", ..., "/outturns/3/lot", "missing"),
    ("runs", "/outturns/1/lot", "malachite-031", "/outturns/1/lot", "repeated-code"),
    ("runs", "/outturns/1/lot", "vitriol-012", "/outturns/1/lot", "own-ancestor"),
    ("runs", "/outturns", [], "/outturns", "missing"),
    ("runs", "/outturns", None, "/outturns", "missing"),
    ("runs", "/status", "failed", "/outturns/0/role", "not-with-status"),
    ("runs", "/status", "open", "/outturns", "not-with-status"),
    ("runs", "/status", "open", "/finished_on", "not-with-status"),
    ("runs", "/exclude", {}, "/exclude/reason", "missing"),
    ("runs", "/exclude", "wrong flask", "/exclude", "wrong-type"),
    ("runs", "/tags", ["x"] * 21, "/tags", "too-many"),
    ("runs", "/tags", ["two words"], "/tags/0", "bad-code"),
    ("runs", "/all_weighed", "true", "/all_weighed", "wrong-type"),
    ("runs", "/labour", "-1 h", "/labour", "out-of-range"),
]


@pytest.mark.parametrize(("kind", "place", "value", "pointer", "code"), REFUSED)
def test_refused(kind: str, place: str, value: Any, pointer: str, code: str) -> None:
    assert (pointer, code) in places(kind, altered(kind, place, value))


TAKEN: list[tuple[str, str, Any]] = [
    ("workshop", "/currency", ...),
    ("workshop", "/limits", None),
    ("materials", "/formula", ...),
    ("materials", "/contents", {}),
    ("suppliers", "/shipping", {"amount": 0, "currency": "EUR"}),
    ("offers", "/valid_to", "2026-03-01"),
    ("offers", "/pack", {"value": "25", "unit": "kg"}),
    ("lots", "/assay", None),
    ("lots", "/expires_on", "2026-03-04"),
    ("lots", "/value", {"amount": "0", "currency": "EUR"}),
    ("routes", "/steps/0/name", ...),
    ("routes", "/steps/0/reaction_enthalpy", None),
    ("routes", "/steps/0/key_input_limits", {}),
    ("routes", "/steps/0/key_input_limits/smallest", "250 g"),
    ("routes", "/steps/0/expected_yield", {"low": "0.7", "likely": "0.7", "high": "0.7"}),
    ("runs", "/charges/0/material", "blue-vitriol"),
    ("runs", "/finished_on", "2026-04-11"),
    ("runs", "/outturns/0/gross", ["142.31 g", "0.15 kg"]),
    ("runs", "/outturns/1/cost_share", "0.1"),
    ("runs", "/outturns/2", RECOVERED | {"cost_share": "0.1"}),
    ("runs", "/outturns/0/tare", "0.00 g"),
    ("purchases", "/lines/0/packs", ...),
    ("purchases", "/lines/0/price", ...),
    ("purchases", "/lines/1/price", {"amount": "0", "currency": "EUR"}),
    ("purchases", "/share_by", None),
    ("stock-entries", "/amount", {"value": "0.5", "unit": "mL"}),
    ("runs", "/exclude", None),
    ("runs", "/tags", None),
    ("runs", "/status", "abandoned"),
]


@pytest.mark.parametrize(("kind", "place", "value"), TAKEN)
def test_taken(kind: str, place: str, value: Any) -> None:
    assert faults(kind, altered(kind, place, value)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_sound_body_makes_a_frozen_record(kind: str) -> None:
    record = load(kind, BODIES[kind])
    assert dataclasses.is_dataclass(record)
    assert getattr(record, "code", "workshop") == code_of(kind)
    name = dataclasses.fields(record)[0].name
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(record, name, "other")


@pytest.mark.parametrize("kind", KINDS)
def test_a_body_is_left_as_it_was(kind: str) -> None:
    body = copy.deepcopy(BODIES[kind])
    load(kind, body)
    assert body == BODIES[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_null_is_as_good_as_absent_where_a_key_is_optional(kind: str) -> None:
    required = {field.data_key or name for name, field in SCHEMAS[kind]().fields.items() if field.required}
    optional = set(SCHEMAS[kind]().keys) - required
    least = {key: value for key, value in BODIES[kind].items() if key in required}
    if kind == "runs":
        least["outturns"] = BODIES[kind]["outturns"]
        optional.remove("outturns")
    if kind == "stock-entries":
        keys = ("lot", "kind", "amount")
        least |= {key: BODIES[kind][key] for key in keys}
        optional -= set(keys)
    assert load(kind, least) == load(kind, {**least, **dict.fromkeys(optional)})


@pytest.mark.parametrize("kind", KINDS)
def test_each_required_key_is_missed(kind: str) -> None:
    required = {field.data_key or name for name, field in SCHEMAS[kind]().fields.items() if field.required}
    assert {(f"/{key}", "missing") for key in required} <= places(kind, {})


@pytest.mark.parametrize("kind", KINDS)
def test_what_the_service_computes_is_refused_by_name(kind: str) -> None:
    computed = SCHEMAS[kind].computed
    assert computed >= STAMPED
    found = faults(kind, {**BODIES[kind], **dict.fromkeys(computed, 1)})
    assert {fault.pointer for fault in found} == {f"/{key}" for key in computed}
    assert {fault.code for fault in found} == {"unknown-key"}
    assert all("computed by the service: leave it out" in fault.detail for fault in found)


def test_the_nearest_key_is_offered() -> None:
    (fault,) = faults("runs", {**BODIES["runs"], "labor": "1 h"})
    assert (fault.pointer, fault.code, fault.received) == ("/labor", "unknown-key", "1 h")
    assert "did you mean 'labour'?" in fault.detail
    (inner,) = faults("runs", altered("runs", "/charges/0/ammount", "1 g"))
    assert inner.pointer == "/charges/0/ammount"
    assert "'amount'" in inner.detail


@pytest.mark.parametrize(
    ("written", "hint"),
    [("finshed", "did you mean 'finished'?"), ("Finished", "did you mean 'finished'?"), ("done", "it is one of open")],
)
def test_a_word_is_offered_only_where_it_is_a_slip_of_the_pen(written: str, hint: str) -> None:
    (fault,) = faults("runs", {**BODIES["runs"], "status": written})
    assert (fault.code, hint in fault.detail) == ("unknown-word", True), fault.detail


@pytest.mark.parametrize("kind", KINDS)
def test_the_code_in_a_body_may_repeat_its_address_and_no_more(kind: str) -> None:
    assert load(kind, {**BODIES[kind], "code": code_of(kind)}) == load(kind, BODIES[kind])
    (fault,) = faults(kind, {**BODIES[kind], "code": "another"})
    assert (fault.pointer, fault.code, fault.received) == ("/code", "another-code", "another")


@pytest.mark.parametrize("code", ["", "a b", ".a", "x" * 65, "a\n", "ä", "a/b", "\ud800"])
def test_a_code_that_is_none(code: str) -> None:
    (fault,) = faults("projects", BODIES["projects"], code)
    assert (fault.parameter, fault.code) == ("code", "bad-code")


def test_there_is_one_workshop() -> None:
    assert [fault.code for fault in faults("workshop", BODIES["workshop"], "second")] == ["bad-code"]


@pytest.mark.parametrize("body", [None, [], "text", 3, True, [{}]])
def test_a_body_that_is_no_object(body: Any) -> None:
    (fault,) = faults("materials", body)
    assert (fault.pointer, fault.code) == ("", "wrong-type")


def test_every_fault_at_once() -> None:
    body = altered("runs", "/charges/0/amount", "1,5 g")
    body["charges"][1]["price"] = {"amount": "x", "currency": "?"}
    body["outturns"][0]["tare"] = "200 g"
    body["labor"] = "1 h"
    body["finished_on"] = "2026-04-01"
    del body["route"]
    assert places("runs", body) == {
        ("/route", "missing"),
        ("/charges/0/amount", "decimal-comma"),
        ("/charges/1/price/amount", "not-a-number"),
        ("/charges/1/price/currency", "unknown-currency"),
        ("/charges/1/price/per", "missing"),
        ("/outturns/0/gross", "negative-net"),
        ("/labor", "unknown-key"),
        ("/finished_on", "wrong-order"),
    }


def test_a_fault_shows_what_was_received_and_what_is_expected() -> None:
    (fault,) = faults("runs", altered("runs", "/charges/0/amount", {"value": "1", "unit": "gr"}))
    assert fault.received == {"value": "1", "unit": "gr"}
    assert fault.expected is not None
    assert fault.as_dict()["pointer"] == "/charges/0/amount"


def test_steps_have_codes_of_their_own() -> None:
    body = {**BODIES["routes"], "steps": [STEP, STEP]}
    assert ("/steps/1/code", "repeated-code") in places("routes", body)


def test_a_route_comes_with_its_graph() -> None:
    grind = {"code": "grind", "basis": "mass-ratio", "key_input": "malachite", "product": "green"}
    route = load("routes", {"name": "green", "product": "green", "steps": [grind, STEP]})
    assert dict(route.upstream) == {("grind", "malachite"): "carbonate"}
    assert route.steps[0].name == "grind"
    idle = {"name": "green", "product": "malachite", "steps": [grind, STEP]}
    assert places("routes", idle) == {("/steps/0/product", "leads-nowhere")}


def test_a_mass_ratio_may_exceed_one_and_no_step_makes_its_own_input() -> None:
    lake = {
        "code": "lake",
        "basis": "mass-ratio",
        "key_input": "extract",
        "product": "lake",
        "expected_yield": {"low": "2.1", "likely": "2.4", "high": "2.7"},
    }
    assert load("routes", {"name": "lake", "product": "lake", "steps": [lake]}).steps[0].expected_yield.high == 2.7
    round_trip = {"name": "lake", "product": "lake", "steps": [{**lake, "key_input": "lake"}]}
    assert ("/steps/0/product", "own-input") in places("routes", round_trip)


def test_two_sources_of_one_input() -> None:
    body = altered("routes", "/steps/0/from_step", "other")
    body["steps"][0]["from_route"] = "another"
    assert ("/steps/0/from_route", "conflicting-keys") in places("routes", body)


def test_statuses() -> None:
    body = BODIES["runs"]
    started = {key: value for key, value in body.items() if key not in ("outturns", "finished_on")}
    assert load("runs", {**started, "status": "open"}).outturns == ()
    recovered = [{"material": "blue-vitriol", "role": "recovered", "lot": "back-1", "net": "20.1 g"}]
    assert load("runs", {**body, "status": "failed", "outturns": recovered}).outturns[0].role == "recovered"
    assert ("/outturns", "missing") in places("runs", {**body, "outturns": recovered})


def test_the_record_of_a_run() -> None:
    run = load("runs", BODIES["runs"])
    assert (run.started_on, run.excluded, run.tags) == (dt.date(2026, 4, 11), "wrong flask", ("new-beaker",))
    assert run.charges[1].price.price.amount == Decimal("3.50")
    assert run.charges[1].price.per.text() == "1 kg"
    assert run.charges[2].strength.molarity.value == 6.0
    product = run.outturns[0]
    assert [portion.text() for portion in product.gross] == ["142.31 g"]
    assert (product.role, product.strength.loss_on_drying.value, product.strength.assay.value) == (
        "product",
        0.02,
        0.96,
    )
    portions = load("runs", altered("runs", "/outturns/0/gross", ["142.31 g", "0.150 kg"])).outturns[0].gross
    assert [portion.text() for portion in portions] == ["142.31 g", "0.150 kg"]


def test_the_record_of_a_material() -> None:
    material = load("materials", BODIES["materials"])
    assert round(material.molar_mass_g_per_mol, 2) == 249.68  # CIAAW standard atomic weights 2021, abridged
    assert material.contents["alizarin"].text() == "0.012 ± 0.002"
    bare = load("materials", {"name": "tallow", "molar_mass": "860(20) g/mol"})
    assert (bare.molar_mass_g_per_mol, bare.molar_mass_u_g_per_mol) == (860.0, 20.0)


def test_a_lot_may_say_that_its_strength_has_no_hazards() -> None:
    assert load("lots", BODIES["lots"]).hazards == ()
    assert load("lots", altered("lots", "/hazards", ...)).hazards is None


def test_limits_are_in_grams() -> None:
    limits = load("routes", altered("routes", "/steps/0/key_input_limits", {"largest": "0.25 kg"})).steps[0].limits
    assert (limits.smallest_g, limits.largest_g) == (None, 250.0)


@pytest.mark.parametrize("kind", KINDS)
def test_names_of_a_kind(kind: str) -> None:
    assert plural(singular(kind)) == kind


def test_a_kind_that_is_none() -> None:
    with pytest.raises(InvalidInput, match="did you mean 'material'"):
        plural("materials")


def test_a_recount_may_find_nothing_and_an_assay_takes_nothing() -> None:
    counted = {"lot": "malachite-031", "kind": "recount", "on": "2026-05-02", "amount": "0 g"}
    assert faults("stock-entries", counted) == []
    found = {"lot": "malachite-031", "kind": "assay", "on": "2026-05-02", "loss_on_drying": "0.02", "density": "1 g/mL"}
    entry = load("stock-entries", found)
    assert entry.strength.loss_on_drying.value == 0.02
    assert entry.amount is None


def test_what_takes_an_entry_back_says_why_and_nothing_else() -> None:
    assert places("stock-entries", {"reverses": "e-1", "on": "2026-05-02"}) == {("/reason", "missing")}
    assert faults("stock-entries", {"reverses": "e-1", "on": "2026-05-02", "reason": "the other jar"}) == []


def test_what_a_failed_run_leaves_over_is_the_failures() -> None:
    recovered = {"material": "ethanol", "role": "recovered", "lot": "e-r", "net": "1 g", "cost_share": "0.05"}
    body = {**BODIES["runs"], "status": "failed", "outturns": [recovered]}
    assert faults("runs", body) == []
    product = {"material": "ester", "lot": "e-1", "net": "1 g", "cost_share": "0.95"}
    assert faults("runs", {**BODIES["runs"], "outturns": [product, recovered]}) == []
    assert places("runs", {**BODIES["runs"], "outturns": [{**product, "cost_share": "0.94"}, recovered]}) == {
        ("/outturns", "shares-not-one")
    }
    handed_over = {"material": "ester", "net": "1 g"}
    assert faults("runs", {**BODIES["runs"], "outturns": [handed_over, recovered]}) == []
