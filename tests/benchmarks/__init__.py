"""What the service costs beside the least that the same work can cost.

``python -m tests.benchmarks`` prints every table, ``python -m tests.benchmarks put_run`` (or another module that has a
``rows`` function) one. Each figure is a median and stands beside a floor that was measured in the same run, call by
call in turn with it, so that ratios mean something where milliseconds do not. No test asserts on them.

Words: *cold* is a new process, *warm* has its columns loaded and caches no answer, *after a write* is warm and one
write, *repeat* is the same question with the tag of the answer that is held.
"""
