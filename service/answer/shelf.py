"""What is on the shelf of some materials: what each lot holds, how much of it is left in grams, and whose it is."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass

from service.answer.book import Book
from service.domain.bill import contained_in_one, unit_holding
from service.domain.blend import BlendPart, blend
from service.domain.lot import Measured, ShelfLot, Strength
from service.domain.material import Material
from service.domain.shelf_amount import UNITS_PER_BASE
from service.store import shelf
from service.store.shelf import LotLeft, LotsAlike, StoredLot


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
class Remainder:
    """What is left of a lot that is not empty, in gross grams; None where its mass cannot be known."""

    lot: LotLeft
    left_g: float | None


@dataclass(frozen=True, slots=True)
class LotOnShelf(LotPut):
    """A lot with what was put there and what is left, in gross grams; None where its mass cannot be known."""

    left_g: float | None


def lots_put(book: Book, materials: Collection[str], known: Mapping[str, Material]) -> list[LotPut]:
    """Return every lot of ``materials``, by code; ``known`` holds those materials and their analytes."""
    return _put(book, shelf.of_material(book.reading, materials), known)


def lots_of(book: Book, materials: Collection[str], known: Mapping[str, Material]) -> list[Remainder]:
    """Return the lots of ``materials`` that still hold something, by code; ``known`` as for :func:`lots_put`."""
    left = book.fact(("left", frozenset(materials)), lambda: shelf.lots_left(book.reading, materials))
    # Many lots are of one strength, and what a gram of them holds takes longer to tell than to remember.
    per_unit: dict[tuple[str, str, str], float | None] = {}
    found = []
    for lot in left:
        key = lot.material, lot.dimension, lot.strength_text
        if key not in per_unit:
            per_unit[key] = grams_in(UNITS_PER_BASE[lot.dimension], lot.material, lot.dimension, lot.strength, known)
        g_per_base = per_unit[key]
        found.append(
            Remainder(lot, None if g_per_base is None else lot.left / UNITS_PER_BASE[lot.dimension] * g_per_base)
        )
    return found


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
    found = _put(book, codes, known)
    left = [0 if each.stored.left is None else each.stored.left.quantity for each in found]
    return [
        LotOnShelf(each.stored, each.put_g, grams_of(quantity, each.lot, known))
        for each, quantity in zip(found, left, strict=True)
    ]


def grams_of(units: int, lot: ShelfLot, known: Mapping[str, Material]) -> float | None:
    """Return whole ng, nL or nmol of a lot in gross grams; None without the density or molar mass that this takes."""
    return grams_in(units, lot.material, lot.dimension, lot.strength, known)


def contained_in(
    units: int, material: str, dimension: str, strength: Strength, known: Mapping[str, Material]
) -> float | None:
    """Return the grams of the wanted substance in so many ng, nL or nmol of a material, as ``contained_in_one``."""
    held = contained_in_one(dimension, material, strength, known)
    return None if held is None else held * (units / UNITS_PER_BASE[dimension])


def grams_in(
    units: int, material: str, dimension: str, strength: Strength, known: Mapping[str, Material]
) -> float | None:
    """Return whole ng, nL or nmol of a material at a strength in gross grams, None as for :func:`grams_of`."""
    base = units / UNITS_PER_BASE[dimension]
    if dimension == "mass":
        return base
    held = unit_holding(material, known, strength)
    if dimension == "volume":
        return None if held.g_per_ml is None else base * held.g_per_ml
    return base / held.contained_mol if held.contained_mol else None


def mean_strengths(lots: Iterable[LotPut], known: Mapping[str, Material]) -> dict[str, Strength]:
    """Return what the lots of a material hold on the whole, weighted by what was put on the shelf, by material.

    A lot that does not say how concentrated it is, or what of a named material it holds, counts as the others that do.
    ``known`` as for :func:`lots_put`.
    """
    several: dict[str, list[_Portion]] = {}
    for each in lots:
        if each.stored.amount:
            portion = _Portion(each.lot.dimension, each.stored.amount, each.put_g, each.lot.strength)
            several.setdefault(each.lot.material, []).append(portion)
    return {material: _blended(mine, known[material]) for material, mine in several.items()}


def mean_strengths_alike(lots: Iterable[LotsAlike], known: Mapping[str, Material]) -> dict[str, Strength]:
    """Return what :func:`mean_strengths` returns, of lots that were taken together."""
    several: dict[str, list[_Portion]] = {}
    for each in lots:
        put_g = grams_in(each.amount, each.material, each.dimension, each.strength, known)
        strength = _of_several(each.strength, math.sqrt(each.squares) / each.amount)
        several.setdefault(each.material, []).append(_Portion(each.dimension, each.amount, put_g, strength))
    return {material: _blended(mine, known[material]) for material, mine in several.items()}


def _of_several(strength: Strength, share: float) -> Strength:
    """The strength of lots that state the same, each measured by itself: the errors of their weighted mean are those of
    one times the root of the sum of the squares of their weights."""
    if share >= 1.0:
        return strength

    def less_sure(found: Measured | None) -> Measured | None:
        return found if found is None or found.u is None else Measured(found.value, found.u * share)

    return Strength(
        assay=less_sure(strength.assay),
        loss_on_drying=less_sure(strength.loss_on_drying),
        molarity=less_sure(strength.molarity),
        mass_concentration=less_sure(strength.mass_concentration),
        density=less_sure(strength.density),
        contents={code: less_sure(found) or found for code, found in strength.contents.items()},
    )


@dataclass(frozen=True, slots=True)
class _Portion:
    """An amount of one strength that was put on the shelf: ng, nL or nmol by ``dimension``, gross grams if known."""

    dimension: str
    amount: int
    put_g: float | None
    strength: Strength


def _blended(portions: list[_Portion], material: Material) -> Strength:
    """The portions united, those that say least left out where others say what they hold."""
    telling = [each for each in portions if each.strength.contents or each.strength.is_solution]
    return blend([BlendPart(each.put_g, _volume_ml(each, material), each.strength) for each in telling or portions])


def _volume_ml(each: _Portion, material: Material) -> float | None:
    if each.dimension == "volume":
        return each.amount / UNITS_PER_BASE["volume"]
    own = each.strength.density
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
    lots: Iterable[Remainder],
    as_of: dt.date,
    *,
    projects: Collection[str] | None,
    minimum_assay: Mapping[str, float],
    worth: Callable[[str, Strength], float],
) -> Usable:
    """Return what a plan may take: unexpired lots, at the assay wanted, of nobody else's project.

    ``projects`` are those whose lots may be taken beside the common shelf, None for every project's. ``minimum_assay``
    is by material; a lot without an assay is taken as it is: an assay not measured counts as 1. ``worth`` says of a
    material how many grams of what is expected a gram at a strength stands for.
    """
    grams: dict[str, float] = {}
    standing_for: dict[str, float] = {}
    left_out: list[Mapping[str, str]] = []
    counts_as: dict[tuple[str, str], float] = {}
    today = as_of.isoformat()
    for each in lots:
        lot, code = each.lot, each.lot.material
        reason = _unusable(each, today, projects, minimum_assay.get(code))
        if reason is None:
            assert each.left_g is not None
            key = code, lot.strength_text
            if key not in counts_as:
                counts_as[key] = worth(code, lot.strength)
            grams[code] = grams.get(code, 0.0) + each.left_g
            standing_for[code] = standing_for.get(code, 0.0) + each.left_g * counts_as[key]
        else:
            left_out.append({"lot": lot.code, "material": code, "reason": reason})
    return Usable(grams, standing_for, tuple(left_out))


def _unusable(each: Remainder, today: str, projects: Collection[str] | None, minimum: float | None) -> str | None:
    lot = each.lot
    if each.left_g is None:
        return "its mass is not known: record its density or molar mass"
    if lot.expires_on is not None and lot.expires_on < today:
        return f"expired on {lot.expires_on}"
    if projects is not None and lot.project is not None and lot.project not in projects:
        return f"of project {lot.project}: stock=all takes it"
    assay = None if minimum is None else lot.strength.assay
    if minimum is not None and assay is not None and assay.value < minimum:
        return f"its assay {assay.value:g} is below the {minimum:g} that the step asks for"
    return None
