"""Entering a route half-way: intermediates bought in place of being made, and what each way of it takes."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from itertools import combinations

from service.analytics.forecast.draws import WHAT_IF_TRIALS, SharedDraws
from service.analytics.money.make_or_buy import Choice, make_or_buy
from service.analytics.money.packs import cheapest_packs
from service.analytics.money.standard_cost import CostLine
from service.analytics.planning.graph import BoughtInput
from service.analytics.planning.inputs import PlanInputs, PlanQuestion, StepInputs
from service.analytics.planning.whole import WholePlan, plan_from
from service.errors import NotComputable

MOST_BOUGHT = 6
"""Intermediates whose ways are all gone through; of more, those nearest the product."""

_ALL_TRIALS = 2  # up to so many, the ways are reckoned on all trials of the question, else on those of a what-if


@dataclass(frozen=True, slots=True)
class Way:
    """One way into the route: the steps whose product is bought, those that are run, and the plan with its purchases.

    ``cash_micro`` in millionths of the currency, None where something is not offered; ``consumed`` None where something
    has no price. ``p_reach`` None where the product itself is bought.
    """

    buy: tuple[str, ...]
    made: tuple[str, ...]
    cash_micro: int | None
    consumed: float | None
    p_reach: float | None


@dataclass(frozen=True, slots=True)
class Entries:
    """The choice at every step by the gram, and every way into the route with packs and set-ups.

    ``left_out``: steps whose product is sold and that were not gone through. ``trials``: of the ways' plans.
    """

    choices: tuple[Choice, ...]
    ways: tuple[Way, ...]
    left_out: tuple[str, ...]
    trials: int


def offered_per_g(inputs: PlanInputs, material: str) -> float | None:
    """Return the price of a gram of need of a material by the offer that is cheapest for it, None where none stands.

    >>> import datetime as dt
    >>> from service.analytics.money.packs import PackOffer
    >>> offers = (PackOffer("a", "soda", "corner", 250.0, 1_000_000),
    ...           PackOffer("b", "soda", "corner", 1000.0, 3_000_000))
    >>> offered_per_g(PlanInputs("r", "x", dt.date(2026, 1, 1), "EUR", (), offers=offers), "soda")
    0.003
    """
    return min(
        (o.price_micro / 1e6 / o.pack_g for o in inputs.offers if o.material == material and o.pack_g > 0), default=None
    )


def bought_instead(inputs: PlanInputs, codes: Collection[str]) -> PlanInputs:
    """Return the inputs with the products of steps ``codes`` bought in place of being made.

    What is in stock of them is used first, as of any bought material; steps that then feed nothing are left out. The
    last step is made in any case. Products that nobody sells have no price.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.standard_cost import StepCost
    >>> from service.analytics.planning.graph import PlanStep
    >>> known = forecast_step([0.6], 0, mass_ratio=False)
    >>> steps = (StepInputs(PlanStep("a", known, 1.0), StepCost("a", 0.6), "r", "a", "ore", "calx"),
    ...          StepInputs(PlanStep("b", known, 1.0, ((0, 1.0),)), StepCost("b", 0.6, (), ((0, 1.0),)), "r", "b",
    ...                     "calx", "salt"))
    >>> found = bought_instead(PlanInputs("r", "salt", dt.date(2026, 1, 1), "EUR", steps), ["a"])
    >>> [step.code for step in found.steps], found.steps[0].plan.bought
    (['b'], (BoughtInput(material='calx', g_per_g=1.0, g_per_batch=0.0, key=True),))
    """
    steps = inputs.steps
    bought = {place for place, step in enumerate(steps[:-1]) if step.code in codes}
    wanted = {len(steps) - 1}
    for place in range(len(steps) - 1, -1, -1):
        if place in wanted:
            wanted.update(earlier for earlier, _ in steps[place].plan.upstream if earlier not in bought)
    kept = sorted(wanted)
    now_at = {place: at for at, place in enumerate(kept)}
    prices = {steps[place].product: offered_per_g(inputs, steps[place].product) for place in bought}
    on_hand = {steps[place].product: steps[place].plan.stock_g for place in bought}
    return replace(
        inputs,
        steps=tuple(_fed_by_purchase(inputs, place, bought, now_at, prices) for place in kept),
        on_hand_g={**inputs.on_hand_g, **on_hand},
        on_hand_counts_as_g={**inputs.on_hand_counts_as_g, **on_hand},
        price_per_g={**inputs.price_per_g, **{name: price for name, price in prices.items() if price is not None}},
    )


def _fed_by_purchase(
    inputs: PlanInputs,
    place: int,
    bought: Collection[int],
    now_at: dict[int, int],
    prices: dict[str, float | None],
) -> StepInputs:
    step = inputs.steps[place]
    upstream = tuple((now_at[earlier], grams) for earlier, grams in step.plan.upstream if earlier not in bought)
    more, lines = [], []
    for earlier, grams in step.plan.upstream:
        if earlier in bought:
            name = inputs.steps[earlier].product
            price = prices[name]
            more.append(BoughtInput(name, grams, key=name == step.key_input))
            lines.append(CostLine(name, None if price is None else grams * price))
    return replace(
        step,
        plan=replace(step.plan, upstream=upstream, bought=(*step.plan.bought, *more)),
        cost=replace(step.cost, upstream=upstream, lines=(*step.cost.lines, *lines)),
    )


def entries_of(inputs: PlanInputs, whole: WholePlan, shared: SharedDraws | None = None) -> Entries:
    """Return whether to make or to buy at every step, by the gram and with whole packs.

    Every set of up to ``MOST_BOUGHT`` intermediates that somebody sells is bought in turn, and the rest planned anew
    for the same target at the same confidence, on the same draws; sets in which one purchase makes another needless
    are passed over. Beside them stands the product itself bought. ``whole``: the plan of all that is made; steps that
    its stock covers are no question.

    >>> import datetime as dt
    >>> from service.analytics.forecast.next_run import forecast_step
    >>> from service.analytics.money.packs import PackOffer
    >>> from service.analytics.money.standard_cost import StepCost
    >>> from service.analytics.planning.graph import PlanStep
    >>> known = forecast_step([0.6, 0.7], 0, mass_ratio=False, pi0=0.0)
    >>> ore = BoughtInput("ore", 1.0, key=True)
    >>> steps = (StepInputs(PlanStep("a", known, 1.0, (), (ore,)), StepCost("a", 0.65, (CostLine("ore", 0.1),)),
    ...                     "r", "a", "ore", "calx"),
    ...          StepInputs(PlanStep("b", known, 1.0, ((0, 1.0),)), StepCost("b", 0.65, (), ((0, 1.0),)), "r", "b",
    ...                     "calx", "salt"))
    >>> offers = (PackOffer("ore", "ore", "corner", 10.0, 1_000_000),
    ...           PackOffer("calx", "calx", "corner", 50.0, 2_000_000))
    >>> inputs = PlanInputs("r", "salt", dt.date(2026, 1, 1), "EUR", steps, price_per_g={"ore": 0.1}, offers=offers)
    >>> found = entries_of(inputs, plan_from(inputs, PlanQuestion(10.0, trials=1024)))
    >>> [choice.decision for choice in found.choices], [(way.buy, way.cash_micro) for way in found.ways]
    (['buy', 'make'], [((), 5000000), (('a',), 2000000)])
    """
    prices = {
        place: price
        for place, step in enumerate(inputs.steps)
        if (price := offered_per_g(inputs, step.product)) is not None
    }
    choices = make_or_buy([step.cost for step in inputs.steps], prices)
    planned = {step.code for step in whole.plan.campaign.steps if step.batches}
    sold = [inputs.steps[place].code for place in sorted(prices, reverse=True) if place < len(inputs.steps) - 1]
    open_to = [code for code in sold if code in planned]
    taken = open_to[:MOST_BOUGHT]
    question = whole.question
    if len(taken) > _ALL_TRIALS and question.trials > WHAT_IF_TRIALS:
        question = replace(question, trials=WHAT_IF_TRIALS)
        whole = plan_from(inputs, question, shared)
    ways = [_way((), whole), *_ways(inputs, question, taken, SharedDraws() if shared is None else shared)]
    last = inputs.steps[-1]
    if len(inputs.steps) - 1 in prices:
        grams = question.target_g / inputs.dry_fraction
        purchase = cheapest_packs({last.product: grams}, inputs.offers, inputs.terms)
        ways.append(Way((last.code,), (), purchase.cash_micro, grams * prices[len(inputs.steps) - 1], None))
    return Entries(choices, tuple(ways), tuple(open_to[MOST_BOUGHT:]), question.trials)


def _ways(inputs: PlanInputs, question: PlanQuestion, taken: list[str], shared: SharedDraws) -> Iterator[Way]:
    for many in range(1, len(taken) + 1):
        for codes in combinations(taken, many):
            changed = bought_instead(inputs, codes)
            bought = {each.material for step in changed.steps for each in step.plan.bought}
            if {step.product for step in inputs.steps if step.code in codes} <= bought:
                try:
                    yield _way(codes, plan_from(changed, question, shared))
                except NotComputable:
                    continue  # no plan of this way reaches the target; the others stand


def _way(codes: tuple[str, ...], whole: WholePlan) -> Way:
    purchase = whole.shopping.purchase
    cash = None if purchase.not_offered else purchase.cash_micro
    made = tuple(step.code for step in whole.plan.campaign.steps if step.batches)
    return Way(codes, made, cash, whole.consumed, whole.plan.campaign.p_reach)
