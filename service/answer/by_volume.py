"""Materials that are counted in millilitres: nothing tells their density, and all that is said of them is by volume.

A bottle of "6 mol/L" is bought, kept and charged by volume. Without a density no gram of it is known, and none is
needed: its millilitres stand where grams of other materials stand, and answers show them as such.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, Final

from service.answer.book import Book
from service.domain.material import Material
from service.domain.quantity import Quantity
from service.domain.route import BillLine, Step
from service.store import shelf

ONE_FOR_ONE: Final = Quantity(Decimal(1), "g/mL", dimension="density")
"""What a millilitre is counted as, of a material that is counted in millilitres."""
NO_DENSITY: Final = "counted in mL: its density is not known"


def counted_by_volume(book: Book, steps: Collection[Step], materials: Mapping[str, Material]) -> frozenset[str]:
    """Return the billed materials of ``steps`` that are counted in millilitres, by code.

    Those without a density, on the material, on a lot or in an offer, whose every lot, pack and line of a bill is a
    volume, or moles of what every lot states the concentration of. A key input never is: its grams are the batch.
    """
    lines: dict[str, list[BillLine]] = {}
    for step in steps:
        for line in step.bill:
            lines.setdefault(line.material, []).append(line)
    weighed = {step.key_input for step in steps} | {step.product for step in steps}
    candidates = {code for code in lines if materials[code].density is None} - weighed
    if not candidates:
        return frozenset()
    lots = shelf.shelf_lots(book.reading, shelf.of_material(book.reading, candidates)).values()
    found = set()
    for code in candidates:
        strengths = [lot.strength for lot in lots if lot.material == code]
        offers = [offer for offer in book.offers if offer.material == code]
        sizes = [lot.dimension for lot in lots if lot.material == code] + [offer.pack.dimension for offer in offers]
        dense = any(x.density is not None for x in strengths) or any(x.density is not None for x in offers)
        dissolved = bool(strengths) and all(strength.is_solution for strength in strengths)
        if "volume" in sizes and "mass" not in sizes and not dense and all(_by_volume(lines[code], dissolved)):
            found.add(code)
    return frozenset(found)


def _by_volume(lines: Collection[BillLine], dissolved: bool) -> Iterator[bool]:
    for line in lines:
        amount = line.per_key_input or line.per_batch
        yield dissolved if amount is None else amount.dimension in ("volume", "volume-per-mass")


def standing_in(materials: Mapping[str, Material], by_volume: Collection[str]) -> dict[str, Material]:
    """Return ``materials`` with millilitres in the place of grams for those of ``by_volume``."""
    return {
        code: replace(material, density=ONE_FOR_ONE) if code in by_volume else material
        for code, material in materials.items()
    }


def shown(by_volume: Collection[str], material: str, **amounts: float | None) -> dict[str, Any]:
    """Return amounts under keys that name their unit, ``_ml`` beside an unknown ``_g`` for what is counted in it.

    >>> shown({"acid"}, "soda", need=2.0), shown({"acid"}, "acid", need=2.0)
    ({'need_g': 2.0}, {'need_g': None, 'need_ml': 2.0})
    """
    found: dict[str, Any] = {}
    for name, amount in amounts.items():
        found |= {f"{name}_g": None, f"{name}_ml": amount} if material in by_volume else {f"{name}_g": amount}
    return found
