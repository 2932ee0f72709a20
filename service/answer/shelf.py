"""What is on the shelf of some materials: what each lot holds, how much of it is left in grams, and whose it is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass

from service.answer.book import Book
from service.domain.bill import unit_holding
from service.domain.blend import BlendPart, blend
from service.domain.lot import ShelfLot, Strength
from service.domain.material import Material
from service.domain.shelf_amount import UNITS_PER_BASE
from service.store import entries, shelf
from service.store.shelf import StoredLot


@dataclass(frozen=True, slots=True)
class LotPut:
    """A lot with what was put on the shelf, in gross grams; None where its mass cannot be known."""

    stored: StoredLot
    put_g: float | None

    @property
    def lot(self) -> ShelfLot:
        """The lot itself."""
        return self.stored.lot


@dataclass(frozen=True, slots=True)
class LotOnShelf(LotPut):
    """A lot with what was put there and what is left, in gross grams; None where its mass cannot be known."""

    left_g: float | None


def lots_put(book: Book, materials: Collection[str], known: Mapping[str, Material]) -> list[LotPut]:
    """Return every lot of ``materials``, by code; ``known`` holds those materials and their analytes."""
    return _put(book, shelf.of_material(book.reading, materials), known)


def lots_of(book: Book, materials: Collection[str], known: Mapping[str, Material]) -> list[LotOnShelf]:
    """Return every lot of ``materials`` with what is left of it, by code; ``known`` as for :func:`lots_put`."""
    return _with_balances(book, shelf.of_material(book.reading, materials), known)


def lots_named(book: Book, codes: Collection[str], known: Mapping[str, Material]) -> list[LotOnShelf]:
    """Return the lots of those codes that there are, by code; ``known`` goes before what is recorded of a material."""
    materials = {lot.material for lot in shelf.shelf_lots(book.reading, codes).values()} if codes else set()
    return _with_balances(book, codes, {**book.materials(materials), **known})


def _put(book: Book, codes: Collection[str], known: Mapping[str, Material]) -> list[LotPut]:
    if not codes:
        return []
    return [
        LotPut(found, None if found.amount is None else grams_of(found.amount, found.lot, known))
        for _, found in sorted(shelf.stored_lots(book.reading, codes).items())
    ]


def _with_balances(book: Book, codes: Collection[str], known: Mapping[str, Material]) -> list[LotOnShelf]:
    left = entries.balances(book.reading, codes) if codes else {}
    return [
        LotOnShelf(each.stored, each.put_g, grams_of(left[each.lot.code].quantity, each.lot, known))
        for each in _put(book, codes, known)
    ]


def grams_of(units: int, lot: ShelfLot, known: Mapping[str, Material]) -> float | None:
    """Return whole ng, nL or nmol of a lot in gross grams; None without the density or molar mass that this takes."""
    base = units / UNITS_PER_BASE[lot.dimension]
    if lot.dimension == "mass":
        return base
    held = unit_holding(lot.material, known, lot.strength)
    if lot.dimension == "volume":
        return None if held.g_per_ml is None else base * held.g_per_ml
    return base / held.contained_mol if held.contained_mol else None


def mean_strengths(lots: Iterable[LotPut], known: Mapping[str, Material]) -> dict[str, Strength]:
    """Return what the lots of a material hold on the whole, weighted by what was put on the shelf, by material.

    A lot that does not say how concentrated it is, or what of a named material it holds, counts as the others that do.
    ``known`` as for :func:`lots_put`.
    """
    several: dict[str, list[LotPut]] = {}
    for each in lots:
        if each.stored.amount:
            several.setdefault(each.lot.material, []).append(each)
    return {material: blend(_parts(mine, known[material])) for material, mine in several.items()}


def _parts(lots: list[LotPut], material: Material) -> list[BlendPart]:
    """The lots as parts of one blend, those that say least left out where others say what they hold."""
    telling = [
        each
        for each in lots
        if each.lot.strength.contents
        or each.lot.strength.molarity is not None
        or each.lot.strength.mass_concentration is not None
    ]
    return [BlendPart(each.put_g, _volume_ml(each, material), each.lot.strength) for each in telling or lots]


def _volume_ml(each: LotPut, material: Material) -> float | None:
    if each.lot.dimension == "volume" and each.stored.amount is not None:
        return each.stored.amount / UNITS_PER_BASE["volume"]
    own = each.lot.strength.density
    density = material.density_g_per_ml if own is None else own.value
    return each.put_g / density if each.put_g and density else None


@dataclass(frozen=True, slots=True)
class Usable:
    """What of a material may be taken for a plan: gross grams left in good lots, the grams at the strength that the
    plan expects that these stand for, and the lots left alone with the reason."""

    grams: Mapping[str, float]
    standing_for_g: Mapping[str, float]
    left_out: tuple[Mapping[str, str], ...]


def usable(
    lots: Iterable[LotOnShelf],
    as_of: dt.date,
    *,
    projects: Collection[str] | None,
    minimum_assay: Mapping[str, float],
    worth: Callable[[str, Strength], float],
) -> Usable:
    """Return what a plan may take: unexpired lots that hold something, at the assay wanted, of nobody else's project.

    ``projects`` are those whose lots may be taken beside the common shelf, None for every project's. ``minimum_assay``
    is by material; a lot without an assay is taken as it is: an assay not measured counts as 1. ``worth`` says of a
    material how many grams of what is expected a gram at a strength stands for.
    """
    grams: dict[str, float] = {}
    standing_for: dict[str, float] = {}
    left_out: list[Mapping[str, str]] = []
    for each in lots:
        if each.left_g is not None and each.left_g <= 0.0:
            continue
        reason = _unusable(each, as_of, projects, minimum_assay.get(each.lot.material))
        if reason is None:
            assert each.left_g is not None
            code, counted_g = each.lot.material, each.left_g * worth(each.lot.material, each.lot.strength)
            grams[code] = grams.get(code, 0.0) + each.left_g
            standing_for[code] = standing_for.get(code, 0.0) + counted_g
        else:
            left_out.append({"lot": each.lot.code, "material": each.lot.material, "reason": reason})
    return Usable(grams, standing_for, tuple(left_out))


def _unusable(each: LotOnShelf, as_of: dt.date, projects: Collection[str] | None, minimum: float | None) -> str | None:
    lot = each.lot
    if each.left_g is None:
        return "its mass is not known: record its density or molar mass"
    if lot.expires_on is not None and lot.expires_on < as_of:
        return f"expired on {lot.expires_on.isoformat()}"
    if projects is not None and lot.project is not None and lot.project not in projects:
        return f"of project {lot.project}: stock=all takes it"
    if minimum is not None and lot.strength.assay is not None and lot.strength.assay.value < minimum:
        return f"its assay {lot.strength.assay.value:g} is below the {minimum:g} that the step asks for"
    return None
