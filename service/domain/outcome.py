"""The outcome of one run: what it should have given, what it gave, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from service.domain.expired import expired_charges
from service.domain.feed import Feed
from service.domain.finding import Finding
from service.domain.lot import ShelfLot
from service.domain.material import Material
from service.domain.off_bill import off_bill
from service.domain.route import CONTENT, MASS_RATIO, STOICHIOMETRIC, Step
from service.domain.run import ABANDONED, FAILED, FINISHED, OPEN, PRODUCT, RECOVERED, Outturn, Run
from service.domain.uncertainty import propagate, ratio, total
from service.domain.weighed import Weighed, weigh
from service.errors import Fault

NEAR_ZERO = 0.05
"""Below this share of the limiting input left after recovery, a yield on what was consumed says nothing."""
WITHOUT_YIELD = {OPEN: "not finished yet", FAILED: "the run failed", ABANDONED: "the run was abandoned"}


@dataclass(frozen=True, slots=True)
class ChargeOutcome:
    """One charge in plain numbers; None where it could not be worked out, with the reason."""

    material: str
    lot: str | None
    gross_g: float | None
    contained_g: float | None
    contained_mol: float | None
    equivalents: float | None
    stoichiometric_ratio: float | None
    reasons: Mapping[str, str]
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON-ready data."""
        plain = {name: getattr(self, name) for name in self.__slots__}
        return {**plain, "reasons": dict(self.reasons), "notes": list(self.notes)}


@dataclass(frozen=True, slots=True)
class OutturnOutcome:
    """One outturn in plain numbers, in g."""

    material: str
    lot: str | None
    role: str
    net_g: float
    net_u_g: float
    dry_g: float
    contained_g: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to, masses only, never money. Yields are fractions. ``reasons`` says why a number is None.

    ``batch_g`` is the gross key input as charged, all lots of it together; ``key_contained_g`` what that contained;
    ``key_lot`` the lot that most of it came from. ``faults`` are what a write is refused for; ``findings`` are kept
    and said.
    """

    theoretical_g: float | None = None
    theoretical_u_g: float | None = None
    net_g: float | None = None
    net_u_g: float | None = None
    dry_g: float | None = None
    contained_g: float | None = None
    contained_u_g: float | None = None
    yield_fraction: float | None = None
    yield_u: float | None = None
    crude_yield: float | None = None
    recovered_basis_yield: float | None = None
    mass_balance: float | None = None
    mass_balance_u: float | None = None
    batch_g: float | None = None
    key_contained_g: float | None = None
    limiting_reagent: str | None = None
    key_lot: str | None = None
    charges: tuple[ChargeOutcome, ...] = ()
    outturns: tuple[OutturnOutcome, ...] = ()
    findings: tuple[Finding, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()

    def detail(self) -> dict[str, Any]:
        """Return what stands beside the plain numbers, as JSON-ready data."""
        return {
            "charges": [charge.as_dict() for charge in self.charges],
            "outturns": [{name: getattr(outturn, name) for name in outturn.__slots__} for outturn in self.outturns],
            "findings": [finding.as_dict() for finding in self.findings],
            "reasons": dict(self.reasons),
        }


def outcome_of(run: Run, step: Step, materials: Mapping[str, Material], lots: Mapping[str, ShelfLot]) -> Outcome:
    """Return the outcome of ``run``, one execution of ``step``.

    ``materials`` holds every material that the run and the step name, and their analytes; ``lots`` every lot charged.
    Never raises for what was recorded: what the step's basis cannot do without is in ``faults``, the rest in
    ``findings`` and ``reasons``.

    The theoretical amount follows the step's basis: the least of n/ν over the key input and the billed reactants, times
    ν·M of the product (OpenStax Chemistry 2e, section 4.4); the analyte in the feed; the substance put in; or the gross
    key input. yield = contained / theoretical; crude yield = net / theoretical. Uncertainty: JCGM 100:2008, 5.1.2.

    >>> from service.domain.quantity import parse_quantity
    >>> from service.domain.run import Charge, Outturn
    >>> grams = lambda text: parse_quantity(text, ("mass",))
    >>> step = Step("dry", "dry", "mass-ratio", key_input="wet-chalk", product="chalk")
    >>> run = Run("r1", "whiting", "dry", FINISHED, charges=(Charge(grams("50.0 g"), material="wet-chalk"),),
    ...           outturns=(Outturn("chalk", gross=(grams("60.1 g"),), tare=grams("20.1 g")),))
    >>> found = outcome_of(run, step, {c: Material(c, c) for c in ("wet-chalk", "chalk")}, {})
    >>> found.yield_fraction, round(found.yield_u, 5)
    (0.8, 0.00105)
    """
    return _Reckoning(run, step, materials, lots).outcome()


class _Reckoning:
    """One run being worked out: the numbers of its record become inputs, the answers functions of them."""

    def __init__(self, run: Run, step: Step, materials: Mapping[str, Material], lots: Mapping[str, ShelfLot]) -> None:
        self.run, self.step = run, step
        self.findings: list[Finding] = []
        self.reasons: dict[str, str] = {}
        self.feed = Feed(run, step, materials, lots, self._find)
        if self.feed.reason is not None:
            self.reasons["theoretical_g"] = self.feed.reason
        self.inputs = self.feed.inputs
        self.out: list[Weighed] = []
        self.unweighed: list[str] = []
        for i, outturn in enumerate(run.outturns):
            row = weigh(outturn, self.inputs, materials[outturn.material])
            if row is None:
                self._cannot_weigh(i, outturn)
            else:
                self.out.append(row)
        self.mine = [row for row in self.out if row.outturn.role == PRODUCT and row.outturn.material == step.product]
        self.weighed_in = [held.gross for held in self.feed.held if held.gross is not None]

    def _cannot_weigh(self, i: int, outturn: Outturn) -> None:
        """An amount in mL of something without a density: a write is refused, a standing run keeps what is known."""
        detail = f"the mass of the {outturn.material} taken out cannot be known without its density"
        received = None if outturn.net is None else outturn.net.text()
        expected = f"an amount in g, or a density of the outturn or of {outturn.material}"
        self.unweighed.append(outturn.material)
        self.feed.faults.append(Fault("density-needed", detail, received, expected, pointer=f"/outturns/{i}/net"))
        self._find("density-needed", detail, f"/outturns/{i}/net")

    def outcome(self) -> Outcome:
        x = self.inputs.values
        numbers = self._numbers(x)
        us = propagate(self._numbers, x, self.inputs.us)
        theoretical, net, contained, total_in, total_out, share, balance = range(7)
        per_outturn = slice(7, 7 + len(self.out))
        extents = dict(zip(self.feed.extents, numbers[per_outturn.stop :], strict=True))
        extent_us = dict(zip(self.feed.extents, us[per_outturn.stop :], strict=True))

        weighed = self.run.status != OPEN
        t = numbers[theoretical] if self.feed.theoretical is not None else None
        limiting = self._limiting(extents, extent_us)
        y = self._yield(t, numbers[share], numbers[contained])
        u_gap = math.hypot(us[total_in], us[total_out])
        closed = self._balance(numbers[balance], us[balance], numbers[total_in], numbers[total_out], u_gap)
        self._look_at_outturns()
        self.findings += [*off_bill(self.feed), *expired_charges(self.run, self.feed.lots)]
        return Outcome(
            theoretical_g=t,
            theoretical_u_g=us[theoretical] if t is not None else None,
            net_g=numbers[net] if weighed else None,
            net_u_g=us[net] if weighed else None,
            dry_g=math.fsum(row.dry(x) for row in self.mine) if weighed else None,
            contained_g=numbers[contained] if weighed else None,
            contained_u_g=us[contained] if weighed else None,
            yield_fraction=y,
            yield_u=us[share] if y is not None else None,
            crude_yield=numbers[net] / t if y is not None and t else None,
            recovered_basis_yield=self._on_consumed(y, limiting),
            mass_balance=closed,
            mass_balance_u=us[balance] if closed is not None else None,
            batch_g=self.feed.total(self.feed.key_places, "gross"),
            key_contained_g=self.feed.total(self.feed.key_places, "contained"),
            limiting_reagent=limiting,
            key_lot=self._main_lot(),
            charges=self._charges(extents, limiting),
            outturns=tuple(
                OutturnOutcome(
                    row.outturn.material, row.outturn.lot, row.outturn.role, row.net(x), u, row.dry(x), row.contained(x)
                )
                for row, u in zip(self.out, us[per_outturn], strict=True)
            ),
            findings=tuple(self.findings),
            reasons=self.reasons,
            faults=tuple(self.feed.faults),
        )

    def _numbers(self, x: list[float]) -> list[float]:
        """Everything that carries an uncertainty, as one row; NaN only in here, for what is not known."""
        theoretical = self.feed.theoretical(x) if self.feed.theoretical is not None else math.nan
        contained = total([row.contained(x) for row in self.mine])
        total_in = total([reading(x) for reading in self.weighed_in])
        nets = [row.net(x) for row in self.out]
        total_out = total(nets)
        return [
            theoretical,
            total([row.net(x) for row in self.mine]),
            contained,
            total_in,
            total_out,
            ratio(contained, theoretical),
            ratio(total_out, total_in),
            *nets,
            *(extent(x) for extent in self.feed.extents.values()),
        ]

    def _yield(self, theoretical: float | None, ratio: float, contained: float) -> float | None:
        if self.run.status != FINISHED:
            self.reasons["yield"] = WITHOUT_YIELD[self.run.status]
            return None
        if self.step.product in self.unweighed:
            self.reasons["yield"] = f"the mass of {self.step.product} taken out is not known"
            return None
        if theoretical is None or theoretical <= 0.0:
            self.reasons["yield"] = self.reasons.get("theoretical_g", "the theoretical amount is zero")
            return None
        if ratio > 1.0 and self.step.basis != MASS_RATIO:
            self._find(
                "yield-above-one",
                f"{contained:.4g} g of {theoretical:.4g} g theoretical is {ratio:.2f} of it: look at dryness, salt or "
                "hydrate form, tare, content and unit",
            )
        return ratio

    def _limiting(self, extents: Mapping[str, float], us: Mapping[str, float]) -> str | None:
        """The reactant whose extent is least; a note where another is within the uncertainty of it."""
        if self.step.basis != STOICHIOMETRIC or self.feed.theoretical is None:
            return None
        least = min(extents, key=lambda code: extents[code])
        for code, extent in extents.items():
            if code != least and extent - extents[least] <= 2.0 * math.hypot(us[code], us[least]):
                self._find(
                    "limiting-in-doubt",
                    f"{least} and {code} are within their uncertainty of each other: either may be limiting",
                )
        return least

    def _balance(self, balance: float, u: float, total_in: float, total_out: float, u_gap: float) -> float | None:
        unknown = next((held.reasons["gross_g"] for held in self.feed.held if held.gross is None), None)
        if self.run.status == OPEN:
            self.reasons["mass_balance"] = "nothing is weighed out yet"
        elif unknown is not None:
            self.reasons["mass_balance"] = f"the mass of a charge is not known: {unknown}"
        elif self.unweighed:
            self.reasons["mass_balance"] = f"the mass of {self.unweighed[0]} taken out is not known"
        elif total_in <= 0.0:
            self.reasons["mass_balance"] = "nothing was charged"
        elif not self.out and not self.run.all_weighed:
            # Whatever came out, nobody weighed it: that is not to say that nothing did.
            self.reasons["mass_balance"] = "nothing was weighed out"
        else:
            if total_out - total_in > 2.0 * u_gap:
                self._find("more-out-than-in", f"{total_out:.6g} g came out of {total_in:.6g} g charged")
            elif self.run.all_weighed and abs(1.0 - balance) > 2.0 * u:
                self._find(
                    "balance-open",
                    f"{total_in - total_out:.4g} g of the {total_in:.6g} g charged are not accounted for",
                )
            return balance
        return None

    def _on_consumed(self, y: float | None, limiting: str | None) -> float | None:
        """Yield on the limiting input less what was recovered of it."""
        back = [row for row in self.out if row.outturn.role == RECOVERED]
        basis = limiting if self.step.basis == STOICHIOMETRIC else self.step.key_input
        if y is None or basis is None or not back:
            return None
        x, feed = self.inputs.values, self.feed
        mine = [row for row in back if feed.analyte(row.outturn.material) == feed.analyte(basis)]
        if not mine:
            self.reasons["recovered_basis_yield"] = f"what was recovered is not {basis}, which limits"
            return None
        # A feed is counted as it stands; a substance by what is in it.
        as_it_stands = self.step.basis in (CONTENT, MASS_RATIO)
        charged = feed.total(feed.places(basis), "gross" if as_it_stands else "contained")
        recovered = math.fsum(row.net(x) if as_it_stands else row.contained(x) for row in mine)
        if not charged:
            self.reasons["recovered_basis_yield"] = f"the mass of {basis} charged is not known"
            return None
        left = 1.0 - recovered / charged
        if left < NEAR_ZERO:
            self.reasons["recovered_basis_yield"] = f"nearly all of the {basis} was recovered"
            return None
        return y / left

    def _main_lot(self) -> str | None:
        charges = (self.run.charges[i] for i in self.feed.key_places)
        lots = [(charge.amount.base(), charge.lot) for charge in charges if charge.lot is not None]
        return max(lots)[1] if lots else None

    def _charges(self, extents: Mapping[str, float], limiting: str | None) -> tuple[ChargeOutcome, ...]:
        """The charges in plain numbers; equivalents are moles per mole of the limiting reagent, else of key input."""
        feed, x = self.feed, self.inputs.values
        reference = limiting or self.step.key_input
        n_ref = feed.total(feed.places(reference), "mol")
        extent_ref = extents.get(reference)
        found = []
        for charge, name, held in zip(self.run.charges, feed.names, feed.held, strict=True):
            mol = None if held.mol is None else held.mol(x)
            nu = feed.coefficient(name)
            found.append(
                ChargeOutcome(
                    material=name,
                    lot=charge.lot,
                    gross_g=None if held.gross is None else held.gross(x),
                    contained_g=None if held.contained is None else held.contained(x),
                    contained_mol=mol,
                    equivalents=mol / n_ref if mol is not None and n_ref else None,
                    stoichiometric_ratio=mol / nu / extent_ref if mol is not None and nu and extent_ref else None,
                    reasons=held.reasons,
                    notes=held.notes,
                )
            )
        return tuple(found)

    def _look_at_outturns(self) -> None:
        for i, outturn in enumerate(self.run.outturns):
            if outturn.role == PRODUCT and outturn.material != self.step.product:
                self._find(
                    "other-product",
                    f"step {self.step.code} makes {self.step.product}: {outturn.material} is not in the yield",
                    f"/outturns/{i}/material",
                )
        assayed = all(row.outturn.strength.assay is not None for row in self.mine)
        dried = all(row.outturn.strength.loss_on_drying is not None for row in self.mine)
        absent = [name for name, known in (("assay", assayed), ("loss on drying", dried)) if not known]
        if self.mine and absent:
            self.reasons["not_measured"] = f"{' and '.join(absent)} of the product: counted as pure, or as dry"

    def _find(self, code: str, detail: str, place: str | None = None) -> None:
        finding = Finding(code, detail, place=place)
        if finding not in self.findings:
            self.findings.append(finding)
