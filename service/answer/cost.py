"""What a gram of a route's product costs, at today's prices and the yields that the record leads one to expect."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.analytics.money.packs import cheapest_packs
from service.analytics.money.standard_cost import StandardCost, StepCost, standard_cost
from service.analytics.money.steady_state import steady_state, with_anew
from service.answer.beside_product import beside_product, not_fed_back
from service.answer.book import Book
from service.answer.by_volume import shown
from service.answer.cost_lines import CostLines
from service.answer.nulls import why_null
from service.answer.prices import Exchange, GramPrice, Shop
from service.answer.route_model import RouteModel
from service.domain.lot import Measured, Strength
from service.domain.money import from_micro
from service.domain.route import Route

METHOD = "standard-cost/2"
ROUTE = "route"


def cost_of(
    book: Book,
    route_code: str,
    *,
    currency: str | None,
    as_of: dt.date,
    labour: bool = False,
    amount_g: float | None = None,
) -> dict[str, Any]:
    """Return the standard cost of a gram of the product, loaded with failures, and where it comes from.

    Money is in ``currency``, the workshop's own where None, at the prices of ``as_of``, per gram of product as
    isolated, dry. Materials, consumables, energy and waste count; hours of labour are always shown, and paid where
    ``labour`` is true. What the runs recover is fed back where the route takes it in, run after run: only what is
    bought or made anew costs.
    ``amount_g`` is the quantity that whole packs are bought for in ``cash_per_g``; one typical last batch where None.
    Raises UnknownRecord for an unknown route, NotComputable for a currency without a rate.
    """
    exchange = Exchange(book, currency or book.workshop.currency, as_of)
    costing = costing_of(book, route_code, exchange, labour=labour)
    found, model = costing.found, costing.model
    dry = model.last.runs.dry_fraction
    contained = model.last.runs.product_fraction
    reasons = dict(found.reasons)
    if found.cost_per_g is None:
        reasons["cost_per_contained_g"] = reasons.get("cost_per_g", "the cost is not known")
    cash_per_g, cash_for_g = _cash(costing, amount_g, reasons)
    return {
        "route": model.route.code,
        "product": model.route.product,
        "basis": "standard",
        "as_of": as_of.isoformat(),
        "currency": exchange.currency,
        "cost_per_g": _per(found.cost_per_g, dry),
        "low": _per(found.low, dry),
        "high": _per(found.high, dry),
        "cost_per_g_good_runs": _per(found.cost_per_g_good_runs, dry),
        "cost_per_contained_g": _per(found.cost_per_g, contained),
        "cash_per_g": cash_per_g,
        "cash_for_g": cash_for_g,
        "labour_h_per_g": _labour(costing, dry, reasons),
        "unpriced": [{"name": name, "reason": costing.why_unpriced(name)} for name in found.unpriced],
        "cost_per_g_at_least": _per(found.cost_per_g_at_least, dry),
        "by_step": [_step_line(costing, place, dry) for place in range(len(model.steps))],
        "by_material": _material_lines(costing, dry),
        "direct": [{"name": name, "cost_per_g": _per(value, dry)} for name, value in found.direct.items()],
        "buy_instead": _buy_instead(costing, model.route.product),
        "not_counted": list(costing.not_counted),
        "capped_runs": [code for step in model.steps for code in step.runs.capped_runs],
        "reasons": reasons,
        "rests_on": book.rests_on(
            as_of,
            METHOD,
            filters={"route": model.route.code, "currency": exchange.currency, "labour": labour},
            runs=sum(len(step.runs.codes) + step.runs.failed for step in model.steps),
            left_out=[dict(left) for step in model.steps for left in step.runs.left_out],
            prices={
                material: {
                    "source": price.source,
                    "code": price.code,
                    **shown(model.by_volume, material, per=price.per_g),
                }
                for material, price in costing.prices.items()
            },
        ),
    }


@dataclass(slots=True)
class Costing:
    """A route with the prices of its materials and what follows from them.

    ``steps`` are the steps as the standard cost sees them, paying for what is bought or made anew, ``good_steps`` the
    same by the good runs alone, ``once`` as they are where nothing that is recovered goes in again; ``anew`` is, a step
    and by material, the fraction that is bought or made anew, 1 where nothing is said. ``made_by``: the one route that
    makes a bought material which no offer, lot or charge prices.
    """

    model: RouteModel
    shop: Shop
    prices: dict[str, GramPrice]
    found: StandardCost
    not_counted: tuple[str, ...]
    unknown_needs: dict[str, str]
    steps: tuple[StepCost, ...]
    good_steps: tuple[StepCost, ...]
    once: tuple[StepCost, ...]
    anew: tuple[Mapping[str, float], ...]
    made_by: dict[str, str]

    def why_unpriced(self, name: str) -> str:
        """Say why a name is without a price."""
        return self.unknown_needs.get(name, "no offer stands, no lot has a value, no charge states a price")


def costing_of(
    book: Book,
    asked: str | Route,
    exchange: Exchange,
    *,
    labour: bool = False,
    above: tuple[str, ...] = (),
    model: RouteModel | None = None,
) -> Costing:
    """Return the standard cost of a route, by its code or as it is given, connected.

    ``above`` are the routes that this one is costed for, to end circles. ``model`` is the route by other runs than all
    of them up to the day of ``exchange``, such as those of one period.
    """
    if model is None:
        model = RouteModel(book, book.route(asked) if isinstance(asked, str) else asked, exchange.as_of)
    route_code = model.route.code
    shop = Shop(book, model.materials, exchange, model.by_volume)
    prices: dict[str, GramPrice] = {}
    made_by: dict[str, str] = {}
    builder = CostLines(model, prices, exchange, labour)
    for material, from_route in model.bought.items():
        price = None if from_route is not None else shop.price(material)
        if price is None:
            routes = [from_route] if from_route is not None else _makers(book, material)
            if len(routes) == 1 and routes[0] not in (*above, route_code):
                made_by[material] = routes[0]
                price = _own_made(costing_of(book, routes[0], exchange, labour=labour, above=(*above, route_code)))
            if price is None and routes:
                builder.unknown_needs[material] = f"made by {', '.join(routes)}, from which no one cost follows"
        if price is not None:
            prices[material] = price
    beside = beside_product(book, model)
    bare = [builder.step_cost(step) for step in model.steps]
    paying = [builder.with_waste(*each) for each in zip(model.steps, bare, beside, strict=True)]
    once = tuple(of_all for of_all, _ in paying)
    parts = list(zip(model.steps, bare, beside, strict=True))
    circles = [builder.circulation(*each) for each in parts]
    state = steady_state(circles)
    good_state = steady_state([builder.circulation(*each, good=True) for each in parts])
    steps, good_steps = (
        tuple(
            with_anew(cost, anew, circle.makers) for cost, anew, circle in zip(costs, found.anew, circles, strict=True)
        )
        for costs, found in ((once, state), ([of_good for _, of_good in paying], good_state))
    )
    return Costing(
        model=model,
        shop=shop,
        prices=prices,
        found=standard_cost(steps, good=good_steps),
        not_counted=(*builder.not_counted, *not_fed_back(model, beside, state.beyond_need_g)),
        unknown_needs=builder.unknown_needs,
        steps=steps,
        good_steps=good_steps,
        once=once,
        anew=state.anew,
        made_by=made_by,
    )


def _own_made(made: Costing) -> GramPrice | None:
    """What a gram as weighed of the product of another route costs, as strong as its runs made it."""
    cost, route = made.found.cost_per_g, made.model.route
    strength = Strength(assay=Measured(made.model.last.runs.product_fraction))
    return None if cost is None else GramPrice(route.product, cost, ROUTE, route.code, strength)


def _makers(book: Book, material: str) -> list[str]:
    return [code for code, route in book.records("routes").items() if route.product == material]


# ---- laying out


def _per(value: float | None, fraction: float) -> float | None:
    return None if value is None else value / fraction


def _step_line(costing: Costing, place: int, dry: float) -> dict[str, Any]:
    model, share = costing.model.steps[place], costing.found.by_step[place]
    figures = {
        "cost_per_g": _per(share.product_cost_per_g, model.runs.dry_fraction),
        "cost_per_g_good_runs": _per(share.product_cost_per_g_good_runs, model.runs.dry_fraction),
        "added_per_g": _per(share.added_per_g, dry),
        "share": share.share,
        "leak_per_g": _per(share.leak_per_g, dry),
        "attainable_per_g": _per(share.attainable_per_g, dry),
    }
    product, reasons = model.step.product, why_null(figures, model.reason)
    line = {"step": share.code, "product": product, **figures, "buy_instead": _buy_instead(costing, product)}
    return line | {"reasons": reasons}


def _material_lines(costing: Costing, dry: float) -> list[dict[str, Any]]:
    """The dearest first; of what has no price the known part, null where that is nothing, and why."""
    grams, unpriced = grams_behind(costing), frozenset(costing.found.unpriced)
    return [
        {
            "material": material,
            "cost_per_g": None if material in unpriced and not cost else _per(cost, dry),
            "reasons": {"cost_per_g": costing.why_unpriced(material)} if material in unpriced else {},
            **{
                f"{key}_per_g": amount
                for key, amount in shown(
                    costing.model.by_volume, material, amount=_per(grams.get(material), dry)
                ).items()
            },
        }
        for material, cost in sorted(costing.found.by_material.items(), key=lambda item: (-item[1], item[0]))
    ]


def grams_behind(costing: Costing) -> dict[str, float]:
    """Return gross grams, or millilitres, of all that is bought anew behind a gram of product as weighed."""
    grams: dict[str, float] = {}
    for model, share, anew in zip(costing.model.steps, costing.found.by_step, costing.anew, strict=True):
        if share.key_input_g is None:
            continue
        batch_g = model.runs.typical_batch_g
        for each in model.inputs:
            if each.maker is None and each.need.per_g is not None:
                fixed = (each.need.per_batch_g or 0.0) / batch_g if batch_g else 0.0
                need_g = share.key_input_g * (each.need.per_g + fixed) * anew.get(each.material, 1.0)
                grams[each.material] = grams.get(each.material, 0.0) + need_g
    return grams


def _buy_instead(costing: Costing, material: str) -> dict[str, Any] | None:
    price = costing.shop.offered(material)
    return None if price is None else {"offer": price.code, "cost_per_g": price.per_g}


def _labour(costing: Costing, dry: float, reasons: dict[str, str]) -> float | None:
    """Hours of work behind a gram, by the hours that the steps state for a batch."""
    hours = 0.0
    for model, share in zip(costing.model.steps, costing.found.by_step, strict=True):
        batch_g, labour = model.runs.typical_batch_g, model.step.labour
        if labour is None or batch_g is None or share.key_input_g is None:
            missing = "labour" if labour is None else "batch to spread it over"
            reasons["labour_h_per_g"] = f"step {model.step.code} states no {missing}"
            return None
        hours += share.key_input_g / batch_g * labour.base()
    return hours / dry


def _cash(costing: Costing, amount_g: float | None, reasons: dict[str, str]) -> tuple[float | None, float | None]:
    """Cash a gram when whole packs are bought for a quantity, shipping included; and that quantity in g."""
    model, last = costing.model, costing.found.by_step[-1]
    runs = model.last.runs
    if amount_g is None and runs.typical_batch_g is not None and last.key_input_g:
        amount_g = runs.typical_batch_g / last.key_input_g * runs.dry_fraction
    if not amount_g:
        reasons["cash_per_g"] = "no run tells what a batch of the last step gives"
        return None, None
    grams = {code: each * amount_g / runs.dry_fraction for code, each in grams_behind(costing).items()}
    # What costs nothing, such as what comes from the tap or from waste, is not bought in packs.
    needs = {code: each for code, each in grams.items() if (p := costing.prices.get(code)) is None or p.per_g > 0.0}
    purchase = cheapest_packs(needs, costing.shop.pack_offers(set(needs), model.worth), costing.shop.terms())
    if purchase.not_offered:
        reasons["cash_per_g"] = f"no offer stands for {', '.join(purchase.not_offered)}"
        return None, amount_g
    return float(from_micro(purchase.cash_micro)) / amount_g, amount_g
