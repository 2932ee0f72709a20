"""The graph of a route: which step makes which input, and what is wrong with a route as it is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from service.domain.material import Material
from service.domain.reaction import balance_faults
from service.domain.route import CONTENT, RECOVERY, Route, Step
from service.errors import Fault, InvalidInput


def connect(route: Route) -> Route:
    """Return the route with ``upstream`` filled: for each input that another step of it makes, that step.

    Two makers of one input are a fault unless the line says ``from_step``; so are a circle, a product that no step or
    more than one makes, and a step whose product nothing uses. Raises InvalidInput with every fault.

    >>> step = Step(code="wash", name="wash", basis="mass-ratio", key_input="chalk", product="whiting")
    >>> connect(Route(code="r", name="r", product="whiting", steps=(step,))).upstream
    {}
    """
    faults: list[Fault] = []
    upstream: dict[tuple[str, str], str] = {}
    for pointer, step, material, from_step, from_route in _inputs(route):
        if from_route is not None:
            continue
        makers = [other.code for other in route.steps if other.product == material and other.code != step.code]
        if from_step is not None:
            if from_step not in makers:
                faults.append(
                    Fault(
                        code="not-made-there",
                        pointer=f"{pointer}/from_step",
                        received=from_step,
                        expected=f"one of the other steps that make {material!r}: {', '.join(makers) or 'none does'}",
                        detail=f"step {from_step!r} does not make {material!r}",
                    )
                )
            else:
                upstream[step.code, material] = from_step
        elif len(makers) > 1:
            faults.append(
                Fault(
                    code="two-makers",
                    pointer=pointer,
                    received=material,
                    expected=f'"from_step" beside it, naming one of {", ".join(makers)}',
                    detail=f"{material!r} is made by {' and by '.join(makers)}: say which step {step.code!r} takes",
                )
            )
        elif makers:
            upstream[step.code, material] = makers[0]
    faults.extend(_shape_faults(route, upstream))
    if faults:
        raise InvalidInput(faults)
    return replace(route, upstream=upstream)


def in_order(route: Route) -> tuple[Step, ...]:
    """Return the steps that lead to the product, each after the steps that feed it; the last makes the product.

    >>> wash = Step(code="wash", name="wash", basis="mass-ratio", key_input="chalk", product="whiting")
    >>> paint = Step(code="paint", name="paint", basis="mass-ratio", key_input="whiting", product="paint")
    >>> route = connect(Route(code="r", name="r", product="paint", steps=(paint, wash)))
    >>> [step.code for step in in_order(route)]
    ['wash', 'paint']
    """
    order: list[Step] = []
    seen: set[str] = set()

    def visit(step: Step) -> None:
        if step.code in seen:
            return
        seen.add(step.code)
        for material in step.inputs:
            maker = route.upstream.get((step.code, material))
            if maker is not None and (found := route.step(maker)) is not None:
                visit(found)
        order.append(step)

    visit(route.last_step)
    return tuple(order)


def route_faults(route: Route, materials: Mapping[str, Material]) -> tuple[Fault, ...]:
    """Return what is wrong with a route that only its materials can tell.

    ``materials`` holds every material that the route names. Checked: each reaction is balanced in every element and in
    charge; the key input and the product of a stoichiometric step have a molar mass; a content step's product holds its
    analyte; a recovery step's key input and product are two materials with one analyte.

    >>> step = Step(code="dry", name="dry", basis="recovery", key_input="damp", product="chalk")
    >>> route = Route(code="r", name="r", product="chalk", steps=(step,))
    >>> [fault.code for fault in route_faults(route, {code: Material(code, code) for code in ("damp", "chalk")})]
    ['another-analyte']
    """
    faults: list[Fault] = []
    for i, step in enumerate(route.steps):
        at = f"/steps/{i}"
        if step.reaction is not None:
            faults.extend(fault.under(f"{at}/reaction") for fault in _reaction_faults(step, materials))
        product, key = materials[step.product], materials[step.key_input]
        if step.basis == CONTENT and product.analyte_code != step.analyte:
            faults.append(
                Fault(
                    code="another-analyte",
                    pointer=f"{at}/product",
                    received=step.product,
                    expected=f"a material whose analyte is {step.analyte!r}",
                    detail=f"step {step.code!r} counts {step.analyte!r}, but {step.product!r} is counted as "
                    f"{product.analyte_code!r}: give the product that analyte",
                )
            )
        if step.basis == RECOVERY and (product.analyte_code != key.analyte_code or product.code == key.code):
            faults.append(
                Fault(
                    code="another-analyte",
                    pointer=f"{at}/product",
                    received=step.product,
                    expected=f"another material than {step.key_input!r}, with the same analyte",
                    detail="a recovery step turns a substance from crude into pure: two materials, one analyte",
                )
            )
    return tuple(faults)


def _inputs(route: Route) -> Iterator[tuple[str, Step, str, str | None, str | None]]:
    """Pointer, step, material, from_step and from_route of every input of every step."""
    for i, step in enumerate(route.steps):
        yield f"/steps/{i}/key_input", step, step.key_input, step.from_step, step.from_route
        for k, line in enumerate(step.bill):
            yield f"/steps/{i}/bill/{k}", step, line.material, line.from_step, line.from_route


def _shape_faults(route: Route, upstream: Mapping[tuple[str, str], str]) -> Iterator[Fault]:
    last = [step.code for step in route.steps if step.product == route.product]
    if len(last) != 1:
        yield Fault(
            code="no-way-to-product" if not last else "two-makers",
            pointer="/product",
            received=route.product,
            expected="the product of exactly one step",
            detail=f"no step makes {route.product!r}"
            if not last
            else f"{route.product!r} is made by {' and by '.join(last)}: the route's product has one last step",
        )
    used = {material for _, step, material, _, _ in _inputs(route)} | {route.product}
    for i, step in enumerate(route.steps):
        if step.product not in used:
            yield Fault(
                code="leads-nowhere",
                pointer=f"/steps/{i}/product",
                received=step.product,
                expected="a material that another step takes, or the route's product",
                detail=f"step {step.code!r} makes {step.product!r}, which no step takes and which is not the product",
            )
    circle = _circle(route, upstream)
    if circle:
        yield Fault(
            code="circle",
            pointer="/steps",
            received=" > ".join(circle),
            expected="steps that lead from feedstock to product without coming back",
            detail=f"the steps go round in a circle: {' > '.join(circle)}",
        )


def _circle(route: Route, upstream: Mapping[tuple[str, str], str]) -> list[str]:
    """The steps of one circle, first and last alike, or an empty list."""
    makers: dict[str, list[str]] = {step.code: [] for step in route.steps}
    for (step, _), maker in upstream.items():
        makers[step].append(maker)
    done: set[str] = set()

    def walk(code: str, path: list[str]) -> list[str]:
        if code in path:
            return [*path[path.index(code) :], code]
        if code in done:
            return []
        for maker in makers[code]:
            if found := walk(maker, [*path, code]):
                return found
        done.add(code)
        return []

    for code in makers:
        if found := walk(code, []):
            return found[::-1]
    return []


def _reaction_faults(step: Step, materials: Mapping[str, Material]) -> Iterator[Fault]:
    reaction = step.reaction
    assert reaction is not None
    named = [*reaction.reactants, *reaction.products]
    without = [code for code in named if materials[code].formula is None]
    # A stated molar mass stands in for a formula in every sum but the balance of elements.
    bare = [code for code in without if materials[code].molar_mass_g_per_mol is None]
    for code in bare:
        side = "reactants" if code in reaction.reactants else "products"
        yield Fault(
            code="no-formula",
            pointer=f"/{side}/{code}",
            received=code,
            expected="a material with a formula or a stated molar mass",
            detail=f"{code!r} has neither a formula nor a molar mass, so nothing can be counted in moles of it",
        )
    if not without:
        formulas = {code: formula for code in named if (formula := materials[code].formula) is not None}
        yield from balance_faults(reaction, formulas)
