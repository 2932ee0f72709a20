"""What goes over the wire is JSON that everybody reads."""

from __future__ import annotations

import json

import pytest

from service.api.wire import json_bytes
from service.rendering.table import csv_text, ndjson_text


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
def test_a_number_that_is_none_is_never_written(number: float) -> None:
    for value in (number, {"yield": number}, [{"deep": [number]}]):
        with pytest.raises(ValueError, match="not JSON compliant"):
            json_bytes(value)
    with pytest.raises(ValueError, match="not JSON compliant"):
        ndjson_text([{"yield": number}])


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf")])
def test_nor_in_a_table(number: float) -> None:
    with pytest.raises(ValueError, match="no number"):
        csv_text([{"yield": number}])


def test_numbers_keep_every_digit() -> None:
    for number in (0.1, 1 / 3, 1e-300, 5e-324, 1.7976931348623157e308, 2**53 + 1):
        assert json.loads(json_bytes(number)) == number
