"""The description of a step's runs against the certified values of the NIST Statistical Reference Datasets."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.analytics.statistics.describe import describe

RECORDS = {
    record["id"]: record
    for record in json.loads((Path(__file__).parent / "data" / "nist_stats.json").read_text("utf-8"))["records"]
}
SETS = ["Lew", "Lottery", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4"]

# Certified to 15 digits from the decimal data. A double near 10⁷ is off by up to 1e-9, 1e-8 of a spread of 0.1.
SD_TOLERANCE = {"NumAcc3": 1e-9, "NumAcc4": 1e-8}


def data_of(inputs: dict[str, Any]) -> list[float]:
    if "data" in inputs:
        return [float(value) for value in inputs["data"]]
    first, low, high = (float(number) for number in re.findall(r"\d+\.\d+", inputs["data_rule"]))
    return [first, *[low, high] * 500]


@pytest.mark.parametrize("name", SETS)
def test_certified_mean_and_standard_deviation(name: str) -> None:
    record = RECORDS[f"STRD-{name}"]
    values = data_of(record["inputs"])
    assert len(values) == record["inputs"]["n"]
    described = describe(values)
    assert described.mean == pytest.approx(record["expected"]["mean"], rel=1e-14)
    assert described.sd == pytest.approx(record["expected"]["sd_n_minus_1"], rel=SD_TOLERANCE.get(name, 1e-13))


def test_a_sum_of_squares_in_one_pass_would_not_do() -> None:
    values = np.array(data_of(RECORDS["STRD-NumAcc4"]["inputs"]))
    one_pass = (float(values @ values) - float(values.sum()) ** 2 / values.size) / (values.size - 1)
    assert abs(one_pass - 0.01) > 1e-4


def test_median_and_extremes_of_the_handbook_example() -> None:
    # e-Handbook 7.2.6.2 prints four decimals; its 90th percentile is type 6 and is not compared.
    record = RECORDS["EHB-7.2.6.2-PERCENTILE"]
    described = describe(record["inputs"]["x"])
    assert described.median == pytest.approx(record["expected"]["q50"], abs=5.1e-5)
    assert described.minimum == record["expected"]["q0"]
    assert described.maximum == record["expected"]["q100"]
