"""What runs gave that the standard cost does not reckon with: waste to be paid for, inputs that came back."""

from __future__ import annotations

import datetime as dt

from service.answer.book import Book
from service.answer.route_model import RouteModel
from service.domain.run import RECOVERED, WASTE
from service.store.entries import came_out


def left_out_of_cost(book: Book, model: RouteModel, as_of: dt.date) -> list[str]:
    """Return what is to be said of outturns of the route's runs that are in no figure of its standard cost.

    Waste is named where a rate for waste stands on the day; what was recovered where a step of the route takes it in.
    """
    paid = any(rate.of == "waste" and rate.valid_from <= as_of for rate in book.rates)
    takes = {each.material for step in model.steps for each in step.inputs}
    said = []
    for step, role, material, count in came_out(book.reading, model.route.code, (RECOVERED, WASTE), as_of.isoformat()):
        runs = "1 run" if count == 1 else f"{count} runs"
        if role == WASTE and paid:
            said.append(f"waste of step {step}: {material} of {runs}, paid for on the traced basis alone")
        elif role == RECOVERED and material in takes:
            said.append(f"{material} recovered in {runs} of step {step}: costed as if it were bought or made anew")
    return said
