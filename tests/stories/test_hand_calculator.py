"""Plans over HTTP beside a hand calculator: small routes whose every figure can be worked out on paper.

The chance of a bound is Student's t on the scale, as the methods have it; amounts come from some thousands of trials,
and are compared within what these leave open.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from scipy import stats

from tests.answer.test_plan import ONLY_SQLITE
from tests.stories.bench import Bench

pytestmark = ONLY_SQLITE

YIELDS = (0.62, 0.55, 0.70)
NEAR = 0.05
"""Amounts near a tenth percentile on 16,384 trials are good to some per cent where a few in a hundred fail."""


def eur(amount: float | str, currency: str = "EUR") -> dict[str, str]:
    return {"amount": str(amount), "currency": currency}


def bound(yields: tuple[float, ...], confidence: float, *, ln: bool = False, failed: int = 0, others: int = 0) -> float:
    """What the next run gives at the least with a confidence: k runs, failures, and so many runs of other steps."""
    k, values = len(yields), np.array(yields)
    x = np.log(values) if ln else np.log(values / (1 - values))
    squares, nu = float(((x - x.mean()) ** 2).sum()), 3 + k - 1
    variance = max((3 * (0.35 if ln else 0.6) ** 2 + squares) / nu, squares / (k - 1))
    fails = (failed + 10 * 0.5 / (others + 10)) / (k + failed + 10)
    t = stats.t.ppf(1 - confidence / (1 - fails), nu)
    found = math.exp(x.mean() + math.sqrt(variance * (1 + 1 / k)) * t)
    return float(found if ln else found / (1 + found))


class Workshop(Bench):
    """A workshop that makes pure from crude by washing it, and whatever else it is told."""

    runs = 0

    def route(self, code: str, product: str, *steps: dict[str, Any]) -> None:
        self.put(f"routes/{code}", {"name": code, "product": product, "steps": list(steps)})

    def materials(self, *codes: str, **keys: Any) -> None:
        for code in codes:
            self.put(f"materials/{code}", {"name": code, **keys})

    def offer(self, code: str, material: str, pack: str, price: dict[str, str], **keys: Any) -> None:
        body = {"material": material, "supplier": "shop", "pack": pack, "price": price, **keys}
        self.put(f"offers/{code}", body)

    def run(
        self, route: str, step: str, key: str, product: str, grams: float, ratio: float, *more: Any, **keys: Any
    ) -> None:
        """A run of ``grams`` that gave ``ratio`` times them, nothing where that is 0."""
        self.runs += 1
        body: dict[str, Any] = {"route": route, "step": step, "status": "finished" if ratio else "failed"}
        body["finished_on"] = f"2026-03-{self.runs % 27 + 1:02d}"
        body["charges"] = [{"material": key, "amount": f"{grams} g"}, *more]
        net = {"material": product, "net": f"{grams * ratio:.6f} g", **keys}
        self.put(f"runs/R-{self.runs}", body | {"outturns": [net] if ratio else []})

    def washes(self, *, yields: tuple[float, ...] = YIELDS, grams: float = 100.0, failed: int = 0, **keys: Any) -> None:
        self.materials("pure")
        self.materials("crude", analyte="pure")
        self.route("r", "pure", {"code": "wash", "basis": "recovery", "key_input": "crude", "product": "pure", **keys})
        for each in (*yields, *[0.0] * failed):
            self.run("r", "wash", "crude", "pure", grams, each)

    def plan(self, route: str = "r", **asked: str) -> dict[str, Any]:
        return self.get(f"routes/{route}/plan", acknowledge="batch-beyond-record", as_of="2026-11-25", **asked)


@pytest.fixture
def shop(client: FlaskClient) -> Workshop:
    shop = Workshop(client)
    shop.put("workshop", {"title": "small", "currency": "EUR"})
    shop.put("suppliers/shop", {"name": "shop"})
    return shop


def start(plan: dict[str, Any], material: str = "crude") -> float:
    return next(float(each["amount_g"]) for each in plan["starting_materials"] if each["material"] == material)


def needs(plan: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {each["material"]: each for each in plan["materials"]}


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9])
def test_one_step(shop: Workshop, confidence: float) -> None:
    shop.washes()
    shop.offer("crude", "crude", "1 kg", eur(20))
    plan = shop.plan(target="10g", confidence=str(confidence))
    assert start(plan) == pytest.approx(10 / bound(YIELDS, confidence), rel=NEAR)
    assert plan["p_max"] == pytest.approx(1 - 0.5 / 13)
    assert start(plan["at_the_mean"]) == pytest.approx(10 / np.mean(YIELDS))
    assert plan["cost"]["consumed_estimate"] == pytest.approx(start(plan) * 0.02)
    assert plan["cost"]["cash"]["amount"] == "20.00"
    assert needs(plan)["crude"]["left_over_g"] == pytest.approx(1000 - start(plan))


def test_spare_batches_and_failures(shop: Workshop) -> None:
    """Beta(½ + 3, 13 - ½) after three of six; two batches fail together in a(a + 1)/((a + b)(a + b + 1))."""
    shop.washes(failed=3)
    plan = shop.plan(target="10g")
    (step,) = plan["steps"]
    assert (step["batches"], step["spare_batches"]) == (2, 1)
    assert plan["p_max_without_spares"] == pytest.approx(1 - 3.5 / 16)
    assert plan["p_max"] == pytest.approx(1 - 3.5 * 4.5 / (16 * 17))
    three = shop.plan(target="10g", spare="wash", confidence="0.95")
    assert three["p_max"] == pytest.approx(1 - 3.5 * 4.5 * 5.5 / (16 * 17 * 18))
    shop.offer("crude", "crude", "1 kg", eur(20))
    cost = shop.get("routes/r/cost")
    assert cost["cost_per_g"] == pytest.approx(0.02 * 6 / sum(YIELDS))
    assert cost["cost_per_g_good_runs"] == pytest.approx(0.02 * 3 / sum(YIELDS))


def test_a_smallest_batch_above_the_need_and_a_line_for_each_batch(shop: Workshop) -> None:
    shop.materials("salt", "rinse")
    bill = [{"material": "salt", "per_batch": "5 g"}, {"material": "rinse", "per_key_input": "2 g/g"}]
    shop.washes(key_input_limits={"smallest": "80 g", "largest": "120 g"}, bill=bill)
    shop.offer("crude", "crude", "1 kg", eur(20))
    shop.offer("salt", "salt", "100 g", eur(3))
    shop.offer("rinse", "rinse", "1 kg", eur(1))
    small = shop.plan(target="10g")
    assert {name: each["need_g"] for name, each in needs(small).items()} == {"crude": 80, "salt": 5, "rinse": 160}
    assert small["cost"]["consumed_estimate"] == pytest.approx(80 * 0.02 + 5 * 0.03 + 160 * 0.001)
    spare = shop.plan(target="10g", spare="wash")
    assert {name: each["need_g"] for name, each in needs(spare).items()} == {"crude": 160, "salt": 10, "rinse": 320}
    large = shop.plan(target="100g", confidence="0.8")
    (step,) = large["steps"]
    assert step["batches"] == math.ceil(step["key_input_g"] / 120) == 2
    assert needs(large)["salt"]["need_g"] == 10
    # 24.00 pays for a pack of each, of which the rinse is gone first: 500 g of crude in batches of up to 120 g.
    most = shop.plan(budget="24EUR")
    assert most["cost"]["cash"]["amount"] == "24.00"
    assert (most["runs_out_first"], most["steps"][0]["batches"]) == ("rinse", 5)
    assert start(most) == pytest.approx(500, rel=1e-4)
    told = shop.refused("routes/r/plan?budget=23.99EUR", method="GET").get_json(force=True)
    assert "cost 24.00 EUR, and 23.99 are there" in told["detail"]


def test_a_budget_that_buys_nothing_and_an_order_that_is_too_small(shop: Workshop) -> None:
    shop.washes(grams=5000.0)
    shop.offer("crude", "crude", "1 kg", eur(20))
    told = shop.refused("routes/r/plan?budget=0.50EUR", method="GET").get_json(force=True)
    assert told["runs_out_first"] == "crude"
    assert "cost 20.00 EUR, and 0.50 are there" in told["detail"]
    pack = shop.plan(budget="20EUR")
    assert pack["target_g"] == pytest.approx(1000 * bound(YIELDS, 0.9), rel=NEAR)
    shop.put("suppliers/shop", {"name": "shop", "minimum_order": eur(45)})
    assert shop.plan(target="10g")["cost"]["cash"]["amount"] == "60.00"
    told = shop.refused("routes/r/plan?budget=44EUR", method="GET").get_json(force=True)
    assert "cost 60.00 EUR, and 44.00 are there" in told["detail"]


def test_the_shelf_alone_without_what_has_expired(shop: Workshop) -> None:
    """What expires today may be used today; what expired yesterday may not."""
    shop.washes()
    shop.offer("crude", "crude", "1 kg", eur(20))
    for code, grams, day in (("old", 500, "2026-11-24"), ("edge", 50, "2026-11-25"), ("new", 40, "2026-12-01")):
        if code == "edge":
            told = shop.refused("routes/r/plan?from_stock=true&as_of=2026-11-25", method="GET").get_json(force=True)
            assert told["runs_out_first"] == "crude"
        shop.put(f"lots/{code}", {"material": "crude", "amount": f"{grams} g", "expires_on": day})
    plan = shop.plan(from_stock="true")
    assert plan["target_g"] == pytest.approx(90 * bound(YIELDS, 0.9), rel=NEAR)
    assert plan["stock_left_out"] == [{"lot": "old", "material": "crude", "reason": "expired on 2026-11-24"}]
    assert plan["cost"]["cash"]["amount"] == "0.00"


class Imagined:
    """Workshops drawn by themselves: level, scatter and chance of failure of a step, on the scale of a mass ratio."""

    def __init__(self, ratios: tuple[float, ...], others: int, rng: np.random.Generator, trials: int = 200_000) -> None:
        x, k, nu = np.log(ratios), len(ratios), 3 + len(ratios) - 1
        squares = float(((x - x.mean()) ** 2).sum())
        variance = max((3 * 0.35**2 + squares) / nu, squares / (k - 1))
        self.rng, self.trials = rng, trials
        self.sigma = np.sqrt(nu * variance / rng.chisquare(nu, trials))
        self.level = x.mean() + self.sigma / math.sqrt(k) * rng.standard_normal(trials)
        chance = 10 * 0.5 / (others + 10)
        self.fails = rng.beta(chance, k + 10 - chance, trials)

    def batch(self) -> Any:
        ratio = np.exp(self.level + self.sigma * self.rng.standard_normal(self.trials))
        return ratio * (self.rng.random(self.trials) >= self.fails)


MILLED, FIRED = (0.8, 0.7, 0.75), (0.5, 0.6, 0.55)


def test_two_steps_and_what_is_in_between(shop: Workshop) -> None:
    shop.materials("ore", "flour", "calx")
    mill = {"code": "mill", "basis": "mass-ratio", "key_input": "ore", "product": "flour"}
    fire = {"code": "fire", "basis": "mass-ratio", "key_input": "flour", "product": "calx"}
    shop.route("r", "calx", mill, fire)
    for one, two in zip(MILLED, FIRED, strict=True):
        shop.run("r", "mill", "ore", "flour", 100, one)
        shop.run("r", "fire", "flour", "calx", 100, two)
    shop.offer("ore", "ore", "1 kg", eur(10))
    rng = np.random.default_rng(3)
    first, second = (Imagined(ratios, 3, rng).batch() for ratios in (MILLED, FIRED))

    plan = shop.plan(target="10g", stock="none")
    # The trials leave 0.0023 open; a start of the least that reaches leans to the lower side.
    assert float((start(plan, "ore") * first * second >= 10).mean()) == pytest.approx(0.9, abs=0.008)
    assert plan["p_max"] == pytest.approx((1 - 10 * 0.5 / 13 / 13) ** 2)
    shop.put("lots/some", {"material": "flour", "amount": "5 g"})
    shop.put("lots/gone", {"material": "flour", "amount": "200 g", "expires_on": "2026-10-01"})
    some = shop.plan(target="10g")
    amount = start(some, "ore")
    assert float(((amount * first + 5) * second >= 10).mean()) == pytest.approx(0.9, abs=0.008)
    worth = 0.01 / float(np.mean(MILLED))
    assert some["cost"]["consumed_estimate"] == pytest.approx(amount * 0.01 + 5 * worth)
    shop.put("lots/plenty", {"material": "flour", "amount": "100 g"})
    full = shop.plan(target="10g")
    taken = 10 / bound(FIRED, 0.9, ln=True, others=3)
    assert full["starting_materials"] == []
    assert [step["batches"] for step in full["steps"]] == [0, 1]
    assert full["steps"][0]["from_stock_g"] == pytest.approx(taken, rel=NEAR)
    assert full["cost"]["consumed_estimate"] == pytest.approx(full["steps"][0]["from_stock_g"] * worth)


GOLD, SAND, MIXED = (0.8, 0.6, 0.7), (0.5, 0.7, 0.6), (1.8, 1.9, 1.95)


def test_two_branches_of_which_one_is_cheap(shop: Workshop) -> None:
    """1:1, gold at 50 a gram and sand at a thousandth: the sand should never be the one that is short."""
    shop.materials("gold", "sand", "leaf", "glass", "bead")
    beat = {"code": "beat", "basis": "mass-ratio", "key_input": "gold", "product": "leaf"}
    melt = {"code": "melt", "basis": "mass-ratio", "key_input": "sand", "product": "glass"}
    mix = {"code": "mix", "basis": "mass-ratio", "key_input": "leaf", "product": "bead"}
    mix["bill"] = [{"material": "glass", "per_key_input": "1 g/g"}]  # type: ignore[assignment]
    shop.route("r", "bead", beat, melt, mix)
    for one, two, three in zip(GOLD, SAND, MIXED, strict=True):
        shop.run("r", "beat", "gold", "leaf", 500, one)
        shop.run("r", "melt", "sand", "glass", 500, two)
        shop.run("r", "mix", "leaf", "bead", 500, three, {"material": "glass", "amount": "500 g"})
    shop.offer("gold", "gold", "1 g", eur(50))
    shop.offer("sand", "sand", "1 kg", eur(1))
    plan = shop.plan(target="50g")
    gold, sand = start(plan, "gold"), start(plan, "sand")
    rng = np.random.default_rng(5)
    beaten, melted, mixed = (Imagined(ratios, 6, rng).batch() for ratios in (GOLD, SAND, MIXED))
    reached = np.minimum(gold * beaten, sand * melted) * mixed >= 50
    assert float(reached.mean()) == pytest.approx(0.9, abs=0.01)
    assert plan["cost"]["consumed_estimate"] == pytest.approx(gold * 50 + sand * 0.001)

    def cost(times: float) -> float:
        per_gold = np.minimum(beaten, times * melted) * mixed
        least = float(np.quantile(per_gold, 0.1, method="lower"))
        return (50 + times * 0.001) * 50 / least

    grid = [cost(times) for times in np.linspace(1, 10, 40)]
    assert plan["cost"]["consumed_estimate"] < min(grid) * 1.03
    assert plan["branches"]["cost_at_the_bill"] > 1.1 * plan["cost"]["consumed_estimate"]
    # Begun in two waves, it is the gold that is saved, and the promise kept.
    body = {"target": "50 g", "in_hand": [{"step": "beat", "amount": "0.01 g"}], "acknowledge": ["batch-beyond-record"]}
    told = self_asked(shop, "routes/r/carry-on", body)["two_waves"]
    assert told["p_reach"] >= 0.9
    used = {each["material"]: each["amount_g"] for each in told["expected_use"]}
    assert used["gold"] < 0.7 * gold
    assert told["cost"]["saves"] == pytest.approx(told["cost"]["single_start"] - told["cost"]["expected"])
    # Nearly all of the money is gold: what is saved is, too.
    single = {each["material"]: each["amount_g"] for each in told["single_start"]}
    assert told["cost"]["saves"] == pytest.approx(50 * (single["gold"] - used["gold"]), rel=0.02)


def self_asked(shop: Workshop, path: str, body: dict[str, Any]) -> dict[str, Any]:
    answer = shop.client.post(f"/v1/{path}", json=body)
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.get_json()
    return told


def test_a_reagent_of_a_route_of_its_own(shop: Workshop) -> None:
    slaked, etched = (0.5, 0.55, 0.45), (0.9, 0.85, 0.8)
    shop.materials("soda", "lye", "rock", "gem")
    slake = {"code": "slake", "basis": "mass-ratio", "key_input": "soda", "product": "lye"}
    shop.route("sub", "lye", slake | {"key_input_limits": {"largest": "40 g"}})
    bill = [{"material": "lye", "per_key_input": "2 g/g", "from_route": "sub"}]
    etch = {"code": "etch", "basis": "mass-ratio", "key_input": "rock", "product": "gem", "bill": bill}
    shop.route("r", "gem", etch)
    for one, two in zip(slaked, etched, strict=True):
        shop.run("sub", "slake", "soda", "lye", 100, one)
        shop.run("r", "etch", "rock", "gem", 100, two, {"material": "lye", "amount": "200 g"})
    shop.offer("soda", "soda", "1 kg", eur(5))
    shop.offer("rock", "rock", "100 g", eur(3))
    plan = shop.plan(target="20g")
    steps = {step["step"]: step for step in plan["steps"]}
    soda, batches = steps["sub/slake"]["key_input_g"], steps["sub/slake"]["batches"]
    assert batches == math.ceil(soda / 40)
    rng = np.random.default_rng(7)
    lye, gem = Imagined(slaked, 3, rng), Imagined(etched, 3, rng)
    made = sum(lye.batch() for _ in range(batches)) / batches * soda
    assert float((made / 2 * gem.batch() >= 20).mean()) == pytest.approx(0.9, abs=0.01)
    planned = {name: each["planned_g"] for name, each in needs(plan).items()}
    assert plan["cost"]["consumed_estimate"] == pytest.approx(planned["soda"] * 0.005 + planned["rock"] * 0.03)
    # What meets the lye is bought for the good batches too.
    assert needs(plan)["rock"]["need_g"] > planned["rock"]


def test_a_minimum_assay_of_what_is_in_between(shop: Workshop) -> None:
    shop.materials("pure", "ore")
    shop.materials("crude", analyte="pure")
    dig = {"code": "dig", "basis": "mass-ratio", "key_input": "ore", "product": "crude", "minimum_assay": "0.8"}
    shop.route("r", "pure", dig, {"code": "wash", "basis": "recovery", "key_input": "crude", "product": "pure"})
    for each in YIELDS:
        shop.run("r", "dig", "ore", "crude", 100, 0.5, assay="0.9")
        charge = {"material": "crude", "amount": "100 g", "assay": "0.9"}
        outturn = {"material": "pure", "net": f"{90 * each} g"}
        body = {"route": "r", "step": "wash", "status": "finished", "finished_on": "2026-04-01", "charges": [charge]}
        shop.put(f"runs/W-{each}", body | {"outturns": [outturn]})
    shop.put("lots/weak", {"material": "crude", "amount": "100 g", "assay": "0.79"})
    shop.put("lots/just", {"material": "crude", "amount": "9 g", "assay": "0.8"})
    plan = shop.plan(target="30g")
    reason = "its assay 0.79 is below the 0.8 that the step asks for"
    assert plan["stock_left_out"] == [{"lot": "weak", "material": "crude", "reason": reason}]
    # 9 g at 0.8 stand for 8 g of the 0.9 that is planned with.
    assert plan["steps"][0]["from_stock_g"] == pytest.approx(9 * 0.8 / 0.9)


def test_currencies(shop: Workshop) -> None:
    shop.washes()
    shop.offer("crude", "crude", "1 kg", eur(20, "USD"))
    told = shop.refused("routes/r/plan?target=10g", method="GET").get_json(force=True)
    assert "USD to EUR" in told["detail"]
    rate = {"base": "USD", "quote": "EUR", "rate": "0.8", "valid_from": "2026-01-01"}
    shop.put("exchange-rates/usd", rate)
    in_eur, in_usd = shop.plan(target="10g"), shop.plan(target="10g", currency="USD")
    assert (in_eur["cost"]["cash"]["amount"], in_usd["cost"]["cash"]["amount"]) == ("16.00", "20.00")
    assert in_eur["cost"]["consumed_estimate"] == pytest.approx(0.8 * in_usd["cost"]["consumed_estimate"])
    assert shop.plan(budget="20USD")["target_g"] == shop.plan(budget="16EUR")["target_g"]


def test_packs_of_two_shops_with_terms(shop: Workshop) -> None:
    """Every order of up to a dozen packs of each offer, gone through."""
    shop.materials("salt")
    shop.washes(bill=[{"material": "salt", "per_key_input": "1 g/g"}])
    post = {"name": "post", "shipping": eur(6), "free_from": eur(30), "minimum_order": eur(10)}
    shop.put("suppliers/post", post)
    shop.put("suppliers/shop", {"name": "shop", "shipping": eur(3)})
    shop.offer("c20", "crude", "20 g", eur(4), supplier="post")
    shop.offer("c50", "crude", "50 g", eur(12))
    shop.offer("s30", "salt", "30 g", eur("1.5"))
    shop.offer("s100", "salt", "100 g", eur(9), supplier="post")
    for target in (20, 45, 110):
        plan = shop.plan(target=f"{target}g")
        wanted = {name: each["to_buy_g"] for name, each in needs(plan).items()}
        least = math.inf
        for c20, c50, s30, s100 in itertools.product(range(24), range(10), range(16), range(6)):
            if c20 * 20 + c50 * 50 < wanted["crude"] or s30 * 30 + s100 * 100 < wanted["salt"]:
                continue
            posted, walked = c20 * 4 + s100 * 9, c50 * 12 + s30 * 1.5
            if 0 < posted < 10:
                continue
            least = min(least, posted + walked + (6 if 0 < posted < 30 else 0) + (3 if walked else 0))
        assert float(plan["cost"]["cash"]["amount"]) == pytest.approx(least), target


def test_a_mass_ratio_above_1(shop: Workshop) -> None:
    ratios = (1.6, 1.9, 1.4)
    shop.materials("wool", "dyed")
    shop.route("r", "dyed", {"code": "dye", "basis": "mass-ratio", "key_input": "wool", "product": "dyed"})
    for each in ratios:
        shop.run("r", "dye", "wool", "dyed", 500, each)
    shop.offer("wool", "wool", "100 g", eur(7))
    plan = shop.plan(target="100g")
    assert start(plan, "wool") == pytest.approx(100 / bound(ratios, 0.9, ln=True), rel=NEAR)
    assert start(plan["at_the_mean"], "wool") == pytest.approx(100 / np.mean(ratios))
    # More comes out than goes in: water that no bill names, and no waste is told.
    assert plan["expected"]["waste_g"] is None
    assert plan["cost"]["consumed_estimate"] == pytest.approx(start(plan, "wool") * 0.07)


def test_a_content(shop: Workshop) -> None:
    """Root with 2 % of dye, of which six tenths are got; a lot of twice the strength counts twice."""
    shop.materials("dye")
    shop.materials("root", contents={"dye": "0.02"})
    step = {"code": "boil", "basis": "content", "key_input": "root", "product": "dye", "analyte": "dye"}
    shop.route("r", "dye", step)
    for each in YIELDS:
        shop.run("r", "boil", "root", "dye", 1000, each * 0.02)
    shop.offer("root", "root", "1 kg", eur(30))
    shop.put("lots/rich", {"material": "root", "amount": "100 g", "contents": {"dye": "0.04"}})
    plan = shop.plan(target="5g")
    assert start(plan, "root") == pytest.approx(5 / 0.02 / bound(YIELDS, 0.9), rel=NEAR)
    root = needs(plan)["root"]
    assert (root["on_hand_g"], root["on_hand_counts_as_g"]) == (100, 200)
    assert root["to_buy_g"] == pytest.approx(root["need_g"] - 200)
    assert shop.get("routes/r/cost")["cost_per_g"] == pytest.approx(0.03 / 0.02 / np.mean(YIELDS))


def test_opinions_and_nothing_at_all(shop: Workshop) -> None:
    """P10, P50 and P90 of 0.4, 0.6, 0.7, the lower side a t of 3 degrees 1.6 times as wide; then nothing is stated."""
    shop.washes(yields=(), expected_yield={"low": "0.4", "likely": "0.6", "high": "0.7"})
    ln = [math.log(each / (1 - each)) for each in (0.4, 0.6)]
    t = stats.t.ppf(1 - 0.9 / 0.95, 3)
    low = ln[1] + 1.6 * (ln[1] - ln[0]) / stats.t.ppf(0.9, 3) * t
    assert start(shop.plan(target="10g")) == pytest.approx(10 * (1 + math.exp(-low)), rel=NEAR)
    shop.put("routes/r", {"name": "r", "product": "pure", "steps": [WASH], "change": "revision"})
    nothing = shop.plan(target="10g")
    assert start(nothing) == pytest.approx(10 * (1 + math.exp(-(0.4 + 1.2 * t))), rel=0.1)
    assert nothing["cost"]["complete"] is False
    assert needs(nothing)["crude"]["reasons"]["packs"] == "no offer for crude"


WASH = {"code": "wash", "basis": "recovery", "key_input": "crude", "product": "pure"}


def test_strengths_and_wet_product(shop: Workshop) -> None:
    """Crude of 80 % so far, sold at 40 %: a kilogram of that is half a kilogram of what is planned with. The product
    holds a tenth of water, and the target is dry."""
    shop.materials("pure")
    shop.materials("crude", analyte="pure")
    shop.route("r", "pure", WASH)
    for number, each in enumerate(YIELDS):
        body = {"route": "r", "step": "wash", "status": "finished", "finished_on": "2026-03-01"}
        charge = {"material": "crude", "amount": "100 g", "assay": "0.8"}
        wet = {"material": "pure", "net": f"{80 * each / 0.9:.6f} g", "loss_on_drying": "0.1"}
        shop.put(f"runs/X-{number}", body | {"charges": [charge], "outturns": [wet]})
    shop.offer("crude", "crude", "1 kg", eur(20), assay="0.4")
    shop.put("lots/weak", {"material": "crude", "amount": "10 g", "assay": "0.4"})
    plan = shop.plan(target="10g")
    assert start(plan) == pytest.approx(10 / 0.8 / bound(YIELDS, 0.9), rel=NEAR)
    crude = needs(plan)["crude"]
    assert (crude["on_hand_g"], crude["on_hand_counts_as_g"]) == (10, 5)
    assert crude["left_over_g"] == pytest.approx(500 - (crude["need_g"] - 5), abs=1e-5)
    assert plan["cost"]["consumed_estimate"] == pytest.approx(start(plan) * 0.02 / 0.5)
    dry = plan["expected"]["product_g"]
    assert plan["steps"][0]["expected_product_g"] == pytest.approx(dry / 0.9)
    assert plan["cost"]["per_g_expected"] == pytest.approx(plan["cost"]["consumed_estimate"] / dry)
