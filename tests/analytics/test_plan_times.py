"""Hours of a plan, by hand and against every path that leads to the last step."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from service.analytics.planning.times import StepTimes, plan_times


def test_a_line_takes_the_sum_and_branches_the_longer_one() -> None:
    line = [StepTimes("a", 2, 1.5, 24.0), StepTimes("b", 1, 0.5, 3.0, upstream=(0,))]
    found = plan_times(line)
    assert (found.hands_on_h, found.elapsed_h, found.longest_path) == (3.5, 51.0, ("a", "b"))
    branched = [*line, StepTimes("c", 3, 1.0, 20.0), StepTimes("d", 1, 2.0, 1.0, upstream=(1, 2))]
    found = plan_times(branched)
    assert (found.hands_on_h, found.elapsed_h, found.longest_path) == (8.5, 61.0, ("c", "d"))


def test_what_a_step_does_not_state_is_not_taken_as_nothing() -> None:
    found = plan_times([StepTimes("a", 1, None, 2.0), StepTimes("b", 1, 1.0, None, upstream=(0,))])
    assert (found.hands_on_h, found.elapsed_h, found.longest_path) == (None, None, ())
    assert found.reasons == {
        "hands_on_h": "no labour is stated of step a",
        "elapsed_h": "no elapsed time is stated of step b",
    }
    # A step that stock stands in for takes no time, whether it states one or not.
    covered = plan_times([StepTimes("a", 0, None, None), StepTimes("b", 1, 1.0, 4.0, upstream=(0,))])
    assert (covered.hands_on_h, covered.elapsed_h, covered.longest_path, covered.reasons) == (1.0, 4.0, ("b",), {})
    nothing = plan_times([StepTimes("a", 0, None, None)])
    assert (nothing.hands_on_h, nothing.elapsed_h, nothing.longest_path) == (0.0, 0.0, ())


@given(st.data())
def test_no_path_is_longer(data: st.DataObject) -> None:
    steps = [
        StepTimes(
            code=f"s{at}",
            batches=data.draw(st.integers(0, 3)),
            labour_h=1.0,
            elapsed_h=data.draw(st.integers(0, 30)) * 1.0,
            upstream=tuple(data.draw(st.sets(st.integers(0, at - 1), max_size=2))) if at else (),
        )
        for at in range(data.draw(st.integers(1, 6)))
    ]
    lengths = [0.0]
    for many in range(1, len(steps) + 1):
        for path in itertools.combinations(range(len(steps)), many):
            if all(before in steps[after].upstream for before, after in itertools.pairwise(path)):
                lengths.append(sum(steps[at].batches * (steps[at].elapsed_h or 0.0) for at in path))
    found = plan_times(steps)
    assert found.elapsed_h == max(lengths)
    named = {step.code: step for step in steps}
    assert sum(named[code].batches * (named[code].elapsed_h or 0.0) for code in found.longest_path) == max(lengths)
