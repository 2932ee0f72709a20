"""Bills as a scenario has them: the routes with their lines changed, added and removed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from service.answer.book import Book
from service.answer.plan_inputs import Gathered
from service.answer.scenario_names import unknown_name
from service.domain.graph import connect
from service.domain.route import BillLine, Route, Step
from service.domain.what_if import Change
from service.errors import Fault, InvalidInput


def altered_routes(
    book: Book, gathered: Gathered, placed: Iterable[tuple[str, Change]]
) -> tuple[dict[str, Route], list[Fault]]:
    """Return the routes whose bills are otherwise, by code and connected, and every change that cannot be made.

    ``placed``: changes of bills, each with its pointer. A line may be stated in any form, whatever form it has; one of
    a material that the bill does not name is added to it. Steps that nothing takes from any more are left out.
    """
    steps = {own.code: pair for own, pair in zip(gathered.inputs.steps, gathered.models, strict=True)}
    routes: dict[str, Route] = {}
    faults: list[Fault] = []
    for pointer, change in placed:
        assert change.step is not None
        if change.step not in steps:
            faults.append(unknown_name("step", change.step, steps, f"{pointer}/step"))
            continue
        model, this = steps[change.step]
        route = routes.get(model.route.code, model.route)
        try:
            step = route.step(this.step.code)
            if step is None:
                detail = f"nothing takes what {change.step} makes once the changes before this one are made"
                raise InvalidInput([Fault("left-out", detail, change.step, pointer=f"{pointer}/step")])
            routes[route.code] = _connected(route, _rebilled(book, step, change, pointer), pointer)
        except InvalidInput as refused:
            faults += refused.faults
    return routes, faults


def not_in_grams(gathered: Gathered, placed: Iterable[tuple[str, Change]]) -> list[Fault]:
    """Return the faults of lines that cannot be told in grams, in inputs that were read with them."""
    steps = {step.code: step for step in gathered.inputs.steps}
    found = []
    for pointer, change in placed:
        own = steps.get(change.step or "")
        if own is not None and change.material is not None and change.material in own.unknown_needs:
            reason = own.unknown_needs[change.material]
            detail = f"what step {own.code} takes of {change.material} cannot be told in grams: {reason}"
            found.append(Fault("not-in-grams", detail, change.material, pointer=pointer))
    return found


def _rebilled(book: Book, step: Step, change: Change, pointer: str) -> Step:
    """The step with one line of its bill changed, added or removed."""
    material = change.material
    assert material is not None
    lines = {line.material: line for line in step.bill}
    if material == step.key_input:
        detail = f"{material} is the key input of {step.code}, at 1 g/g: change its yield, or lines of the bill"
        raise InvalidInput([Fault("key-input", detail, material, pointer=f"{pointer}/material")])
    if change.remove:
        if material not in lines:
            raise InvalidInput([unknown_name("bill-line", material, lines, f"{pointer}/material")])
        return replace(step, bill=tuple(line for line in step.bill if line.material != material))
    if material not in lines and material not in (known := book.records("materials")):
        raise InvalidInput([unknown_name("bill-line", material, {*lines, *known}, f"{pointer}/material")])
    stated = replace(
        lines.get(material, BillLine(material)),
        equivalents=change.equivalents,
        per_key_input=change.per_key_input,
        per_batch=change.per_batch,
    )
    return replace(step, bill=tuple((lines | {material: stated}).values()))


def _connected(route: Route, step: Step, pointer: str) -> Route:
    """The route with a step in place of the one of its code, and without what then feeds nothing."""
    steps = [step if each.code == step.code else each for each in route.steps]
    while True:
        taken = {route.product, *(material for each in steps for material in each.inputs)}
        used = [each for each in steps if each.product in taken]
        if len(used) == len(steps):
            break
        steps = used
    try:
        return connect(replace(route, steps=tuple(steps), upstream={}))
    except InvalidInput as refused:
        raise InvalidInput(
            [Fault(each.code, each.detail, each.received, each.expected, pointer) for each in refused.faults]
        ) from refused
