"""What went into a run, and the theoretical amount of product that follows from it by the step's basis."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Literal

from service.domain.charge import DENSITY_NEEDED, Holding, Inputs, Reading, holding_of, molar_mass_of
from service.domain.lot import Measured, ShelfLot, Strength, measured
from service.domain.material import Material
from service.domain.route import CONTENT, RECOVERY, STOICHIOMETRIC, Step
from service.domain.run import Charge, Run
from service.domain.uncertainty import least, total
from service.errors import Fault

Part = Literal["gross", "contained", "mol"]
KEYS: Mapping[Part, str] = {"gross": "gross_g", "contained": "contained_g", "mol": "contained_mol"}


class Feed:
    """The charges of one run as functions of shared inputs, and the theoretical amount as one more.

    ``find`` is called with a code and a sentence for what is kept and said; ``faults`` collects what a write is refused
    for; ``reason`` says why ``theoretical`` is None.
    """

    def __init__(
        self,
        run: Run,
        step: Step,
        materials: Mapping[str, Material],
        lots: Mapping[str, ShelfLot],
        find: Callable[[str, str], None],
    ) -> None:
        self.run, self.step, self.materials, self.lots = run, step, materials, lots
        self._find = find
        self.inputs = Inputs()
        self.faults: list[Fault] = []
        self.reason: str | None = None
        self.names = [self._name(charge) for charge in run.charges]
        self.held = [self._hold(charge, i) for i, charge in enumerate(run.charges)]
        self.extents: dict[str, Reading] = {}
        self.theoretical = self._theoretical()

    # ---- the charges

    def _name(self, charge: Charge) -> str:
        if charge.material is not None:
            return charge.material
        assert charge.lot is not None
        return self.lots[charge.lot].material

    def analyte(self, code: str) -> str:
        """The substance that ``code`` is counted as."""
        return self.materials[code].analyte_code

    def molar_mass(self, code: str) -> Measured | None:
        """Molar mass in g/mol that amounts of ``code`` are counted by."""
        material = self.materials[code]
        return molar_mass_of(material, self.materials.get(material.analyte_code))

    def strength(self, i: int) -> Strength:
        """What charge ``i`` states itself, else what its lot states."""
        charge = self.run.charges[i]
        shelf = self.lots[charge.lot].strength if charge.lot is not None else Strength()
        return charge.strength.over(shelf)

    def _hold(self, charge: Charge, i: int) -> Holding:
        code = self.names[i]
        # Two charges share an assay only where both take it from one lot; what a charge states is its own measurement.
        key = charge.lot if charge.lot is not None and charge.strength == Strength() else f"charge {i}"
        return holding_of(
            charge.amount, self.strength(i), self.materials[code], self.molar_mass(code), self.inputs, key
        )

    def of(self, code: str) -> list[int]:
        """Places of the charges that are of one substance, crude or pure."""
        wanted = self.analyte(code)
        return [i for i, name in enumerate(self.names) if self.analyte(name) == wanted]

    @property
    def key_places(self) -> list[int]:
        """Places of the charges of key input: of that very material, else of its substance."""
        exact = [i for i, name in enumerate(self.names) if name == self.step.key_input]
        return exact or self.of(self.step.key_input)

    def places(self, code: str) -> list[int]:
        """Places of the charges of one input of the step."""
        return self.key_places if code == self.step.key_input else self.of(code)

    def total(self, places: Sequence[int], part: Part) -> float | None:
        """Sum of one part over some charges; None where there is none or one is not known."""
        known = [reading for i in places if (reading := self.reading(i, part)) is not None]
        if not known or len(known) < len(places):
            return None
        return math.fsum(reading(self.inputs.values) for reading in known)

    def reading(self, i: int, part: Part) -> Reading | None:
        """One part of charge ``i`` as a function of the inputs."""
        held = self.held[i]
        return {"gross": held.gross, "contained": held.contained, "mol": held.mol}[part]

    def coefficient(self, code: str) -> int | None:
        """The coefficient of a charged material among the reactants; None where it is none of them."""
        if self.step.reaction is None:
            return None
        wanted = self.analyte(code)
        return next((n for name, n in self.step.reaction.reactants.items() if self.analyte(name) == wanted), None)

    # ---- the theoretical amount

    def _theoretical(self) -> Reading | None:
        if not self.key_places:
            self._unknown("key-input-missing", f"no {self.step.key_input} was charged")
            return None
        if self.step.basis == STOICHIOMETRIC:
            return self._stoichiometric()
        if self.step.basis == CONTENT:
            return self._content()
        if self.step.basis == RECOVERY:
            return self._sum_of(self.of(self.step.product), "contained")
        return self._sum_of(self.key_places, "gross")

    def _stoichiometric(self) -> Reading | None:
        step, reaction = self.step, self.step.reaction
        assert reaction is not None
        billed = [line.material for line in step.bill if line.material in reaction.reactants]
        if not step.bill:
            billed = [code for code in reaction.reactants if self.of(code)]
        reactants = list(dict.fromkeys([step.key_input, *billed]))
        for code in reactants:
            places = self.places(code)
            if not places:
                self._unknown("reactant-missing", f"{code} is on the bill but was not charged")
            elif (moles := self._sum_of(places, "mol")) is not None:
                self.extents[code] = _scaled(moles, 1.0 / reaction.reactants[code])
        product = self.molar_mass(step.product)
        if product is None:
            self._unknown("molar-mass-needed", f"the molar mass of {step.product} is not known")
            return None
        if len(self.extents) < len(reactants):
            return None
        molar = self.inputs.take(product, ("molar mass", self.analyte(step.product)))
        coefficient = float(reaction.products[step.product])
        extents = list(self.extents.values())
        return lambda x: least([extent(x) for extent in extents]) * coefficient * x[molar]

    def _content(self) -> Reading | None:
        analyte = self.step.analyte
        assert analyte is not None
        parts: list[tuple[Reading, int]] = []
        for i in self.key_places:
            gross, content, shared = self.held[i].gross, *self._content_of(i, analyte)
            if gross is None:
                self._needed(i, "gross")
            elif content is None:
                self._unknown("content-unknown", f"the content of {analyte} in {self.names[i]} is not known")
            else:
                parts.append((gross, self.inputs.take(content, ("content", shared))))
        if self.reason is not None:
            return None
        return lambda x: total([gross(x) * x[place] for gross, place in parts])

    def _content_of(self, i: int, analyte: str) -> tuple[Measured | None, str]:
        """The content of charge ``i``, and the key of whatever states it: the charge, its lot, or its material."""
        charge, name = self.run.charges[i], self.names[i]
        if analyte in charge.strength.contents:
            return charge.strength.contents[analyte], f"charge {i}"
        if charge.lot is not None and (found := self.lots[charge.lot].strength.contents.get(analyte)) is not None:
            return found, f"lot {charge.lot}"
        stated = self.materials[name].contents.get(analyte)
        return measured(stated), f"material {name}"

    def _sum_of(self, places: Sequence[int], part: Part) -> Reading | None:
        """Sum of one part over some charges; a part that is not known is a fault, and the sum None."""
        parts: list[Reading] = []
        for i in places:
            reading = self.reading(i, part)
            if reading is None:
                self._needed(i, part)
            else:
                parts.append(reading)
        if not parts or len(parts) < len(places):
            return None
        return parts[0] if len(parts) == 1 else lambda x: total([reading(x) for reading in parts])

    def _needed(self, i: int, part: Part) -> None:
        held, amount, name = self.held[i], self.run.charges[i].amount, self.names[i]
        code, reason = held.codes[KEYS[part]], held.reasons[KEYS[part]]
        missing = "a density" if code == DENSITY_NEEDED else "a formula or molar mass"
        self.faults.append(
            Fault(
                code=code,
                pointer=f"/charges/{i}/amount",
                received=amount.text(),
                expected=f"an amount in g, or {missing} recorded for the lot or for {name}",
                detail=f"{amount.text()} of {name} cannot be counted: {reason}",
            )
        )
        self._unknown(code, reason)

    def _unknown(self, code: str, reason: str) -> None:
        self.reason = self.reason or reason
        self._find(code, reason)


def _scaled(reading: Reading, factor: float) -> Reading:
    return lambda x: reading(x) * factor
