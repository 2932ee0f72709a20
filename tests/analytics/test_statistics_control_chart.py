"""The individuals chart: its limits, its rules, and what few runs cannot carry."""

from __future__ import annotations

import numpy as np
import pytest

from service.analytics.statistics.control_chart import RULES, control_chart, rules_in_words


def rules_at(values: list[float], place: int = -1) -> tuple[str, ...]:
    return control_chart(values).rules[place]


def quiet(n: int = 40) -> list[float]:
    """Values about 0 that turn every second time, so that no rule is near: sigma is 1."""
    return [0.282, 0.846, -0.282, -0.846] * (n // 4)


def test_limits_are_cut_where_the_basis_has_them_and_rules_are_not() -> None:
    values = [0.90, 0.99, 0.80, 0.97, 0.85, 0.99, 0.82, 0.96]
    free, cut = control_chart(values), control_chart(values, least=0.0, most=1.0)
    assert free.upper is not None
    assert free.upper > 1.0
    assert cut.upper == 1.0
    assert cut.lower == free.lower
    assert cut.rules == free.rules
    above = control_chart([*values, 1.02], least=0.0, most=1.0)
    assert above.beyond.tolist() == [False] * 8 + [True]
    assert "1-beyond-3-sigma" not in above.rules[-1]


@pytest.mark.parametrize(("runs", "provisional"), [(2, True), (7, True), (8, False)])
def test_few_runs_make_a_provisional_chart(runs: int, provisional: bool) -> None:
    assert control_chart(np.linspace(0.5, 0.6, runs)).provisional is provisional


@pytest.mark.parametrize(("values", "reason"), [([], "no runs"), ([0.6], "one run has no moving range")])
def test_what_one_run_cannot_carry_is_none_with_a_reason(values: list[float], reason: str) -> None:
    chart = control_chart(values)
    assert (chart.lower, chart.upper, chart.sigma) == (None, None, None)
    assert {chart.reasons[name] for name in ("lower", "upper", "sigma", "mean_moving_range")} == {reason}
    assert chart.provisional
    assert len(chart.rules) == len(chart.beyond) == len(values)


def test_one_run_beyond_three_sigma() -> None:
    assert "1-beyond-3-sigma" in rules_at([*quiet(), 6.0])
    assert control_chart([*quiet(), 6.0]).beyond[-1]
    assert not any(control_chart(quiet()).rules)


def test_two_of_three_need_one_side() -> None:
    assert "2-of-3-beyond-2-sigma" in rules_at([*quiet(), 3.0, 0.0, 3.0])
    assert "2-of-3-beyond-2-sigma" not in rules_at([*quiet(), 3.0, 0.0, -3.0])
    assert "2-of-3-beyond-2-sigma" not in rules_at([*quiet(), 3.0, 0.0, 0.0, 3.0])


def test_four_of_five_is_told_at_the_one_that_completes_it() -> None:
    values = [*quiet(), 1.6, 1.6, 0.0, 1.6, 1.6, 0.0]
    told = [place for place, names in enumerate(control_chart(values).rules) if "4-of-5-beyond-1-sigma" in names]
    assert told == [44]


@pytest.mark.parametrize(("runs", "told"), [(7, False), (8, True)])
def test_eight_on_one_side(runs: int, told: bool) -> None:
    values = [*quiet(), -0.9, *[0.3, 0.4] * 4][: 41 + runs]
    assert ("8-on-one-side" in rules_at([*values])) is told


@pytest.mark.parametrize(("runs", "told"), [(5, False), (6, True)])
@pytest.mark.parametrize("sign", [1, -1])
def test_six_in_a_row_going_one_way(runs: int, told: bool, sign: int) -> None:
    climb = [sign * (0.1 * step - 0.9) for step in range(runs)]
    assert ("6-trending" in rules_at([*quiet(), sign * 0.0, *climb])) is told


@pytest.mark.parametrize(("runs", "told"), [(13, False), (14, True)])
def test_fourteen_up_and_down_by_turns(runs: int, told: bool) -> None:
    values = [0.5, 0.5, *([0.6, 0.4] * 7)[: runs - 1]]
    assert ("14-alternating" in rules_at(values)) is told


def test_false_alarms_are_as_rare_as_the_handbook_says() -> None:
    # 6.3.2: once in about 371 points for 3 sigma alone, in about 91.75 with the four Western Electric rules. A rule
    # that holds on counts once; limits from long runs.
    values = np.random.default_rng(7).normal(size=200_000)
    western = set(list(RULES)[:4])
    chart = control_chart(values)
    alone = sum("1-beyond-3-sigma" in names for names in chart.rules)
    assert values.size / alone == pytest.approx(371, rel=0.1)
    signals, since = [], 0
    held = control_chart(values)  # a run length begins anew after each signal
    for names in held.rules:
        since += 1
        if western & set(names) and since >= 8:
            signals.append(since)
            since = 0
    assert 70 < np.mean(signals) < 115


def test_alike_runs_have_limits_on_themselves_and_none_beyond() -> None:
    chart = control_chart([0.7] * 9)
    assert (chart.sigma, chart.lower, chart.upper) == (0.0, pytest.approx(0.7), pytest.approx(0.7))
    assert not chart.beyond.any()
    assert not any(chart.rules)


def test_rules_have_words() -> None:
    assert all(rules_in_words([name]) for name in RULES)


def test_what_is_not_a_number_is_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        control_chart([0.5, float("nan")])
