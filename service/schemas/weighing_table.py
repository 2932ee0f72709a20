"""The table in which weighings are written down by hand: its columns, in the order in which a sheet shows them."""

from __future__ import annotations

from typing import Final

COLUMNS: Final = (
    "route", "step", "run", "started_on", "finished_on", "operator", "status", "direction", "role", "material", "lot",
    "amount", "gross", "tare", "loss_on_drying", "assay", "price", "note",
)  # fmt: skip
NEEDED: Final = ("route", "step", "run", "status", "direction", "amount")
"""No run can be read without these; the others may be left out."""
OF_THE_RUN: Final = ("route", "step", "started_on", "finished_on", "operator", "status", "note")
"""What is said of a run as a whole, in any of its rows."""
PREFILLED: Final = ("route", "step", "direction", "role", "material")
"""What the sheet to be filled in holds already: a row that says nothing else is not filled in."""
IN: Final = "in"
OUT: Final = "out"
