"""Whether a run kept to its step's bill: what was charged far beyond it, far short of it, or beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from service.domain.charge import density_of
from service.domain.feed import Feed
from service.domain.finding import Finding
from service.domain.quantity import Quantity
from service.domain.route import BillLine
from service.domain.run import FINISHED

FAR_OFF = 2.0
"""A charge beyond this many times what the bill asks, or short of it by as much, has left the bill (judgement)."""


def off_bill(feed: Feed) -> Iterator[Finding]:
    """Yield where the charges of a run leave the bill of its step; nothing where the step has no bill.

    A material counts as its substance, crude or pure. ``not-on-bill``: a charge of what is neither key input, nor on
    the bill, nor in the reaction. ``off-bill``: all charges of a line's material together, over what the line asks of
    the key input charged (moles for equivalents, as contained; else gross g, or mL), are beyond :data:`FAR_OFF` or
    below its inverse. That too little was charged is asked of finished runs only. What cannot be worked out is passed
    over here: a reactant that is missing is found by the theoretical amount.

    >>> from service.domain.material import Material
    >>> from service.domain.quantity import parse_quantity
    >>> from service.domain.route import Step
    >>> from service.domain.run import Charge, Run
    >>> charge = lambda text, code: Charge(parse_quantity(text, ("mass",)), material=code)
    >>> water = BillLine("water", per_key_input=parse_quantity("10 g/g", ("mass-per-mass",)))
    >>> step = Step("boil", "boil", "mass-ratio", key_input="root", product="dye", bill=(water,))
    >>> run = Run("r1", "lake", "boil", FINISHED, (charge("5 g", "root"), charge("500 g", "water")))
    >>> materials = {code: Material(code, code) for code in ("root", "water", "dye")}
    >>> [(found.code, found.about) for found in off_bill(Feed(run, step, materials, {}, lambda code, why: None))]
    [('off-bill', 'water')]
    """
    step = feed.step
    if not step.bill:
        return
    reaction = step.reaction
    reactants = () if reaction is None else tuple(reaction.reactants)
    billed = (step.key_input, *(line.material for line in step.bill), *reactants)
    # Of a material that nothing is known of, nothing but itself is charged.
    known = {feed.analyte(code) if code in feed.materials else code for code in billed}
    beside = dict.fromkeys(name for name in feed.names if feed.analyte(name) not in known)
    for name in beside:
        place = feed.names.index(name)
        detail = f"{name} was charged, and is not on the bill of step {step.code}"
        yield Finding("not-on-bill", detail, place=f"/charges/{place}", about=name)
    finished = feed.run.status == FINISHED
    for line in step.bill:
        times = _times_of_bill(feed, line)
        if times is not None and (times > FAR_OFF or (finished and times < 1.0 / FAR_OFF)):
            detail = f"{times:.3g} times the {line.material} that the bill of step {step.code} asks for was charged"
            yield Finding("off-bill", detail, place=f"/charges/{feed.of(line.material)[0]}", about=line.material)


def _times_of_bill(feed: Feed, line: BillLine) -> float | None:
    """Return what was charged of a line's material over what the line asks; None where that is not known.

    None too where nothing of it was charged, and where the line is of the key input itself. See :func:`off_bill`.
    """
    if line.material not in feed.materials:
        return None
    places = feed.of(line.material)
    if not places or feed.analyte(line.material) == feed.analyte(feed.step.key_input):
        return None
    if line.equivalents is not None:
        return _over(feed.total(places, "mol"), feed.total(feed.key_places, "mol"), line.equivalents)
    amount = line.per_key_input or line.per_batch
    if amount is None:
        return None
    charged = {
        "mass": lambda: feed.total(places, "gross"),
        "volume": lambda: _millilitres(feed, places),
        "amount": lambda: feed.total(places, "mol"),
    }
    dimension = "mass" if amount.dimension == "fraction" else amount.dimension.removesuffix("-per-mass")
    key_g = 1.0 if line.per_batch is not None else feed.total(feed.key_places, "gross")
    return _over(charged[dimension](), key_g, amount) if dimension in charged else None


def _over(charged: float | None, key: float | None, asked: Quantity) -> float | None:
    wanted = (key or 0.0) * asked.base()
    return None if charged is None or wanted <= 0.0 else charged / wanted


def _millilitres(feed: Feed, places: Sequence[int]) -> float | None:
    found = []
    for i in places:
        amount, gross = feed.run.charges[i].amount, feed.reading(i, "gross")
        density = density_of(feed.strength(i), feed.materials[feed.names[i]])
        if amount.dimension == "volume":
            found.append(amount.base())
        elif gross is not None and density is not None and density.value > 0.0:
            found.append(gross(feed.inputs.values) / density.value)
        else:
            return None
    return math.fsum(found)
