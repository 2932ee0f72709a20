"""The sheet on which weighings are written down, with everything in it that the route knows beforehand."""

from __future__ import annotations

from collections.abc import Iterator

from service.answer.book import Book
from service.domain.graph import in_order
from service.domain.route import Route
from service.domain.run import CO_PRODUCT, PRODUCT
from service.rendering.table import csv_text
from service.schemas.weighing_table import COLUMNS, IN, OUT


def weighings_template(book: Book, route: str) -> str:
    """Return the sheet of a route as CSV: a block of rows for each step, in the order in which they are run.

    A block has a row for the key input, for each line of the bill, for the product and for each co-product. A person
    copies a block for each run and writes the run, the days, the status and what was weighed; rows that stay as they
    are say nothing when the sheet is imported. Raises UnknownRecord where there is no such route.
    """
    return csv_text([*_rows(book.route(route))], COLUMNS)


def _rows(route: Route) -> Iterator[dict[str, str]]:
    leading = in_order(route)
    for step in (*leading, *(step for step in route.steps if step not in leading)):
        of_step = {"route": route.code, "step": step.code}
        for material in step.inputs:
            yield of_step | {"direction": IN, "material": material}
        yield of_step | {"direction": OUT, "role": PRODUCT, "material": step.product}
        for material in step.co_products:
            yield of_step | {"direction": OUT, "role": CO_PRODUCT, "material": material}
